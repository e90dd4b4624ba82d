"""Small helpers shared by the DICOM writers."""

from __future__ import annotations

from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from boreline._version import __version__
from boreline.reporting.codes import Concept

IMPLEMENTATION_UID = "2.25.205913041886172834620671983310928563217"
"""Implementation Class UID of these writers (a UUID made once for them)."""


def code_item(concept: Concept) -> Dataset:
    """One item of a code sequence."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = concept
    return item


def file_meta(class_uid: str, instance_uid: str) -> FileMetaDataset:
    """File meta information that names this program and nothing of the source."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = class_uid
    meta.MediaStorageSOPInstanceUID = instance_uid
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = IMPLEMENTATION_UID
    meta.ImplementationVersionName = f"BORELINE_{__version__}"[:16]
    return meta


def add_equipment(dataset: Dataset) -> None:
    """General and enhanced equipment: the program, not the source's machine."""
    dataset.Manufacturer = "Boreline"
    dataset.ManufacturerModelName = "Boreline"
    dataset.DeviceSerialNumber = "none"
    dataset.SoftwareVersions = __version__


def partial_beside(out: Path) -> Path:
    """Where a file is written before it takes its name."""
    return out.with_name(f".{out.name}.partial")
