"""The closed vocabularies: enumerations of the exact words that files and commands use.

Free of heavy imports, so that the command line can offer the words without loading numpy.
"""

from __future__ import annotations

from enum import StrEnum


class Structure(StrEnum):
    """What a contour bounds."""

    LUMEN = "lumen"
    EEM = "eem"
    STENT = "stent"


class Origin(StrEnum):
    """Who placed a vertex."""

    AUTOMATIC = "automatic"
    OPERATOR = "operator"
    IMPORTED = "imported"


class SectorKind(StrEnum):
    """What an angle range shows."""

    SHADOW = "shadow"
    CALCIUM = "calcium"
    GUIDEWIRE = "guidewire"
    BRANCH = "branch"
    STRUT = "strut"
    ATTENUATED = "attenuated"


class Vessel(StrEnum):
    """The artery, when stated."""

    LAD = "lad"
    LCX = "lcx"
    RCA = "rca"
    LEFT_MAIN = "left_main"
    MARGINAL = "marginal"
    DIAGONAL = "diagonal"
    OTHER = "other"


class Phase(StrEnum):
    """When in the procedure the run was recorded, when stated."""

    BEFORE = "before"
    PREPARED = "prepared"
    IMPLANTED = "implanted"
    POST_DILATED = "post_dilated"
    FOLLOW_UP = "follow_up"


class CalibrationOrigin(StrEnum):
    """Where the millimetres come from."""

    REGION = "region"
    PIXEL_SPACING = "pixel_spacing"
    OPERATOR = "operator"
    PHANTOM_EQUATION = "phantom_equation"


class PullbackKind(StrEnum):
    """How the transducer was withdrawn, in the words of IVUS Acquisition (0018,3100)."""

    MOTOR = "MOTOR_PULLBACK"
    MANUAL = "MANUAL_PULLBACK"
    SELECTIVE = "SELECTIVE"
    GATED = "GATED_PULLBACK"
    UNKNOWN = "UNKNOWN"


class AxisSource(StrEnum):
    """Where a frame's place along the vessel comes from."""

    MOTOR = "motor"
    GATED = "gated"
    OPERATOR_SPEED = "operator_speed"
    FLUOROSCOPY = "fluoroscopy"
    NONE = "none"
