"""The DICOM structured report: TID 3250 "IVUS Report" and below, PS3.16, as a Comprehensive SR.

Rows of TID 3250 and 3251 are followed one by one. Inside the findings, measurements stand in groups that name their
site (context groups 3486 and 3487) and carry numbers as TID 300 does: value, unit, derivation, and the source frame
or the contour that each number was measured on. What an operator saw stands in lesions, each with its identifier, its
codes (context groups 3491 and 3492), the frames and both ends. The templates are extensible, so the comments are legal.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import highdicom as hd
import numpy as np
from highdicom.sr import (
    CodeContentItem,
    CodedConcept,
    ContainerContentItem,
    ContentSequence,
    GraphicTypeValues,
    ImageContentItem,
    NumContentItem,
    PnameContentItem,
    RelationshipTypeValues,
    ScoordContentItem,
    TextContentItem,
    UIDRefContentItem,
)
from pydicom.dataset import Dataset

from boreline._version import __version__
from boreline.model import CAUTION, Contours, Phase, Structure, Vessel
from boreline.reporting import codes
from boreline.reporting.codes import Concept
from boreline.reporting.coding import file_meta, partial_beside
from boreline.reporting.findings import OperatorFinding
from boreline.reporting.identity import Identity, keyed_hash
from boreline.reporting.measurements import DEFINITIONS, Group, Measurement

COMPREHENSIVE_SR_CLASS = "1.2.840.10008.5.1.4.1.1.88.33"
_MOST_VERTICES = 256
_CONTAINS, _HAS_OBS = RelationshipTypeValues.CONTAINS, RelationshipTypeValues.HAS_OBS_CONTEXT
_HAS_MOD, _HAS_ACQ = RelationshipTypeValues.HAS_CONCEPT_MOD, RelationshipTypeValues.HAS_ACQ_CONTEXT
_INFERRED, _SELECTED = RelationshipTypeValues.INFERRED_FROM, RelationshipTypeValues.SELECTED_FROM


def write_structured_report(
    out: Path,
    groups: Sequence[Group],
    contours: Mapping[Structure, Contours],
    record: Mapping[str, Any],
    identity: Identity,
    *,
    review: str,
    findings: Sequence[OperatorFinding] = (),
) -> Path:
    """Write the report.

    Parameters
    ----------
    groups
        What to report; see `boreline.reporting.measurements`.
    contours
        Drawn beside the areas that were measured on them.
    review
        How far an operator has looked at the run, in words.
    findings
        What the current reader saw beyond contours.
    """
    made = datetime.fromisoformat(record["created_at"])
    root = _root(record, identity, _vessel(groups, findings, contours, record, identity, review))
    content = hashlib.sha256(root.to_json().encode()).hexdigest()  # other findings (after a plan): another instance
    document = hd.sr.ComprehensiveSR(
        evidence=[_evidence(record["source"], identity)],
        content=root,
        series_instance_uid=identity.uid("SR series"),
        series_number=9002,
        sop_instance_uid=identity.uid("SR", str(record["edits_hash"]), str(record["created_at"]), content),
        instance_number=1,
        manufacturer="Boreline",
        is_complete=False,
        is_final=False,
        is_verified=False,
        series_description="Boreline measurements",
        manufacturer_model_name="Boreline",
        software_versions=__version__,
        device_serial_number="none",
    )
    identity.apply(document)
    document.ContentDate = document.SeriesDate = made.strftime("%Y%m%d")
    document.ContentTime = document.SeriesTime = made.strftime("%H%M%S")
    document.InstanceCreationDate, document.InstanceCreationTime = document.ContentDate, document.ContentTime
    for device in document.ContributingEquipmentSequence:  # the library puts the time of writing
        device.ContributionDateTime = document.ContentDate + document.ContentTime
    _remove_library_names(document)
    document.file_meta = file_meta(COMPREHENSIVE_SR_CLASS, document.SOPInstanceUID)
    partial = partial_beside(out)
    document.save_as(partial, enforce_file_format=True)
    partial.replace(out)
    return out


def _evidence(source: Mapping[str, Any], identity: Identity) -> Dataset:
    """The source as the report may know it: identity as exported, and its UIDs."""
    evidence = Dataset()
    identity.apply(evidence)
    evidence.SOPClassUID = source["sop_class_uid"]
    evidence.SOPInstanceUID = identity.instance_uid
    evidence.SeriesInstanceUID = identity.series_uid
    evidence.Rows, evidence.Columns = int(source["rows"]), int(source["columns"])
    evidence.NumberOfFrames = int(source["n_frames"])
    evidence.Modality = source["modality"]
    return evidence


def _coded(concept: Concept) -> CodedConcept:
    return CodedConcept(value=concept.value, scheme_designator=concept.scheme, meaning=concept.meaning)


def _root(record: Mapping[str, Any], identity: Identity, vessel: ContainerContentItem) -> ContainerContentItem:
    """TID 3250: language, observer, image library, findings."""
    source = record["source"]
    root = ContainerContentItem(name=_coded(codes.IVUS_REPORT), template_id="3250")
    library = ContainerContentItem(name=_coded(codes.IMAGE_LIBRARY), relationship_type=_CONTAINS)
    library.ContentSequence = ContentSequence([_image(source, identity, (), _CONTAINS)])
    root.ContentSequence = ContentSequence(
        [
            CodeContentItem(_coded(codes.LANGUAGE), _coded(codes.ENGLISH), relationship_type=_HAS_MOD),
            CodeContentItem(_coded(codes.OBSERVER_TYPE), _coded(codes.DEVICE), relationship_type=_HAS_OBS),
            UIDRefContentItem(_coded(codes.DEVICE_UID), identity.uid("device"), relationship_type=_HAS_OBS),
            TextContentItem(_coded(codes.DEVICE_NAME), f"Boreline {__version__}", relationship_type=_HAS_OBS),
            library,
            vessel,
        ]
    )
    return root


def _vessel(
    groups: Sequence[Group],
    findings: Sequence[OperatorFinding],
    contours: Mapping[Structure, Contours],
    record: Mapping[str, Any],
    identity: Identity,
    review: str,
) -> ContainerContentItem:
    """TID 3251: the vessel, the phase of the procedure, and what was measured."""
    vessel = Vessel(record["vessel"]) if record["vessel"] else Vessel.OTHER
    items: list[Any] = [
        CodeContentItem(_coded(codes.FINDING_SITE), _coded(codes.VESSELS[vessel]), relationship_type=_HAS_MOD)
    ]
    phase = codes.PHASES.get(Phase(record["phase"])) if record["phase"] else None
    if phase is not None:
        items.append(CodeContentItem(_coded(codes.PHASE), _coded(phase), relationship_type=_HAS_ACQ))
    items += [_group(group, contours, record["source"], identity) for group in groups]
    items += [_lesion(number, finding, record, identity) for number, finding in enumerate(findings, start=1)]
    items += [
        TextContentItem(_coded(codes.COMMENT), text, relationship_type=_CONTAINS)
        for text in (review, CAUTION, DEFINITIONS, _calibration_text(record), _position_text(record))
    ]
    container = ContainerContentItem(name=_coded(codes.FINDINGS), relationship_type=_CONTAINS, template_id="3251")
    container.ContentSequence = ContentSequence(items)
    return container


def _lesion(
    number: int, finding: OperatorFinding, record: Mapping[str, Any], identity: Identity
) -> ContainerContentItem:
    """One finding of an operator: who (under a pseudonym unless identity is kept), what, where."""
    reader = str(record.get("current_reader") or "")
    name = reader if identity.kept else f"R{keyed_hash(identity.key, 'reader', reader)[:8]}"
    items: list[Any] = [
        CodeContentItem(_coded(codes.OBSERVER_TYPE), _coded(codes.PERSON), relationship_type=_HAS_OBS),
        PnameContentItem(_coded(codes.PERSON_NAME), f"{name.replace('^', ' ')}^", relationship_type=_HAS_OBS),
        TextContentItem(_coded(codes.LESION_ID), str(number), relationship_type=_HAS_OBS),
    ]
    if finding.site is not None:
        items.append(CodeContentItem(_coded(codes.FINDING_SITE), _coded(finding.site), relationship_type=_HAS_MOD))
    for concept, value in finding.coded:
        item = CodeContentItem(_coded(concept), _coded(value), relationship_type=_CONTAINS)
        frames = range(finding.first, finding.last + 1)
        item.ContentSequence = ContentSequence([_image(record["source"], identity, frames, _INFERRED)])
        items.append(item)
    items += [_position(mm) for mm in dict.fromkeys(finding.position_mm) if np.isfinite(mm)]
    container = ContainerContentItem(name=_coded(codes.LESION), relationship_type=_CONTAINS)
    container.ContentSequence = ContentSequence(items)
    return container


def _position(position_mm: float) -> NumContentItem:
    """A place along the vessel as the standard counts it: positive distally of the landmark."""
    item = _plain_number(Measurement(codes.RELATIVE_POSITION, 0.0 - position_mm, codes.MM, 4))
    item.ContentSequence = ContentSequence(
        [CodeContentItem(_coded(codes.FIDUCIAL), _coded(codes.DISTAL_END), relationship_type=_HAS_MOD)]
    )
    return item


def _group(
    group: Group, contours: Mapping[Structure, Contours], source: Mapping[str, Any], identity: Identity
) -> ContainerContentItem:
    items: list[Any] = [
        TextContentItem(_coded(codes.TRACKING_ID), group.label, relationship_type=_HAS_OBS),
        CodeContentItem(_coded(codes.FINDING_SITE), _coded(group.site), relationship_type=_HAS_MOD),
    ]
    items += [_number(m, group, contours, source, identity) for m in group.measurements]
    if np.isfinite(group.position_mm):
        items.append(_position(group.position_mm))
    container = ContainerContentItem(name=_coded(codes.MEASUREMENT_GROUP), relationship_type=_CONTAINS)
    container.ContentSequence = ContentSequence(items)
    return container


def _plain_number(measurement: Measurement) -> NumContentItem:
    """TID 300 without its children; the value has the decimals of the tables."""
    return NumContentItem(
        _coded(measurement.concept),
        float(f"{measurement.value:.{measurement.decimals}f}"),
        _coded(measurement.unit),
        relationship_type=_CONTAINS,
    )


def _number(
    measurement: Measurement,
    group: Group,
    contours: Mapping[Structure, Contours],
    source: Mapping[str, Any],
    identity: Identity,
) -> NumContentItem:
    item = _plain_number(measurement)
    children: list[Any] = []
    if measurement.derivation is not None:
        children.append(
            CodeContentItem(_coded(codes.DERIVATION), _coded(measurement.derivation), relationship_type=_HAS_MOD)
        )
    if group.frame is not None:
        polygon = np.empty((0, 2))
        if measurement.outline is not None:
            polygon = contours[measurement.outline].polygon(group.frame)
        if len(polygon) >= 3:
            children.append(_outline(polygon, group.frame, source, identity))
        else:
            children.append(_image(source, identity, (group.frame,), _INFERRED))
    if children:
        item.ContentSequence = ContentSequence(children)
    return item


def _image(
    source: Mapping[str, Any], identity: Identity, frames: Sequence[int], relationship: RelationshipTypeValues
) -> ImageContentItem:
    """The source, or some of its frames (0-based)."""
    return ImageContentItem(
        _coded(codes.SOURCE_OF_MEASUREMENT),
        source["sop_class_uid"],
        identity.instance_uid,
        referenced_frame_numbers=[frame + 1 for frame in frames] or None,
        relationship_type=relationship,
    )


def _outline(
    polygon: np.ndarray[Any, Any], frame: int, source: Mapping[str, Any], identity: Identity
) -> ScoordContentItem:
    """A contour as a closed polyline. Its origin is the outer corner of the first pixel: half a pixel more."""
    step = -(-len(polygon) // _MOST_VERTICES)
    corners = polygon[::step] + 0.5
    item = ScoordContentItem(
        _coded(codes.SOURCE_OF_MEASUREMENT),
        GraphicTypeValues.POLYLINE,
        np.vstack([corners, corners[:1]]),
        relationship_type=_INFERRED,
    )
    item.ContentSequence = ContentSequence([_image(source, identity, (frame,), _SELECTED)])
    return item


def _remove_library_names(document: Dataset) -> None:
    """TID 3250 row 7: the images of the library carry no purpose; highdicom builds none without, so it goes here."""
    for item in document.ContentSequence:
        if item.ConceptNameCodeSequence[0].CodeValue == codes.IMAGE_LIBRARY.value:
            for image in item.ContentSequence:
                del image.ConceptNameCodeSequence


def _calibration_text(record: Mapping[str, Any]) -> str:
    c = record["calibration"]
    known = "uncertainty not known" if c["relative_sd"] is None else f"relative uncertainty {c['relative_sd']:.3f}"
    return f"Length scale: {c['mm_per_px_x']:.6f} x {c['mm_per_px_y']:.6f} mm per pixel from {c['origin']}, {known}."


def _position_text(record: Mapping[str, Any]) -> str:
    return f"Positions along the vessel: {record['axis']['source']}, {record['axis']['detail']}."
