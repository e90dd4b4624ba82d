"""Contours as a DICOM Segmentation, streamed: memory does not grow with the number of frames.

PS3.3 A.51 and C.8.20. A pullback has no usable Frame of Reference, so every frame names its source frame instead
(Derivation Image), which the standard allows. The raster is the contour's: a pixel is inside when its centre is.
`contours.parquet` stays the exact record.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.filebase import DicomIO
from pydicom.filewriter import dcmwrite, write_dataset

from boreline._version import __version__
from boreline.errors import InputRefused
from boreline.geometry import polygon_mask
from boreline.model import ORIGINS, Contours, Origin, Structure
from boreline.reporting.codes import DERIVED_BY_SEGMENTATION, SEGMENTS, SOURCE_FOR_PROCESSING
from boreline.reporting.coding import add_equipment, code_item, file_meta, partial_beside
from boreline.reporting.identity import Identity

SEGMENTATION_CLASS = "1.2.840.10008.5.1.4.1.1.66.4"
_LOSSY_METHODS = {
    "1.2.840.10008.1.2.4.50": "ISO_10918_1",
    "1.2.840.10008.1.2.4.51": "ISO_10918_1",
    "1.2.840.10008.1.2.4.81": "ISO_14495_1",
    "1.2.840.10008.1.2.4.91": "ISO_15444_1",
}
"""Lossy Image Compression Method by transfer syntax, PS3.3 C.7.6.1.1.5.1."""
_LARGEST_VALUE = 2**32 - 2
_FRAME_SENTINEL = b"987654"
_PLACE_SENTINEL = 0x5A5A5A5A


def write_segmentation(
    out: Path,
    contours: Mapping[Structure, Contours],
    record: Mapping[str, Any],
    identity: Identity,
    *,
    compression_ratio: float | None = None,
) -> Path | None:
    """Write the contours of all structures as one SEG object; frames without a contour are left out.

    Parameters
    ----------
    contours
        By structure; one that has no contour at all gets no segment.
    record
        The contents of `run.json`.
    compression_ratio
        Of a source that was compressed with loss, when known: the mark stays with everything derived from it.

    Returns
    -------
    Path or None
        None when there is no contour at all.

    Raises
    ------
    InputRefused
        The masks exceed the 4 GiB that one DICOM element can hold.
    """
    present = {s: c for s, c in contours.items() if c.present.any()}
    if not present:
        return None
    rows, columns = int(record["source"]["rows"]), int(record["source"]["columns"])
    places = [
        (segment, int(frame))
        for segment, those in enumerate(present.values(), start=1)
        for frame in np.flatnonzero(those.present)
    ]
    n_bytes = (len(places) * rows * columns + 7) // 8
    if n_bytes > _LARGEST_VALUE:
        raise InputRefused(
            f"{len(places)} masks of {columns} x {rows} exceed the 4 GiB of one segmentation object",
            tag="--no-seg",
            remedy="leave the segmentation out with --no-seg",
        )
    header = _header(present, record, identity, len(places), compression_ratio)
    structures = list(present.values())
    partial = partial_beside(out)
    with partial.open("wb") as file:
        dcmwrite(file, header, enforce_file_format=True)
        _append_functional_groups(file, places, identity, record["source"]["sop_class_uid"])
        file.write(struct.pack("<HH2sHL", 0x7FE0, 0x0010, b"OB", 0, n_bytes + n_bytes % 2))
        masks = (polygon_mask(structures[s - 1].polygon(f), (rows, columns)) for s, f in places)
        for block in packed_bits(masks):
            file.write(block)
        file.write(b"\0" * (n_bytes % 2))
    partial.replace(out)
    return out


def packed_bits(masks: Iterator[npt.NDArray[np.bool_]]) -> Iterator[bytes]:
    """Masks as one stream of bits, lowest bit first, without a gap between frames (PS3.5 8.1.1)."""
    carried = np.empty(0, dtype=np.bool_)
    for mask in masks:
        bits = np.concatenate([carried, mask.ravel()]) if carried.size else mask.ravel()
        whole = len(bits) // 8 * 8
        yield np.packbits(bits[:whole], bitorder="little").tobytes()
        carried = bits[whole:].copy()
    if carried.size:
        yield np.packbits(carried, bitorder="little").tobytes()


def _header(
    present: Mapping[Structure, Contours],
    record: Mapping[str, Any],
    identity: Identity,
    n_masks: int,
    compression_ratio: float | None,
) -> Dataset:
    """Everything before the per-frame groups and the pixels."""
    source = record["source"]
    ds = Dataset()
    content = [str(record["edits_hash"]), str(record["created_at"]), *(s.value for s in present)]
    ds.SOPClassUID = SEGMENTATION_CLASS
    ds.SOPInstanceUID = identity.uid("SEG", *content)
    ds.file_meta = file_meta(SEGMENTATION_CLASS, ds.SOPInstanceUID)
    identity.apply(ds)
    made = datetime.fromisoformat(record["created_at"])
    ds.SeriesInstanceUID = identity.uid("SEG series")
    ds.SeriesNumber, ds.InstanceNumber = 9001, 1
    ds.Modality = "SEG"
    ds.BodyPartExamined = "HEART"
    ds.SeriesDescription = "Boreline contours"
    add_equipment(ds)
    ds.ContentDate, ds.ContentTime = made.strftime("%Y%m%d"), made.strftime("%H%M%S")
    ds.ContentLabel = "CONTOURS"
    ds.ContentDescription = "Rasterised contours of an intravascular ultrasound run"
    ds.ContentCreatorName = "Boreline^"
    ds.PatientOrientation = ""
    ds.ImageType = ["DERIVED", "PRIMARY"]
    ds.LossyImageCompression = "01" if source["lossy"] else "00"
    method = _LOSSY_METHODS.get(source["transfer_syntax_uid"])
    if source["lossy"] and compression_ratio is not None and method is not None:
        ds.LossyImageCompressionRatio = f"{compression_ratio:.2f}"
        ds.LossyImageCompressionMethod = method
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.Rows, ds.Columns, ds.NumberOfFrames = int(source["rows"]), int(source["columns"]), n_masks
    ds.BitsAllocated = ds.BitsStored = 1
    ds.HighBit = ds.PixelRepresentation = 0
    ds.SegmentationType = "BINARY"
    ds.SegmentsOverlap = "YES" if len(present) > 1 else "NO"
    ds.SegmentSequence = [
        _segment(number, structure, those, record, identity)
        for number, (structure, those) in enumerate(present.items(), start=1)
    ]
    _add_references(ds, source, identity)
    _add_dimensions(ds, identity)
    return ds


def _segment(
    number: int, structure: Structure, contours: Contours, record: Mapping[str, Any], identity: Identity
) -> Dataset:
    category, kind = SEGMENTS[structure]
    item = Dataset()
    item.SegmentNumber = number
    item.SegmentLabel = structure.value
    item.SegmentedPropertyCategoryCodeSequence = [code_item(category)]
    item.SegmentedPropertyTypeCodeSequence = [code_item(kind)]
    automatic = ORIGINS.index(Origin.AUTOMATIC)
    item.SegmentAlgorithmType = "AUTOMATIC" if (contours.origin == automatic).all() else "SEMIAUTOMATIC"
    segmenter = record["segmenter"]
    item.SegmentAlgorithmName = f"{segmenter['name']} {segmenter['version']} (Boreline {__version__})"[:64]
    item.TrackingID = structure.value
    item.TrackingUID = identity.uid("segment", structure.value)
    return item


def _add_references(ds: Dataset, source: Mapping[str, Any], identity: Identity) -> None:
    instance = Dataset()
    instance.ReferencedSOPClassUID = source["sop_class_uid"]
    instance.ReferencedSOPInstanceUID = identity.instance_uid
    series = Dataset()
    series.SeriesInstanceUID = identity.series_uid
    series.ReferencedInstanceSequence = [instance]
    ds.ReferencedSeriesSequence = [series]


def _add_dimensions(ds: Dataset, identity: Identity) -> None:
    uid = identity.uid("dimensions")
    organization = Dataset()
    organization.DimensionOrganizationUID = uid
    ds.DimensionOrganizationSequence = [organization]
    indices = []
    for pointer, group, label in (
        (0x0062000B, 0x0062000A, "Segment"),
        (0x00209057, 0x00209111, "Source frame"),
    ):
        index = Dataset()
        index.DimensionOrganizationUID = uid
        index.DimensionIndexPointer = pointer
        index.FunctionalGroupPointer = group
        index.DimensionDescriptionLabel = label
        indices.append(index)
    ds.DimensionIndexSequence = indices
    ds.SharedFunctionalGroupsSequence = [Dataset()]


def _append_functional_groups(
    file: BinaryIO, places: list[tuple[int, int]], identity: Identity, source_class: str
) -> None:
    """Per-frame Functional Groups, (5200,9230): one encoded item per segment, with each frame's numbers put in."""
    file.write(struct.pack("<HH2sHL", 0x5200, 0x9230, b"SQ", 0, 0xFFFFFFFF))
    templates = {segment: _group_template(segment, identity, source_class) for segment in {s for s, _ in places}}
    for segment, frame in places:
        before, between, after = templates[segment]
        number = frame + 1
        body = b"".join((before, f"{number:<6d}".encode(), between, struct.pack("<L", number), after))
        body = body.replace(struct.pack("<L", _PLACE_SENTINEL), struct.pack("<L", number))
        file.write(struct.pack("<HHL", 0xFFFE, 0xE000, len(body)) + body)
    file.write(struct.pack("<HHL", 0xFFFE, 0xE0DD, 0))


def _group_template(segment: int, identity: Identity, source_class: str) -> tuple[bytes, bytes, bytes]:
    """An encoded item split where the source frame number (text) and the first of its binary copies belong."""
    source = Dataset()
    source.ReferencedSOPClassUID = source_class
    source.ReferencedSOPInstanceUID = identity.instance_uid
    source.ReferencedFrameNumber = int(_FRAME_SENTINEL)
    source.SpatialLocationsPreserved = "YES"
    source.PurposeOfReferenceCodeSequence = [code_item(SOURCE_FOR_PROCESSING)]
    derivation = Dataset()
    derivation.SourceImageSequence = [source]
    derivation.DerivationCodeSequence = [code_item(DERIVED_BY_SEGMENTATION)]
    content = Dataset()
    content.StackID = "1"
    content.InStackPositionNumber = _PLACE_SENTINEL
    content.DimensionIndexValues = [segment, _PLACE_SENTINEL]
    identification = Dataset()
    identification.ReferencedSegmentNumber = segment
    item = Dataset()
    item.DerivationImageSequence = [derivation]
    item.FrameContentSequence = [content]
    item.SegmentIdentificationSequence = [identification]
    buffer = DicomIO(BytesIO())
    buffer.is_little_endian, buffer.is_implicit_VR = True, False
    write_dataset(buffer, item)
    encoded: bytes = buffer.parent.getvalue()
    before, rest = encoded.split(_FRAME_SENTINEL)
    between, after = rest.split(struct.pack("<L", _PLACE_SENTINEL), 1)
    return before, between, after
