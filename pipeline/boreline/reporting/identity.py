"""Whose study an export says it belongs to: pseudonymous unless told otherwise.

Pseudonyms are keyed hashes (HMAC-SHA256), so the same patient keeps the same pseudonym within one site and nobody
without the key can recompute it. UIDs are derived from the key and the content, so exports repeat. Attributes that
PS3.15 Annex E lists are never copied, except by `kept_identity`, which copies exactly those named here.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom
from pydicom.dataset import Dataset

from boreline.errors import InputRefused
from boreline.reporting.codes import BASIC_PROFILE
from boreline.reporting.coding import code_item

PATIENT_AND_STUDY = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "ReferringPhysicianName",
    "StudyID",
    "AccessionNumber",
)
"""The attributes that an object needs (type 1 or 2) to lie in its source's study."""
_DEIDENTIFIED = ("PatientIdentityRemoved", "DeidentificationMethod", "DeidentificationMethodCodeSequence")


@dataclass(frozen=True, slots=True)
class Identity:
    """What the DICOM objects of one export say about their origin.

    Attributes
    ----------
    attributes
        Patient and study attributes by keyword.
    study_uid, series_uid, instance_uid
        Of the source as the objects refer to it.
    kept
        True when they are the source's own.
    """

    attributes: Mapping[str, Any]
    study_uid: str
    series_uid: str
    instance_uid: str
    kept: bool
    key: bytes

    def uid(self, *content: str) -> str:
        """A UID that follows from the key, the source and `content`."""
        return derived_uid(self.key, self.study_uid, self.instance_uid, *content)

    def apply(self, dataset: Dataset) -> None:
        """Set the patient and study of an object."""
        dataset.SpecificCharacterSet = "ISO_IR 192"
        for keyword, value in self.attributes.items():
            setattr(dataset, keyword, value)
        dataset.StudyInstanceUID = self.study_uid


def pseudonymous_identity(source: Mapping[str, Any], header: Dataset | None, key: bytes) -> Identity:
    """Pseudonyms for the source in `run.json`; `header` (when at hand) ties the runs of one patient together."""
    patient = _text(header, "PatientID") if header is not None else ""
    basis = [_text(header, "IssuerOfPatientID"), patient] if patient else ["study", source["study_uid"]]
    name = "P" + keyed_hash(key, "patient", *basis)[:12]
    attributes: dict[str, Any] = dict.fromkeys(PATIENT_AND_STUDY, "")
    attributes |= {
        "PatientName": f"{name}^",
        "PatientID": name,
        "StudyID": keyed_hash(key, "study", source["study_uid"])[:12],
        "PatientIdentityRemoved": "YES",
        "DeidentificationMethod": "Identifying attributes left out, identifiers hashed with a key",
        "DeidentificationMethodCodeSequence": [code_item(BASIC_PROFILE)],
        "LongitudinalTemporalInformationModified": "REMOVED",
    }
    return Identity(
        attributes,
        derived_uid(key, "study", source["study_uid"]),
        derived_uid(key, "series", source["series_uid"]),
        derived_uid(key, "instance", source["sop_instance_uid"]),
        kept=False,
        key=key,
    )


def kept_identity(source: Mapping[str, Any], header: Dataset, key: bytes) -> Identity:
    """The source's own patient and study."""
    attributes: dict[str, Any] = {keyword: _text(header, keyword) for keyword in PATIENT_AND_STUDY}
    attributes |= {keyword: header[keyword].value for keyword in _DEIDENTIFIED if keyword in header}
    return Identity(
        attributes, source["study_uid"], source["series_uid"], source["sop_instance_uid"], kept=True, key=key
    )


def read_header(path: Path) -> Dataset:
    """Patient, study and de-identification attributes of a run (of the first file of a folder)."""
    file = next(p for p in sorted(path.rglob("*")) if p.is_file()) if path.is_dir() else path
    wanted = [*PATIENT_AND_STUDY, *_DEIDENTIFIED, "IssuerOfPatientID", "SpecificCharacterSet"]
    return pydicom.dcmread(file, stop_before_pixels=True, specific_tags=list(wanted), force=True)


def keyed_hash(key: bytes, *parts: str) -> str:
    """HMAC-SHA256 of the parts, in hexadecimal."""
    return hmac.new(key, "\0".join(parts).encode("utf-8"), hashlib.sha256).hexdigest()


def derived_uid(key: bytes, *parts: str) -> str:
    """A UID of the form 2.25.(UUID as a number), PS3.5 B.2, from a keyed hash."""
    return f"2.25.{uuid.UUID(hex=keyed_hash(key, *parts)[:32], version=5).int}"


def load_key(file: Path | None = None) -> bytes:
    """The site's secret key.

    Parameters
    ----------
    file
        A file with at least 16 bytes. Without it the key lies in the user's configuration folder and is made on first
        use, readable by its owner only.

    Raises
    ------
    InputRefused
        The file cannot be read or written, or is too short.
    """
    path = file
    if path is None:
        base = os.environ.get("XDG_CONFIG_HOME")
        path = (Path(base) if base else Path.home() / ".config") / "boreline" / "pseudonym.key"
        _make_key(path)
    try:
        key = path.read_bytes().strip()
    except OSError as cause:
        raise InputRefused(
            f"the key cannot be read: {cause.strerror}",
            file=path,
            tag="--key",
            remedy="name a readable file of at least 16 bytes",
        ) from None
    if len(key) < 16:
        raise InputRefused("the key is shorter than 16 bytes", file=path, tag="--key", remedy="give a longer one")
    return key


def _make_key(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return
    except OSError as cause:
        raise InputRefused(
            f"the key for pseudonyms cannot be kept: {cause.strerror}", file=path, remedy="name one with --key FILE"
        ) from None
    with os.fdopen(handle, "w", encoding="ascii") as out:
        out.write(secrets.token_hex(32) + "\n")


def _text(header: Dataset | None, keyword: str) -> str:
    value = None if header is None else header.get(keyword)
    return "" if value is None else str(value)
