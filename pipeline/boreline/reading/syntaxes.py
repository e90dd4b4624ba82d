"""The transfer syntaxes and object classes that reading knows, by the names of PS3.6 annex A."""

from __future__ import annotations

import re

from pydicom.config import IGNORE
from pydicom.uid import UID

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
RLE = "1.2.840.10008.1.2.5"
JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
JPEG_EXTENDED = "1.2.840.10008.1.2.4.51"
JPEG_LOSSLESS_14 = "1.2.840.10008.1.2.4.57"
JPEG_LOSSLESS = "1.2.840.10008.1.2.4.70"
JPEG_LS = "1.2.840.10008.1.2.4.80"
JPEG_LS_NEAR = "1.2.840.10008.1.2.4.81"
JPEG_2000_LOSSLESS = "1.2.840.10008.1.2.4.90"
JPEG_2000 = "1.2.840.10008.1.2.4.91"

_LOSSY = frozenset({JPEG_BASELINE, JPEG_EXTENDED, JPEG_LS_NEAR, JPEG_2000})

NATIVE = frozenset({IMPLICIT_LITTLE, EXPLICIT_LITTLE, DEFLATED, EXPLICIT_BIG})

ULTRASOUND_MULTI_FRAME = "1.2.840.10008.5.1.4.1.1.3.1"
ULTRASOUND_MULTI_FRAME_RETIRED = "1.2.840.10008.5.1.4.1.1.3"
ULTRASOUND_IMAGE = "1.2.840.10008.5.1.4.1.1.6.1"
ULTRASOUND_IMAGE_RETIRED = "1.2.840.10008.5.1.4.1.1.6"
SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
SECONDARY_CAPTURE_MULTI_FRAME = frozenset(f"{SECONDARY_CAPTURE}.{kind}" for kind in (1, 2, 3, 4))
XRAY_ANGIOGRAPHY = "1.2.840.10008.5.1.4.1.1.12.1"
XRAY_FLUOROSCOPY = "1.2.840.10008.5.1.4.1.1.12.2"
MEDIA_DIRECTORY = "1.2.840.10008.1.3.10"

MULTI_FRAME_CLASSES = (
    frozenset({ULTRASOUND_MULTI_FRAME, ULTRASOUND_MULTI_FRAME_RETIRED}) | SECONDARY_CAPTURE_MULTI_FRAME
)
SINGLE_FRAME_CLASSES = frozenset({ULTRASOUND_IMAGE, ULTRASOUND_IMAGE_RETIRED, SECONDARY_CAPTURE})
XRAY_CLASSES = frozenset({XRAY_ANGIOGRAPHY, XRAY_FLUOROSCOPY})

_VIDEO = re.compile(r"1\.2\.840\.10008\.1\.2\.4\.10[0-8](\.1)?")


def uid_name(uid: str) -> str:
    """Its name in PS3.6, or the number itself when it is unknown; short enough for one line."""
    shown = uid[:64]
    name = UID(shown, validation_mode=IGNORE).name
    return shown if name == shown else f"{name} ({shown})"


def was_lossy(transfer_syntax_uid: str, stated: str | None) -> bool:
    """The pixels lost something: by this syntax, or earlier, as Lossy Image Compression (0028,2110) says."""
    return stated == "01" or transfer_syntax_uid in _LOSSY


def is_video(transfer_syntax_uid: str) -> bool:
    """MPEG-2, H.264 and H.265: 1.2.840.10008.1.2.4.100 to .108, whole or fragmentable."""
    return _VIDEO.fullmatch(transfer_syntax_uid) is not None
