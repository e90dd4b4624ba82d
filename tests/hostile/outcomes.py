"""How a damaged file may end: as a run with pictures, as flagged frames, or as a refusal in one line."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from dicom_builders import (
    EXPLICIT,
    JPEG,
    JPEG_2000_LOSSLESS,
    JPEG_LOSSLESS,
    JPEG_LS,
    RLE,
    XA_IMAGE,
    header,
    speckle,
    write,
)
from mutations import MUTATIONS, bend_structure

from boreline.errors import InputRefused
from boreline.reading import read_run, read_xray

N_FRAMES = 6
SECONDS_ALLOWED = 30.0


@dataclass(frozen=True)
class Base:
    """A sound file to be damaged."""

    name: str
    data: bytes
    frames: np.ndarray
    xray: bool = False


def bases(folder: Path) -> list[Base]:
    """One sound file per encoding, and an X-ray run."""
    grey = speckle(N_FRAMES)
    colour = np.repeat(grey[..., None], 3, axis=-1)
    plan = [
        ("native", grey, EXPLICIT, "MONOCHROME2", {}),
        ("native 12 bit", speckle(N_FRAMES, dtype=np.uint16) >> 4, EXPLICIT, "MONOCHROME2", {"BitsStored": 12}),
        ("rle", grey, RLE, "MONOCHROME2", {}),
        ("jpeg", grey, JPEG, "MONOCHROME2", {}),
        ("jpeg colour", colour, JPEG, "YBR_FULL_422", {}),
        ("jpeg lossless", grey, JPEG_LOSSLESS, "MONOCHROME2", {}),
        ("jpeg-ls", grey, JPEG_LS, "MONOCHROME2", {}),
        ("jpeg 2000", grey, JPEG_2000_LOSSLESS, "MONOCHROME2", {}),
        ("x-ray", grey, JPEG_LOSSLESS, "MONOCHROME2", {"SOPClassUID": XA_IMAGE, "ImagerPixelSpacing": [0.3, 0.3]}),
    ]
    found = []
    for name, pixels, syntax, photometric, changes in plan:
        path = write(folder / "base.dcm", pixels, syntax, photometric, **changes)
        xray = name == "x-ray"
        frames = np.array(
            [f.intensity for f in read_xray(path).frames()] if xray else [f.grey for f in read_run(path).frames()]
        )
        found.append(Base(name, path.read_bytes(), frames, xray))
    assert header(grey) is not None
    return found


def damage(base: Base, seed: int) -> tuple[str, bytes]:
    """The name of the mutation and the damaged bytes; the same for the same seed."""
    rng = random.Random(seed)
    name = rng.choice(sorted(MUTATIONS))
    return name, MUTATIONS[name](base.data, rng)


def outcome(path: Path, base: Base, mutation: str) -> str:
    """`refused`, `run` or `flagged`.

    Raises
    ------
    AssertionError
        The refusal is more than a line, a frame is neither decoded nor explained, or frames moved although only
        the structure around them was damaged.
    Exception
        Anything else the reader let through.
    """
    try:
        if base.xray:
            pictures = [(f.number, f.intensity, f.fault) for f in read_xray(path, whole_frames_only=True).frames()]
        else:
            run = read_run(path, whole_frames_only=True)
            assert 0 < run.calibration.mm_per_px_x < 100
            pictures = [(f.number, f.grey, f.fault) for f in run.frames()]
    except InputRefused as refusal:
        return _refused(str(refusal))
    assert all(picture is not None or fault for _, picture, fault in pictures)
    if mutation == bend_structure.__name__:
        for number, picture, _ in pictures:
            if picture is not None and len(pictures) == N_FRAMES:
                np.testing.assert_array_equal(picture, base.frames[number])
    return "flagged" if any(picture is None for _, picture, _ in pictures) else "run"


def _refused(line: str) -> str:
    assert len(line.splitlines()) == 1, line
    assert len(line) < 1000, line
    return "refused"
