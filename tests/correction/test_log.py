"""The log: durable, append-only, torn lines survived, undo and redo as entries, replay with identical results."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from cases import CENTRE, baseline
from hypothesis import given, settings
from hypothesis import strategies as st

from boreline.correction import (
    EDIT,
    LogWriter,
    Redo,
    State,
    Undo,
    apply_edit,
    edited_result,
    history,
    log_path,
    read_log,
    replay,
)
from boreline.correction.compare import changed_frames
from boreline.correction.edits import Accept, Entry, Points, Ruler, Site, Stent
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import CalibrationOrigin, Structure

UID = "1.2.3"


def entry(number: int, edit: object) -> Entry:
    return Entry.model_validate(
        {
            "schema": 1,
            "number": number,
            "at": "2024-03-01T10:00:00Z",
            "reader": "anna",
            "sop_uid": UID,
            "edit": edit if isinstance(edit, dict) else edit.model_dump(),  # type: ignore[attr-defined]
        }
    )


def push(frame: int, angle: float, reach: float) -> Points:
    x, y = CENTRE + reach * np.array([np.cos(angle), np.sin(angle)])
    return Points(frame=frame, structure=Structure.LUMEN, points_px=((float(x), float(y)),))


def test_entries_come_back_as_they_went(tmp_path: Path) -> None:
    path = log_path(tmp_path, "anna")
    writer = LogWriter(path, "anna", UID)
    writer.append(push(3, 0.5, 70), why="the border was at the catheter")
    writer.append(Site(name="mla", frame=7))  # type: ignore[arg-type]
    writer.close()
    entries = read_log(path)
    assert [e.number for e in entries] == [1, 2]
    assert entries[0].why == "the border was at the catheter"
    assert (entries[0].reader, entries[0].sop_uid) == ("anna", UID)
    assert entries[0].edit == push(3, 0.5, 70)
    assert path.read_text().count("\n") == 2


def test_a_torn_last_line_is_survived(tmp_path: Path) -> None:
    path = log_path(tmp_path, "anna")
    writer = LogWriter(path, "anna", UID)
    for angle in (0.1, 0.2, 0.3):
        writer.append(push(3, angle, 70))
    writer.close()
    whole = path.read_bytes()
    last = whole.rfind(b"\n", 0, -1) + 1
    for cut in range(last, len(whole), 7):
        path.write_bytes(whole[:cut])
        assert len(read_log(path)) == 2
        writer = LogWriter(path, "anna", UID)
        writer.append(push(4, 1.0, 65))
        writer.close()
        assert [e.number for e in read_log(path)] == [1, 2, 3]
        assert read_log(path)[-1].edit == push(4, 1.0, 65)


def test_an_entry_that_lacks_only_its_line_end_counts(tmp_path: Path) -> None:
    path = log_path(tmp_path, "anna")
    path.parent.mkdir()
    path.write_text((entry(1, push(1, 0, 60)).line() + entry(2, push(2, 0, 60)).line()).rstrip("\n"))
    assert len(read_log(path)) == 2
    writer = LogWriter(path, "anna", UID)
    writer.append(push(4, 1.0, 65))
    writer.close()
    assert [e.number for e in read_log(path)] == [1, 2, 3]


def test_two_writers_exclude_each_other(tmp_path: Path) -> None:
    writer = LogWriter(log_path(tmp_path, "anna"), "anna", UID)
    with pytest.raises(InputRefused, match="another review of this reader is open"):
        LogWriter(log_path(tmp_path, "anna"), "anna", UID)
    LogWriter(log_path(tmp_path, "bo"), "bo", UID).close()
    writer.close()
    LogWriter(log_path(tmp_path, "anna"), "anna", UID).close()


@pytest.mark.parametrize("name", ["../anna", "", "a/b", ".", "a b", "x" * 65, "-a"])
def test_a_readers_name_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputRefused, match="is no reader's name"):
        log_path(tmp_path, name)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('{"schema": 2, "number": 1}', "was written with schema 2"),
        ("[1]", "was written with schema None"),
        (entry(2, push(1, 0, 60)).line(), "entry 2 stands where 1 belongs"),
        (entry(1, push(1, 0, 60)).line().replace('"points"', '"pionts"'), "is no edit"),
    ],
)
def test_a_damaged_log_is_refused_in_one_line(tmp_path: Path, line: str, words: str) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text(line.strip() + "\n")
    with pytest.raises(InputRefused, match=words):
        read_log(path)


ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("push"), st.integers(1, 30), st.floats(0, 6), st.floats(40, 90)),
        st.tuples(st.just("accept"), st.integers(1, 30)),
        st.tuples(st.just("undo")),
        st.tuples(st.just("redo")),
    ),
    max_size=14,
)


@settings(max_examples=30, deadline=None)
@given(actions=ACTIONS)
def test_undo_and_redo_lead_where_the_edits_in_force_lead(actions: list[tuple]) -> None:  # type: ignore[type-arg]
    """Against a plain list of edits as the model: undo pops, redo pushes back, a new edit forgets what was undone."""
    base = baseline()
    entries: list[Entry] = []
    model: list[Entry] = []
    undone: list[Entry] = []
    for action in actions:
        number = len(entries) + 1
        match action:
            case ("push", frame, angle, reach):
                made = entry(number, push(frame, angle, reach))
                model.append(made)
                undone.clear()
            case ("accept", frame):
                made = entry(number, Accept(first=frame, last=frame))
                model.append(made)
                undone.clear()
            case ("undo",):
                if not model:
                    continue
                made = entry(number, Undo(target=model[-1].number))
                undone.append(model.pop())
            case _:
                if not undone:
                    continue
                made = entry(number, Redo(target=undone[-1].number))
                model.append(undone.pop())
        entries.append(made)
    assert list(history(entries).active) == model
    expected = State()
    for one in model:
        try:
            expected, _ = apply_edit(base, expected, one.edit)
        except InputRefused:
            continue
    got = edited_result(base, replay(base, entries, sop_uid=UID).state).segmentation
    want = edited_result(base, expected).segmentation
    for structure in Structure:
        assert np.array_equal(got.contours[structure].xy_px, want.contours[structure].xy_px)
        assert np.array_equal(got.contours[structure].offsets, want.contours[structure].offsets)
    assert got.flags == want.flags


def test_replaying_twice_gives_the_very_same_bits() -> None:
    base = baseline()
    random = np.random.default_rng(11)
    entries = [
        entry(i + 1, push(int(random.integers(1, 31)), random.uniform(0, 6), random.uniform(40, 90))) for i in range(40)
    ]
    once = edited_result(base, replay(base, entries).state).segmentation.contours[Structure.LUMEN]
    again = edited_result(base, replay(baseline(), entries).state).segmentation.contours[Structure.LUMEN]
    assert once.xy_px.tobytes() == again.xy_px.tobytes()
    assert changed_frames(once, base.segmentation.contours[Structure.LUMEN])


def test_edits_of_another_run_are_refused() -> None:
    with pytest.raises(InputRefused, match="another run"):
        replay(baseline(), [entry(1, push(1, 0, 60))], sop_uid="9.9")


def test_flags_say_what_was_edited_and_what_followed() -> None:
    base = baseline()
    state, changed = apply_edit(base, State(), push(15, 0.3, 85))
    flags = edited_result(base, state).segmentation.flags
    assert Flag.EDITED in flags[14]
    followers = {f for f in range(base.n_frames) if Flag.INFLUENCED in flags[f]}
    assert followers == set(changed) - {14}
    assert edited_result(base, state).reviewed.tolist() == [f == 14 for f in range(base.n_frames)]


def test_a_ruler_sets_the_scale_and_says_so() -> None:
    base = baseline()
    ruler = Ruler(frame=1, from_px=(100, 100), to_px=(200, 100), length_mm=2.2, use="set")
    state, _ = apply_edit(base, State(), ruler)
    calibration = edited_result(base, state).calibration
    assert calibration.mm_per_px_x == pytest.approx(0.022)
    assert calibration.origin is CalibrationOrigin.OPERATOR
    assert "ruler in frame 1" in calibration.detail
    check, changed = apply_edit(base, State(), ruler.model_copy(update={"use": "check"}))
    assert edited_result(base, check).calibration == base.calibration
    assert not changed


def test_a_stated_stent_ends_where_it_was_stated() -> None:
    base = baseline()
    state, _ = apply_edit(base, State(), Stent(first=5, last=9))
    flags = edited_result(base, state).segmentation.flags
    assert [f + 1 for f in range(base.n_frames) if Flag.STENT in flags[f]] == [5, 6, 7, 8, 9]


@pytest.mark.parametrize(
    "edit",
    [
        {"kind": "points", "frame": 0, "structure": "lumen", "points_px": [[1, 1]]},
        {"kind": "points", "frame": 1, "structure": "lumen", "points_px": []},
        {"kind": "points", "frame": 1, "structure": "lumen", "points_px": [[float("nan"), 1]]},
        {"kind": "points", "frame": 1, "structure": "plaque", "points_px": [[1, 1]]},
        {"kind": "accept", "first": 5, "last": 4},
        {"kind": "site", "name": "<b>", "frame": 1},
        {"kind": "ruler", "frame": 1, "from_px": [1, 1], "to_px": [1, 2], "length_mm": 1},
        {"kind": "ruler", "frame": 1, "from_px": [1, 1], "to_px": [9, 9], "length_mm": 0},
        {"kind": "points", "frame": 1, "structure": "lumen", "points_px": [[1, 1]], "extra": 1},
        {"kind": "rm"},
        {},
    ],
)
def test_malformed_edits_are_refused(edit: dict[str, object]) -> None:
    from pydantic import ValidationError

    with pytest.raises(ValidationError):
        EDIT.validate_python(edit)
