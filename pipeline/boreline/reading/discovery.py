"""What a folder holds: pullbacks, X-ray runs, which of them belong together, and why the rest was passed over.

Files are told by their content, never by name, and only headers are read.
"""

from __future__ import annotations

import os
import warnings
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydicom import dcmread

from boreline.errors import InputRefused
from boreline.model import Timing
from boreline.reading.calibration import read_cross_section
from boreline.reading.header import Header, media_class, read_header
from boreline.reading.pairing import Pair, pair_runs
from boreline.reading.pullback import read_pullback
from boreline.reading.runs import FoundPullback, FoundXray, moment
from boreline.reading.series import open_series
from boreline.reading.stack import Stack, open_file, refuse_other_classes
from boreline.reading.syntaxes import MEDIA_DIRECTORY, MULTI_FRAME_CLASSES, SINGLE_FRAME_CLASSES, XRAY_CLASSES
from boreline.reading.xray import read_xray

_READABLE = MULTI_FRAME_CLASSES | SINGLE_FRAME_CLASSES | XRAY_CLASSES


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that is no run, and why."""

    path: Path
    reason: str


@dataclass(frozen=True, slots=True)
class Found:
    """What a folder holds, in the order of its paths.

    Attributes
    ----------
    pullbacks, xrays
        Runs; those that would be refused as they are carry the reason in `defect`.
    pairs
        For each sound pullback with X-ray runs of its study, those that most likely belong to it.
    notes
        One line each, about the folder as a whole.
    """

    folder: Path
    pullbacks: tuple[FoundPullback, ...]
    xrays: tuple[FoundXray, ...]
    pairs: tuple[Pair, ...]
    skipped: tuple[Skipped, ...]
    notes: tuple[str, ...] = ()


def discover(folder: str | os.PathLike[str]) -> Found:
    """Look through a folder and everything below it, or through the folder of a DICOMDIR.

    Raises
    ------
    InputRefused
        It is neither a folder nor a DICOM directory.
    """
    root = Path(folder)
    if root.is_file():
        if media_class(root) != MEDIA_DIRECTORY:
            raise InputRefused(
                "is neither a folder nor a DICOM directory", file=root, remedy="give the folder of the export"
            )
        root = root.parent
    if not root.is_dir():
        raise InputRefused("is no folder", file=root, remedy="give an existing folder")
    pullbacks: list[FoundPullback] = []
    xrays: list[FoundXray] = []
    skipped: list[Skipped] = []
    notes: list[str] = []
    singles: dict[tuple[Path, str], list[Path]] = defaultdict(list)
    for path in _files(root, skipped):
        try:
            uid = media_class(path)
            if uid == MEDIA_DIRECTORY:
                notes += _missing_from(path, skipped)
                continue
            if uid and uid not in _READABLE:
                raise _not_ours(path)
            header = read_header(path)
            if header.sop_class_uid in XRAY_CLASSES:
                xrays.append(_xray(path, header))
                continue
            refuse_other_classes(header)
            if (
                header.sop_class_uid in SINGLE_FRAME_CLASSES
                and (header.attributes.text("NumberOfFrames") or "1") == "1"
            ):
                series = header.attributes.uid("SeriesInstanceUID")
                singles[path.parent, series].append(path)
                continue
            pullbacks.append(_pullback(path, header))
        except InputRefused as reason:
            skipped.append(Skipped(path, _why(reason)))
    for (parent, series), paths in sorted(singles.items()):
        _add_series(parent, series, paths, alone=sum(p == parent for p, _ in singles) == 1, into=(pullbacks, skipped))
    found = sorted(pullbacks, key=lambda run: run.path)
    films = sorted(xrays, key=lambda run: run.path)
    return Found(root, tuple(found), tuple(films), pair_runs(found, films), tuple(skipped), tuple(notes))


def _why(refusal: InputRefused) -> str:
    """The tag at fault, where there is one, and the problem; the file is known."""
    return f"{refusal.tag}: {refusal.problem}" if refusal.tag else refusal.problem


def _files(root: Path, skipped: list[Skipped]) -> Iterator[Path]:
    def unreadable(fault: OSError) -> None:
        skipped.append(Skipped(Path(fault.filename), f"cannot be read ({fault.strerror})"))

    for parent, folders, names in os.walk(root, onerror=unreadable):
        folders.sort()
        skipped += [
            Skipped(Path(parent, name), "is a link to a folder and was not followed")
            for name in folders
            if Path(parent, name).is_symlink()
        ]
        for name in sorted(names):
            yield Path(parent, name)


def _not_ours(path: Path) -> InputRefused:
    """The refusal that names what the object is."""
    try:
        refuse_other_classes(read_header(path))
    except InputRefused as reason:
        return reason
    return InputRefused("is no ultrasound or X-ray run", file=path, remedy="choose an IVUS, fluoroscopy or cine file")


def _pullback(path: Path, header: Header) -> FoundPullback:
    try:
        return _described(path, open_file(path, False))
    except InputRefused as defect:
        return _defective(path, header, _why(defect))


def _described(path: Path, stack: Stack) -> FoundPullback:
    attributes, layout = stack.attributes, stack.pixels.layout
    defect = None
    try:
        read_cross_section(attributes, rows=layout.rows, columns=layout.columns, mm_per_px=None, trust_region=False)
    except InputRefused as refusal:
        defect = _why(refusal)
    timing, _ = stack.read_timing(None)
    pullback, _ = read_pullback(attributes, stack.pixels.n_frames)
    return FoundPullback(
        path=path,
        study_uid=attributes.uid("StudyInstanceUID"),
        series_uid=attributes.uid("SeriesInstanceUID"),
        sop_instance_uid=attributes.uid("SOPInstanceUID"),
        n_frames=stack.pixels.n_frames,
        started_at=moment(timing.acquired_at),
        duration_s=_duration_s(timing),
        kind=pullback.kind,
        defect=defect,
    )


def _defective(path: Path, header: Header, defect: str) -> FoundPullback:
    attributes = header.attributes
    return FoundPullback(
        path=path,
        study_uid=attributes.uid("StudyInstanceUID"),
        series_uid=attributes.uid("SeriesInstanceUID"),
        sop_instance_uid=attributes.uid("SOPInstanceUID"),
        n_frames=None,
        started_at=None,
        duration_s=None,
        kind=read_pullback(attributes, 1)[0].kind,
        defect=defect,
    )


def _add_series(
    parent: Path,
    series: str,
    paths: list[Path],
    *,
    alone: bool,
    into: tuple[list[FoundPullback], list[Skipped]],
) -> None:
    """A series of single frames is one pullback; a lone picture is none."""
    pullbacks, skipped = into
    if len(paths) == 1:
        skipped.append(Skipped(paths[0], "a single picture, not a pullback"))
        return
    if not alone:
        reason = f"one of {len(paths)} single frames of a series that shares its folder: move it to a folder of its own"
        skipped.extend(Skipped(path, reason) for path in paths)
        return
    try:
        pullbacks.append(_described(parent, open_series(parent, False)))
    except InputRefused as defect:
        pullbacks.append(FoundPullback(parent, "", series, "", len(paths), None, None, None, _why(defect)))


def _xray(path: Path, header: Header) -> FoundXray:
    try:
        run = read_xray(path)
    except InputRefused as defect:
        study = header.attributes.uid("StudyInstanceUID")
        return FoundXray(path, study, None, None, None, None, None, defect=_why(defect))
    return FoundXray(
        path=path,
        study_uid=run.study_uid,
        radiation=run.radiation,
        n_frames=run.n_frames,
        started_at=moment(run.timing.acquired_at),
        duration_s=_duration_s(run.timing),
        view_deg=(float(run.primary_deg[0]), float(run.secondary_deg[0])),
    )


def _duration_s(timing: Timing) -> float | None:
    return None if timing.times_s is None else float(timing.times_s[-1])


def _missing_from(directory: Path, skipped: list[Skipped]) -> list[str]:
    """Notes about files that a DICOMDIR lists and that are not there (PS3.3 F.3)."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            records = dcmread(directory, specific_tags=["DirectoryRecordSequence"]).get("DirectoryRecordSequence") or ()
            listed = [record.get("ReferencedFileID") for record in records]
    except Exception as fault:  # the library has no one error for malformed directories
        skipped.append(Skipped(directory, f"a damaged DICOM directory ({type(fault).__name__})"))
        return []
    parts = [[name] if isinstance(name, str) else list(map(str, name)) for name in listed if name]
    missing = [names for names in parts if ".." in names or not directory.parent.joinpath(*names).is_file()]
    if not missing:
        return []
    return [
        f"{directory}: {len(missing)} of {len(parts)} listed files are missing, the first is {'/'.join(missing[0])}"
    ]
