"""Every criterion applied to one implanted stent: one assessment, with the uncertainty carried through."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from boreline.expansion.criteria import Rule
from boreline.expansion.evaluate import RuleResult, evaluate_rules
from boreline.expansion.inputs import Quantity, check_together, imply
from boreline.expansion.mending import what_would_mend
from boreline.expansion.stent import StentReading, read_stent
from boreline.model import CAUTION, JsonValue, Vessel
from boreline.profile.indices import (
    area_of_diameter_mm2,
    eccentricity,
    smallest_symmetry_ratio,
    symmetry_ratio,
    whole_stent_ratio,
)
from boreline.profile.record import Profile
from boreline.profile.sites import Side
from boreline.profile.uncertainty import N_DRAWS, Measured, SharedUncertainty

BALLOON_FRACTIONS = {"balloon-70": 0.70, "balloon-80": 0.80}


@dataclass(frozen=True, slots=True)
class Assessment:
    """What expansion concludes: rules on the areas as read, and the same rules on the corrected ones."""

    stent: StentReading
    rules: tuple[RuleResult, ...]
    corrected: tuple[RuleResult, ...]
    mending: tuple[Mapping[str, Any], ...]
    balloon_mm: float | None
    before_after: Mapping[str, JsonValue] | None = None

    def as_json(self, profile: Profile) -> dict[str, JsonValue]:
        """The contents of `assessment.json`."""
        stent = self.stent
        msa = stent.corrected["msa_mm2"]
        return {
            "caution": CAUTION,
            "stent": stent.as_json(profile),
            "msa_read_mm2": stent.msa_read_mm2,
            "msa_corrected_mm2": msa.value if msa.draws is not None else None,
            "msa": msa.as_json(),
            "rules_use": "areas as read (msa_read_mm2): published cut-offs come from uncorrected readers",
            "rules": [_rule(read, corrected) for read, corrected in zip(self.rules, self.corrected, strict=True)],
            "references": {
                side.value: None if site is None else site.as_json() for side, site in stent.references.items()
            },
            "edges": _edges(stent),
            "references_by": {
                side.value: "operator" if side in stent.chosen else "proposal" for side in stent.references
            },
            "tissue_protrusion": None if stent.protrusion is None else stent.protrusion.as_json(),
            "shape": _shape(profile, stent),
            "quantities": {name: item.as_json() for name, item in stent.read.items()},
            "targets": _balloon_targets(self.balloon_mm, stent.msa_read_mm2),
            "what_would_mend": list(self.mending),
            "before_after": self.before_after,
        }


def assess_stent(
    profile: Profile,
    shared: SharedUncertainty,
    rules: Sequence[Rule],
    rows: tuple[int, int],
    *,
    balloon_mm: float | None = None,
    stated: Mapping[str, Quantity] | None = None,
    vessel: Vessel | None = None,
    references: Mapping[Side, int] | None = None,
    n_draws: int = N_DRAWS,
) -> Assessment:
    """Apply `rules` to the stent between two rows.

    Parameters
    ----------
    rows
        First and last row of the stent.
    stated
        Inputs that the operator states (a dissection, the left main's areas ...); they overrule measured ones.
    vessel
        Decides `left_main` when the operator did not.
    references
        Rows that the operator chose as references; proposed for a side that is absent.

    Raises
    ------
    InputRefused
        A stated input is nonsense.
    """
    reading = read_stent(profile, shared, *rows, chosen=references, n_draws=n_draws)
    given: dict[str, Quantity] = dict(stated or {})
    if vessel is not None and "left_main" not in given:
        given["left_main"] = Quantity(vessel is Vessel.LEFT_MAIN)
    if balloon_mm is not None:
        given["balloon_diameter_mm"] = Quantity(balloon_mm)
    as_read = {**_quantities(reading.read), **given}
    results = evaluate_rules(rules, as_read)
    corrected = evaluate_rules(rules, {**_quantities(reading.corrected), **given})
    eem_mm = reading.msa.eem_mean_diameter_mm
    mending = what_would_mend(results, as_read, eem_diameter_mm=eem_mm)
    return Assessment(reading, results, corrected, tuple(mending), balloon_mm)


def stated_inputs(values: Mapping[str, float | str | bool]) -> dict[str, Quantity]:
    """Checked inputs from the command line or a form."""
    check_together(values)
    return {name: Quantity(value) for name, value in imply(values).items()}


def _quantities(measured: Mapping[str, Measured]) -> dict[str, Quantity]:
    return {name: Quantity(item.value, item.draws) for name, item in measured.items()}


def _rule(read: RuleResult, corrected: RuleResult) -> dict[str, JsonValue]:
    record = read.as_json()
    other = corrected.outcome
    record["corrected"] = {
        "verdict": other.verdict.value,
        "value": other.value,
        "threshold": other.threshold,
        "margin": other.margin,
        "probability": other.probability,
    }
    record["verdicts_differ"] = other.verdict is not read.outcome.verdict
    return record


def _edges(stent: StentReading) -> dict[str, JsonValue]:
    out: dict[str, JsonValue] = {}
    for side in Side:
        burden = stent.read.get(f"{side.value}_edge_burden_pct")
        site = stent.references[side]
        out[side.value] = {
            "max_plaque_burden_pct": None if burden is None else burden.as_json(),
            "within_mm": 5.0,
            "reference": None if site is None else site.as_json(),
        }
    return out


def _shape(profile: Profile, stent: StentReading) -> dict[str, JsonValue]:
    """Five indices that papers mix up, each named by its formula (lumen diameters inside the stent)."""
    rows = slice(stent.first_row, stent.last_row + 1)
    shortest, longest = profile.lumen_min_diameter_mm[rows], profile.lumen_max_diameter_mm[rows]
    at = stent.msa
    values = {
        "Dmin/Dmax in the frame of the minimum": float(
            symmetry_ratio(at.lumen_min_diameter_mm, at.lumen_max_diameter_mm)
        ),
        "(Dmax-Dmin)/Dmax in the frame of the minimum": float(
            eccentricity(at.lumen_min_diameter_mm, at.lumen_max_diameter_mm)
        ),
        "smallest Dmin/Dmax of any frame": smallest_symmetry_ratio(shortest, longest),
        "smallest Dmin over largest Dmax of the whole stent": whole_stent_ratio(shortest, longest),
        "Dmax/Dmin at the distal edge": float(1.0 / symmetry_ratio(shortest[0], longest[0])),
        "Dmax/Dmin at the proximal edge": float(1.0 / symmetry_ratio(shortest[-1], longest[-1])),
    }
    return {name: value if math.isfinite(value) else None for name, value in values.items()}


def _balloon_targets(balloon_mm: float | None, msa_mm2: float) -> list[dict[str, JsonValue]]:
    """Both targets in local use for one balloon, side by side."""
    if balloon_mm is None:
        return []
    nominal = float(area_of_diameter_mm2(balloon_mm))
    return [
        {
            "id": rule_id,
            "balloon_diameter_mm": balloon_mm,
            "nominal_area_mm2": nominal,
            "fraction": fraction,
            "target_mm2": fraction * nominal,
            "achieved_fraction": msa_mm2 / nominal,
            "source": "common practice: 70 % and 80 % of the nominal area are in use side by side",
        }
        for rule_id, fraction in BALLOON_FRACTIONS.items()
    ]
