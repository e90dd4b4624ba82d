"""Write a scene as a folder: `run.dcm` and `truth/`."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np

from boreline.errors import InputRefused
from boreline.model import GreyImage, JsonValue
from boreline_phantoms.dicom import Screen, Study, header_of, write_dicom
from boreline_phantoms.encodings import MONOCHROME, find_encoding
from boreline_phantoms.records import Scene
from boreline_phantoms.truth import write_description, write_truth

TEXT_ROWS = 28
STRIP_ROWS = 96


def write_scene(
    scene: Scene,
    out_dir: str | Path,
    *,
    encoding: str = "jpeg",
    photometric: str = MONOCHROME,
    text: bool = False,
    strip: bool = False,
    study: Study | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write `run.dcm` and `truth/` into `out_dir`, and `fluoro.dcm` and `cine.dcm` where the run was filmed.

    The folder must not exist or be empty.

    Parameters
    ----------
    encoding, photometric
        How the pixels are stored; see `boreline_phantoms.encodings.ENCODINGS`.
    text, strip
        Burn a line of text above, a longitudinal cut below the cross-section, both outside its region.
    progress
        Called with (frames written, frames in all).

    Returns
    -------
    Path
        Of `run.dcm`.

    Raises
    ------
    InputRefused
        The folder holds files, or the encoding is unknown.
    """
    find_encoding(encoding, photometric)
    out = Path(out_dir)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputRefused("already holds files", file=out, remedy="give another folder with --out")
    fresh = not out.exists()
    out.mkdir(parents=True, exist_ok=True)
    try:
        _write(scene, out, encoding, photometric, _screen_of(scene, text=text, strip=strip), study, progress)
    except BaseException:
        shutil.rmtree(out, ignore_errors=True)  # it was empty or absent before
        if not fresh:
            out.mkdir()
        raise
    return out / "run.dcm"


def _write(
    scene: Scene,
    out: Path,
    encoding: str,
    photometric: str,
    screen: Screen,
    study: Study | None,
    progress: Callable[[int, int], None] | None,
) -> None:
    truth = scene.truth()
    r_waves_ms = truth.r_waves_ms
    write_dicom(
        out / "run.dcm",
        scene,
        _on_screen(scene, screen, progress),
        screen,
        encoding=encoding,
        photometric=photometric,
        study=study,
        r_waves_ms=r_waves_ms,
    )
    write_truth(truth, out / "truth", left_px=screen.left, top_px=screen.top)
    write_description(describe(scene), out / "truth")
    films = scene.content.films(scene)
    if films is not None:
        from boreline_phantoms.xray_writing import write_xray

        like = header_of(scene, screen, encoding=encoding, photometric=photometric, study=study)
        write_xray(films, out, like=like, clock_uid=scene.acquisition.clock_uid)


def describe(scene: Scene) -> dict[str, JsonValue]:
    """The numbers behind a scene."""
    return {
        "name": scene.name,
        "description": scene.description,
        "tags": sorted(scene.tags),
        "frames": scene.n_frames,
        "seed": scene.seed,
        "mhz": scene.mhz,
        "mm_per_px": [float(v) for v in scene.picture.mm_per_px],
        "pullback": scene.acquisition.kind.value,
        "content": dict(scene.content.describe(scene)),
    }


def _screen_of(scene: Scene, *, text: bool, strip: bool) -> Screen:
    top = TEXT_ROWS if text else 0
    below = STRIP_ROWS if strip else 0
    return Screen(scene.picture.columns, top + scene.picture.rows + below, 0, top, below)


def _on_screen(scene: Scene, screen: Screen, progress: Callable[[int, int], None] | None) -> Iterator[GreyImage]:
    strip = np.zeros((screen.strip_rows, screen.columns), dtype=np.uint8)
    for number, section in enumerate(scene.frames()):
        if progress is not None:
            progress(number + 1, scene.n_frames)
        if not (screen.top or screen.strip_rows):
            yield section
            continue
        frame = np.zeros((screen.rows, screen.columns), dtype=np.uint8)
        frame[screen.top : screen.top + section.shape[0]] = section
        if screen.top:
            line = f"SYNTHETIC {scene.name[:40]} {number + 1}/{scene.n_frames}"
            cv2.putText(frame, line, (6, screen.top - 9), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 220, 1, cv2.LINE_AA)
        if screen.strip_rows:
            cut = section[:, section.shape[1] // 2].astype(np.float32)[:, None]
            first = number * screen.columns // scene.n_frames
            last = max(first + 1, (number + 1) * screen.columns // scene.n_frames)
            strip[:, first:last] = cv2.resize(cut, (1, screen.strip_rows), interpolation=cv2.INTER_AREA)
            frame[-screen.strip_rows :] = strip
        yield frame
