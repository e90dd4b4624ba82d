"""A run under review without a browser: fast updates equal a full rebuild, kill -9 loses nothing, the queue stops."""

from __future__ import annotations

import random
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pytest

from boreline.correction import log_path, read_log
from boreline.correction.edits import EDIT
from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.results import ResultFolder
from boreline.review.session import Outdated, RunSession
from boreline.workflow.apply_edits import apply_log, compare_readers, import_log, up_to_date
from boreline.workflow.doubt import ENOUGH, doubt

UPDATED = [
    "lumen_area_mm2",
    "lumen_max_diameter_mm",
    "eem_area_mm2",
    "plaque_burden_pct",
    "confidence",
    "flags",
    "reviewed",
]


def some_edits(n: int, *, seed: int = 1, frames: int = 60) -> list[dict[str, Any]]:
    """Edits of many kinds; frame pictures are 128 pixels wide."""
    rng = random.Random(seed)
    out: list[dict[str, Any]] = []
    for _ in range(n):
        frame = rng.randint(1, frames)
        last = min(frames, frame + rng.randint(0, 3))
        structure = rng.choice(["lumen", "lumen", "eem"])
        angle, reach = rng.uniform(0, 6.28), rng.uniform(15, 45)
        at = [63.5 + reach * np.cos(angle), 63.5 + reach * np.sin(angle)]
        out.append(
            rng.choice(
                [
                    {"kind": "points", "frame": frame, "structure": structure, "points_px": [at]},
                    {"kind": "points", "frame": frame, "structure": structure, "points_px": [at]},
                    {"kind": "accept", "first": frame, "last": frame},
                    {"kind": "reject", "first": frame, "last": frame},
                    {"kind": "eem_not_measurable", "first": frame, "last": last},
                    {"kind": "branch", "first": frame, "last": last},
                    {"kind": "place", "first": frame, "last": last, "where": rng.choice(["in_guide", "in_vessel"])},
                    {"kind": "site", "name": "mla", "frame": frame},
                ]
            )
        )
    return out


def add(session: RunSession, edit: dict[str, Any]) -> dict[str, Any] | None:
    try:
        return session.add(EDIT.validate_python(edit), revision=session.revision)  # type: ignore[arg-type]
    except InputRefused:
        return None


@pytest.fixture
def session(folder: Callable[[str], Path]) -> Any:
    opened = RunSession(ResultFolder.open(folder("mm")), "anna", save_after_s=600)
    yield opened
    opened.close()


def test_quick_updates_equal_a_full_rebuild_with_undo_and_redo(session: RunSession) -> None:
    rng = random.Random(2)
    for edit in some_edits(60):
        add(session, edit)
        if rng.random() < 0.3:
            session.undo(revision=session.revision)
            if rng.random() < 0.5:
                session.redo(revision=session.revision)
    session.save()
    stored = session.folder.frames()
    numbers = session.numbers()
    for name in ("lumen_area_mm2", "eem_area_mm2", "position_mm", "plaque_burden_pct", "confidence"):
        shown = np.array([np.nan if v is None else v for v in numbers[name]])
        np.testing.assert_allclose(shown, stored[name].to_numpy(dtype=float), atol=6e-3)
    assert numbers["flags"] == list(stored["flags"])
    drawn = session.contours(0, session.n_frames)["frames"]
    lumen = session.folder.contours(Structure.LUMEN)
    for record in drawn:
        want = np.rint(lumen.polygon(record["frame"] - 1) * 100)
        got = np.array(record.get("lumen", [])).reshape(-1, 2)
        assert np.abs(got - want).max(initial=0) <= 1


def test_undo_beyond_the_kept_states_replays(session: RunSession, monkeypatch: pytest.MonkeyPatch) -> None:
    before = session.contours(0, 60)["frames"]
    for edit in some_edits(12, seed=4):
        add(session, edit)
    session._earlier.clear()  # as if many more edits had gone by
    while session.operator()["undo"] is not None:
        session.undo(revision=session.revision)
    assert session.contours(0, 60)["frames"] == before
    with pytest.raises(InputRefused, match="nothing to undo"):
        session.undo(revision=session.revision)


def test_a_log_replays_to_identical_contours_elsewhere(
    session: RunSession, folder_template: dict[str, Path], tmp_path: Path
) -> None:
    import shutil

    for edit in some_edits(40, seed=9):
        add(session, edit)
    session.save()
    log = log_path(session.folder.path, "anna")
    elsewhere = Path(shutil.copytree(folder_template["mm"], tmp_path / "elsewhere"))
    applied = import_log(ResultFolder.open(elsewhere), log)
    fresh = ResultFolder.open(elsewhere)
    for structure in Structure:
        here, there = session.folder.contours(structure), fresh.contours(structure)
        assert here.xy_px.tobytes() == there.xy_px.tobytes()
        assert np.array_equal(here.offsets, there.offsets)
        assert here.origin.tobytes() == there.origin.tobytes()
    pd.testing.assert_frame_equal(session.folder.frames(), fresh.frames())
    assert fresh.record["edits_hash"] == session.folder.record["edits_hash"]
    assert applied.report["n_edits"] == session.revision
    assert not up_to_date(fresh)
    automatic = fresh.contours(Structure.LUMEN, automatic=True)
    original = ResultFolder.open(folder_template["mm"]).contours(Structure.LUMEN)
    assert automatic.xy_px.tobytes() == original.xy_px.tobytes()


def test_stale_tables_are_rebuilt(session: RunSession) -> None:
    add(session, {"kind": "reject", "first": 5, "last": 5})
    assert "rejected" not in session.folder.frames()["flags"][4]
    assert up_to_date(session.folder)
    assert session.folder.frames()["flags"][4] == "rejected"
    assert session.folder.record["current_reader"] == "anna"
    assert not up_to_date(session.folder)


def test_edits_are_not_applied_without_the_pixels_they_look_at(session: RunSession) -> None:
    """By shape alone they would lead to other contours; what needs no pixels is applied."""
    import json

    add(session, {"kind": "reject", "first": 5, "last": 5})
    folder = session.folder
    where = json.loads((folder.path / "source.json").read_text())
    (folder.path / "source.json").write_text(json.dumps({**where, "path": "/nowhere/run.dcm"}))
    assert up_to_date(folder)
    add(session, {"kind": "points", "frame": 10, "structure": "lumen", "points_px": [[99.0, 63.5]]})
    tables = (folder.path / "frames.csv").read_bytes()
    with pytest.raises(InputRefused, match=r"edits look at the run's pixels: .*; name the run: boreline review"):
        up_to_date(folder)
    assert (folder.path / "frames.csv").read_bytes() == tables
    apply_log(folder, "anna", source=Path(where["path"]))
    assert (folder.path / "frames.csv").read_bytes() != tables


def test_an_edit_that_is_held_back_says_so(session: RunSession) -> None:
    circle = [[63.5 + 40 * np.cos(a), 63.5 + 40 * np.sin(a)] for a in np.linspace(0, 6.1, 40)]
    add(session, {"kind": "stroke", "frame": 10, "structure": "eem", "points_px": circle, "closed": True})
    answer = add(session, {"kind": "points", "frame": 10, "structure": "lumen", "points_px": [[63.5 + 50, 63.5]]})
    assert answer is not None
    assert answer["note"] == "The border stops at the EEM that you set in this frame: move that one first."
    answer = add(session, {"kind": "points", "frame": 10, "structure": "lumen", "points_px": [[63.5, 63.5 + 34]]})
    assert answer is not None
    assert answer["note"] == ""


def test_a_log_of_another_run_is_refused(session: RunSession, folder: Callable[[str], Path]) -> None:
    add(session, {"kind": "accept", "first": 5, "last": 5})
    other = ResultFolder.open(folder("time"))
    with pytest.raises(InputRefused, match="was made on another run"):
        import_log(other, log_path(session.folder.path, "anna"))
    assert not other.has_edits()


def test_two_readers_are_compared(folder: Callable[[str], Path]) -> None:
    path = folder("mm")
    for reader, reach in (("anna", 34.0), ("bo", 40.0)):
        session = RunSession(ResultFolder.open(path), reader, save_after_s=600)
        add(session, {"kind": "points", "frame": 10, "structure": "lumen", "points_px": [[63.5 + reach, 63.5]]})
        session.close()
    (lumen,) = [row for row in compare_readers(ResultFolder.open(path)) if row["structure"] == "lumen"]
    assert (lumen["first"], lumen["second"], lumen["n_frames"], lumen["n_different"]) == ("anna", "bo", 1, 1)
    assert lumen["mean_difference_mm2"] < 0
    assert 0.5 < lumen["median_jaccard"] < 1
    apply_log(ResultFolder.open(path), "bo")
    assert ResultFolder.open(path).record["current_reader"] == "bo"


def test_an_old_revision_changes_nothing(session: RunSession) -> None:
    add(session, {"kind": "accept", "first": 5, "last": 5})
    with pytest.raises(Outdated):
        session.add(EDIT.validate_python({"kind": "reopen", "first": 5, "last": 5}), revision=0)  # type: ignore[arg-type]
    assert session.revision == 1


def test_kill_9_in_the_middle_of_edits_loses_no_acknowledged_edit(folder: Callable[[str], Path]) -> None:
    """1,000 edits are on their way; the server is killed without warning after a random number of answers."""
    path = folder("mm")
    command = [sys.executable, "-m", "boreline_cli.main", "review", str(path), "--no-browser", "--reader", "anna"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        address, token = re.fullmatch(r"(http://127\.0\.0\.1:\d+)/#(\S+)", server.stdout.readline().strip()).groups()  # type: ignore[union-attr]
        acknowledged: list[dict[str, Any]] = []
        stop_after = random.Random().randint(40, 120)
        with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {token}"}, timeout=20) as client:
            for edit in some_edits(1000, seed=21):
                answer = client.post("/api/edits", json={"revision": len(acknowledged), "edit": edit})
                if answer.status_code == 200:
                    acknowledged.append(edit)
                else:
                    assert answer.status_code == 422
                if len(acknowledged) == stop_after:
                    break
            server.send_signal(signal.SIGKILL)
    finally:
        server.kill()
        server.wait(10)
        server.stdout.close()  # type: ignore[union-attr]
    entries = read_log(log_path(path, "anna"))
    kept = [EDIT.dump_python(entry.edit, mode="json") for entry in entries]
    assert len(kept) >= len(acknowledged) == stop_after
    for edit, wanted in zip(kept, acknowledged, strict=False):
        assert all(edit[key] == value for key, value in wanted.items() if key != "points_px")
    again = RunSession(ResultFolder.open(path), "anna", save_after_s=600)
    assert again.revision == len(kept)
    assert again.folder.record["edits_hash"] is not None
    again.close()


def arrays(n: int = 200, **changes: Any) -> dict[str, Any]:
    place = np.arange(n) * 0.1
    area = 8.0 - 5.0 * np.exp(-(((place - 10) / 1.5) ** 2))
    values: dict[str, Any] = {
        "place": place,
        "in_mm": True,
        "lumen_area_mm2": area,
        "confidence": np.full(n, 0.9),
        "eem_confidence": np.full(n, 0.95),
        "stent_confidence": np.full(n, np.nan),
        "usable": np.ones(n, dtype=bool),
        "reviewed": np.zeros(n, dtype=bool),
        "sites": {"mla": 100, "distal_reference": 60, "proximal_reference": 140},
    }
    return {**values, **changes}


def test_the_queue_puts_doubt_that_matters_first() -> None:
    confidence = np.full(200, 0.97)
    confidence[[100, 20]] = 0.5  # equally doubtful: at the smallest lumen, and where nothing is decided
    queue = doubt(**arrays(confidence=confidence))
    assert queue.order[0] == 100
    assert queue.chance[100] > 5 * queue.chance[20] > 0
    assert not queue.enough


def test_reading_the_queue_comes_to_an_end() -> None:
    reviewed = np.zeros(200, dtype=bool)
    chances = []
    for _ in range(200):
        queue = doubt(**arrays(reviewed=reviewed, confidence=np.where(reviewed, 0.99, 0.9)))
        chances.append(queue.nothing_changes)
        if queue.enough:
            break
        reviewed[queue.order[0]] = True
    assert queue.nothing_changes >= ENOUGH
    assert chances == sorted(chances)
    assert reviewed.sum() < 60


def test_frames_outside_the_vessel_are_never_asked_for() -> None:
    usable = np.ones(200, dtype=bool)
    usable[150:] = False
    queue = doubt(**arrays(usable=usable, confidence=np.full(200, 0.1)))
    assert queue.order.max() < 150
