"""Sizing and expansion for the run as it stands on the page, before its tables are rebuilt."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from boreline.correction import SiteName
from boreline.errors import InputRefused
from boreline.expansion.assessing import assess_stent
from boreline.expansion.criteria import load_criteria
from boreline.expansion.stent import detected_stent
from boreline.model import CAUTION, JsonValue, Vessel
from boreline.profile.record import Profile
from boreline.profile.uncertainty import SharedUncertainty
from boreline.results import json_ready
from boreline.sizing.planning import make_plan
from boreline.workflow.plan import edge_limits
from boreline.workflow.review_figures import profile_of

DRAWS = 1_000
"""Fewer than in the reports, so that an answer comes while the operator waits."""
NO_POSITIONS = "this run has no positions along the vessel"


def decision(
    frames: pd.DataFrame, record: Mapping[str, Any], chosen: Mapping[SiteName, int], *, nodule: bool | None
) -> dict[str, JsonValue]:
    """A plan and an assessment in short; where one is not possible, the reason in its place."""
    profile = profile_of(frames)
    if profile is None:
        return {"plan": {"reason": NO_POSITIONS}, "assessment": {"reason": NO_POSITIONS}, "caution": CAUTION}
    shared = SharedUncertainty.from_record(dict(record))

    def stated_mm(name: SiteName) -> float | None:
        return float(frames["position_mm"].iloc[chosen[name]]) if name in chosen else None

    vessel = record.get("vessel")

    def plan() -> dict[str, JsonValue]:
        made = make_plan(
            profile,
            shared,
            distal_mm=stated_mm(SiteName.DISTAL_LANDING),
            proximal_mm=stated_mm(SiteName.PROXIMAL_LANDING),
            edge_limits=edge_limits(),
            nodule=nodule,
            n_draws=DRAWS,
        )
        return _short_plan(made.as_json(profile))

    def assessment() -> dict[str, JsonValue]:
        rows = detected_stent(profile)
        made = assess_stent(
            profile, shared, load_criteria(), rows, vessel=None if vessel is None else Vessel(vessel), n_draws=DRAWS
        )
        return _short_assessment(made.as_json(profile), profile)

    value = {"plan": _or_reason(plan), "assessment": _or_reason(assessment), "caution": CAUTION}
    ready = json_ready(value)
    assert isinstance(ready, dict)
    return ready


def _or_reason(make: Callable[[], dict[str, JsonValue]]) -> dict[str, JsonValue]:
    try:
        return make()
    except InputRefused as refusal:
        return {"reason": refusal.problem}


def _short_plan(document: Mapping[str, Any]) -> dict[str, JsonValue]:
    names = ("title", "for", "measured_mm", "diameter_mm", "remark")
    return {
        "length_mm": document["length_mm"],
        "length_sd_mm": document["length_sd_mm"],
        "methods": [{name: method[name] for name in names} for method in document["methods"]],
        "notes": document["notes"],
    }


def _short_assessment(document: Mapping[str, Any], profile: Profile) -> dict[str, JsonValue]:
    names = ("id", "verdict", "value", "threshold", "margin", "probability")
    return {
        "msa_read_mm2": document["msa_read_mm2"],
        "msa_corrected_mm2": document["msa_corrected_mm2"],
        "rules": [{name: rule.get(name) for name in names} for rule in document["rules"]],
        "step_mm": profile.step_mm,
    }
