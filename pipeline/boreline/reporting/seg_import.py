"""A DICOM Segmentation back as contours, ours or one made elsewhere for the same run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError
from pydicom.pixels import iter_pixels

from boreline.errors import InputRefused
from boreline.geometry import mask_polygon_px
from boreline.model import FloatArray, Structure
from boreline.reporting.dicom_seg import SEGMENTATION_CLASS

_CODES = {
    "91747007": Structure.LUMEN,
    "67170007": Structure.LUMEN,
    "414165007": Structure.EEM,
    "65818007": Structure.STENT,
}
"""Segmented Property Type by SNOMED CT value; both terms for a lumen are in use (PS3.16, context group 3497)."""
_MOST_MASKS = 200_000


@dataclass(frozen=True, slots=True)
class ImportedContours:
    """Outlines by structure and 0-based source frame; `source_uids` are the instances that the file refers to."""

    polygons: Mapping[Structure, Mapping[int, FloatArray]]
    source_uids: frozenset[str]
    ignored: tuple[str, ...]


def read_segmentation(path: Path, *, rows: int, columns: int, n_frames: int) -> ImportedContours:
    """Outline every mask of a binary segmentation; of a mask in several parts the largest.

    Parameters
    ----------
    rows, columns, n_frames
        Of the run; a segmentation on another raster is refused.

    Raises
    ------
    InputRefused
        No binary segmentation, another raster, no source frame numbers, or no segment that is a lumen, EEM or stent.
    """
    header = _header(path)
    if (header.get("Rows"), header.get("Columns")) != (rows, columns):
        raise InputRefused(
            f"has masks of {header.get('Columns')} x {header.get('Rows')} pixels, the run {columns} x {rows}",
            file=path,
            remedy="name the segmentation of this very run",
        )
    structures, ignored = _structures(header, path)
    polygons: dict[Structure, dict[int, FloatArray]] = {structure: {} for structure in structures.values()}
    uids = set()
    for groups, mask in _masks(path, header):
        segment, frame, uid = _place(groups, header, path)
        uids.add(uid)
        structure = structures.get(segment)
        if structure is None:
            continue
        if not 0 <= frame < n_frames:
            raise InputRefused(
                f"refers to frame {frame + 1} of a run of {n_frames}",
                file=path,
                remedy="name the segmentation of this very run",
            )
        if frame in polygons[structure]:
            raise InputRefused(
                f"has two masks of {structure.value} for frame {frame + 1}",
                file=path,
                remedy="export one mask per structure and frame",
            )
        polygon = mask_polygon_px(mask)
        if len(polygon) >= 3:
            polygons[structure][frame] = polygon
    return ImportedContours(polygons, frozenset(uids), ignored)


def _header(path: Path) -> Dataset:
    try:
        header = pydicom.dcmread(path, stop_before_pixels=True)
    except (OSError, InvalidDicomError):
        raise InputRefused("is no readable DICOM file", file=path, remedy="name a DICOM Segmentation object") from None
    if header.get("SOPClassUID") != SEGMENTATION_CLASS:
        raise InputRefused(
            "is no DICOM Segmentation",
            file=path,
            tag="(0008,0016) SOPClassUID",
            remedy="name a DICOM Segmentation object",
        )
    if header.get("SegmentationType") != "BINARY":
        raise InputRefused(
            f"is {header.get('SegmentationType')}, not BINARY",
            file=path,
            tag="(0062,0001) SegmentationType",
            remedy="export binary masks",
        )
    groups = header.get("PerFrameFunctionalGroupsSequence") or []
    if not 0 < len(groups) <= _MOST_MASKS or len(groups) != header.get("NumberOfFrames"):
        raise InputRefused(
            f"describes {len(groups)} masks, but holds {header.get('NumberOfFrames')}",
            file=path,
            tag="(5200,9230) PerFrameFunctionalGroupsSequence",
            remedy="export or transfer it again",
        )
    return header


def _structures(header: Dataset, path: Path) -> tuple[dict[int, Structure], tuple[str, ...]]:
    """Structure by segment number, from its code or, failing that, its label."""
    found: dict[int, Structure] = {}
    ignored = []
    labels = {structure.value: structure for structure in Structure} | {"vessel": Structure.EEM}
    for segment in header.get("SegmentSequence") or []:
        kinds = segment.get("SegmentedPropertyTypeCodeSequence") or [Dataset()]
        label = str(segment.get("SegmentLabel", ""))
        structure = _CODES.get(kinds[0].get("CodeValue", "")) or labels.get(label.strip().lower())
        if structure is None or structure in found.values():
            ignored.append(label)
        else:
            found[int(segment.SegmentNumber)] = structure
    if not found:
        raise InputRefused(
            f"has no segment that is a lumen, EEM or stent (found: {', '.join(ignored) or 'none'})",
            file=path,
            tag="(0062,0002) SegmentSequence",
            remedy="name the segments lumen, eem or stent",
        )
    return found, tuple(ignored)


def _masks(path: Path, header: Dataset) -> Iterator[tuple[Dataset, np.ndarray[Any, np.dtype[np.bool_]]]]:
    groups = header.PerFrameFunctionalGroupsSequence
    count = 0
    try:
        for group, mask in zip(groups, iter_pixels(path, raw=True), strict=True):
            count += 1
            yield group, np.asarray(mask) > 0
    except (ValueError, StopIteration, RuntimeError, NotImplementedError) as cause:
        if isinstance(cause, InputRefused):
            raise
        raise InputRefused(
            f"mask {count + 1} of {len(groups)} cannot be read: {cause}",
            file=path,
            tag="(7FE0,0010) PixelData",
            remedy="export or transfer it again",
        ) from None


def _place(groups: Dataset, header: Dataset, path: Path) -> tuple[int, int, str]:
    """(segment number, 0-based source frame, source instance) of one mask."""
    shared = (header.get("SharedFunctionalGroupsSequence") or [Dataset()])[0]
    try:
        segment = _sequence(groups, shared, "SegmentIdentificationSequence").ReferencedSegmentNumber
        source = _sequence(groups, shared, "DerivationImageSequence").SourceImageSequence[0]
        frame = source.ReferencedFrameNumber
        number = int(frame[0] if isinstance(frame, pydicom.multival.MultiValue) else frame)
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        raise InputRefused(
            "has masks that do not name their source frame",
            file=path,
            tag="(0008,1160) ReferencedFrameNumber",
            remedy="write it with Derivation Image references",
        ) from None
    return int(segment), number - 1, str(source.ReferencedSOPInstanceUID)


def _sequence(groups: Dataset, shared: Dataset, keyword: str) -> Dataset:
    item: Dataset = (groups if keyword in groups else shared)[keyword].value[0]
    return item
