"""What an operator saw beyond contours, in words for the page and in codes for the structured report.

Dissections have a classification in the standard (context group 3492), and calcium a morphology (3491). A calcified
nodule, attenuated plaque and tissue protrusion have no code of their own in these groups: they carry ours, beside the
nearest standard one where there is any.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from boreline.reporting import codes
from boreline.reporting.codes import Concept


@dataclass(frozen=True, slots=True)
class OperatorFinding:
    """One finding; frames are 0-based and include the last.

    Attributes
    ----------
    words
        For people.
    site
        Where it lies, of context group 3487; None when nothing is said.
    coded
        (concept, value) pairs.
    position_mm
        Of its first and last frame; NaN without positions.
    """

    words: str
    first: int
    last: int
    site: Concept | None
    coded: tuple[tuple[Concept, Concept], ...]
    position_mm: tuple[float, float]


_DEPTHS = {
    "intima": codes.INTIMAL_DISSECTION,
    "media": codes.MEDIAL_DISSECTION,
    "adventitia": codes.ADVENTITIAL_DISSECTION,
}
_SIDES = {
    "distal": codes.DISTAL_STENT_MARGIN,
    "proximal": codes.PROXIMAL_STENT_MARGIN,
    "within": codes.STENTED_REGION,
}
_OTHER = {
    "calcified_nodule": (codes.VASCULAR_CALCIFICATION, codes.CALCIFIED_NODULE),
    "attenuated_plaque": (codes.ATTENUATED_PLAQUE,),
    "tissue_protrusion": (codes.TISSUE_PROTRUSION,),
}


def operator_findings(record: Mapping[str, Any], frames: pd.DataFrame) -> tuple[OperatorFinding, ...]:
    """The findings in `run.json`, in the order in which they were made."""
    stored = (record.get("operator") or {}).get("findings") or []
    return tuple(_finding(one, frames) for one in stored)


def _finding(stored: Mapping[str, Any], frames: pd.DataFrame) -> OperatorFinding:
    first, last = int(stored["first"]) - 1, int(stored["last"]) - 1
    place = frames["position_mm"].to_numpy(dtype=float)[[first, last]]
    position = (float(place[0]), float(place[1]))
    kind = stored["kind"]
    if kind == "dissection":
        depth, side = stored["depth"], stored["side"]
        where = "within the stent" if side == "within" else f"at the {side} edge of the stent"
        coded = [(codes.DISSECTION, _DEPTHS[depth])]
        if side == "within":
            coded.append((codes.DISSECTION, codes.INTRA_STENT_DISSECTION))
        return OperatorFinding(
            f"dissection reaching the {depth}, {where}", first, last, _SIDES[side], tuple(coded), position
        )
    coded = [(codes.FINDING, code) for code in _OTHER[kind]]
    return OperatorFinding(kind.replace("_", " "), first, last, None, tuple(coded), position)


def extent(finding: OperatorFinding) -> str:
    """Frames (counted from 1) and, where known, millimetres, for people."""
    frames = (
        f"frame {finding.first + 1}"
        if finding.first == finding.last
        else (f"frames {finding.first + 1} to {finding.last + 1}")
    )
    low, high = sorted(finding.position_mm) if all(map(math.isfinite, finding.position_mm)) else (math.nan, math.nan)
    if not math.isfinite(low):
        return frames
    return f"{frames}, {low:.1f} to {high:.1f} mm" if high > low else f"{frames}, {low:.1f} mm"
