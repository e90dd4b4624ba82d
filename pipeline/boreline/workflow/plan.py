"""`boreline plan`: from a result folder's profile to `plan.json`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from boreline.correction.edits import SiteName
from boreline.errors import InputRefused
from boreline.expansion.criteria import Comparison, Compound, load_criteria
from boreline.expansion.mending import targets_before_implantation
from boreline.model import JsonValue
from boreline.profile.record import Profile, profile_from_table
from boreline.profile.uncertainty import Measured, SharedUncertainty
from boreline.results.folder import ResultFolder
from boreline.results.record import json_ready
from boreline.sizing.devices import read_devices
from boreline.sizing.landing_map import EdgeLimit
from boreline.sizing.planning import Plan, make_plan
from boreline.workflow.apply_edits import open_current

PLAN = "plan.json"
NOT_REVIEWED = "automatic contours, not reviewed by an operator"


def plan_folder(
    folder: Path,
    *,
    distal_mm: float | None = None,
    proximal_mm: float | None = None,
    devices: Path | None = None,
    nodule: bool | None = None,
) -> dict[str, JsonValue]:
    """Plan a device for the run in `folder`, write `plan.json` there and return its contents.

    Raises
    ------
    InputRefused
        No result folder, a run without positions, or landing sites or devices that cannot be used.
    """
    results = open_current(folder)
    record = results.record
    profile = read_profile(results)
    plan = make_plan(
        profile,
        SharedUncertainty.from_record(record),
        distal_mm=stated_site_mm(results, SiteName.DISTAL_LANDING) if distal_mm is None else distal_mm,
        proximal_mm=stated_site_mm(results, SiteName.PROXIMAL_LANDING) if proximal_mm is None else proximal_mm,
        devices=None if devices is None else read_devices(devices),
        edge_limits=edge_limits(),
        nodule=nodule or _nodule_marked(record) or None,
    )
    document: dict[str, JsonValue] = json_ready(plan.as_json(profile))
    document["device_list"] = "common sizes (built in)" if devices is None else devices.name
    document["targets"] = targets_before_implantation(load_criteria(), _as_inputs(plan))
    document["notes"] = [*document["notes"], *run_notes(record)]
    results.write_json(PLAN, document)
    return document


def stated_site_mm(results: ResultFolder, name: SiteName) -> float | None:
    """Where an operator put a site on the review page, by its frame; None when nobody did."""
    frame = (results.record.get("operator") or {}).get("sites", {}).get(name.value)
    if frame is None:
        return None
    place = float(results.frames()["position_mm"].iloc[int(frame) - 1])
    return place if np.isfinite(place) else None


def _nodule_marked(record: Mapping[str, JsonValue]) -> bool:
    findings = (record.get("operator") or {}).get("findings", [])
    return any(finding.get("kind") == "calcified_nodule" for finding in findings)


def _as_inputs(plan: Plan) -> dict[str, Measured]:
    """The plan's numbers by the names that criteria use; the planned length stands for the stented one."""
    length = {} if plan.length is None else {"stented_length_mm": plan.length}
    return {**plan.quantities, **length}


def read_profile(results: ResultFolder) -> Profile:
    """The profile of a result folder.

    Raises
    ------
    InputRefused
        The run has no positions: lengths and landing sites need millimetres along the vessel.
    """
    table = results.profile()
    if table is None:
        raise InputRefused(
            "this run has no positions along the vessel, so no length and no landing site",
            file=results.path,
            remedy="state --pullback-speed MM_S at 'boreline analyse', or run 'boreline coregister'",
        )
    return profile_from_table(table, file=str(results.path / "profile.csv"))


def run_notes(record: dict[str, JsonValue]) -> list[str]:
    """What the whole run has to say beside any result: review state, lower bounds."""
    notes = []
    if record.get("current_reader") is None:
        notes.append(NOT_REVIEWED)
    axis = record.get("axis") or {}
    if axis.get("lower_bound"):
        notes.append("lengths are lower bounds: one projection, foreshortening not known")
    return notes


def edge_limits() -> tuple[EdgeLimit, ...]:
    """The criteria that limit the plaque burden at both edges, for the landing-site map."""
    limits = []
    for rule in load_criteria():
        logic = rule.logic
        names = set(logic.names)
        if names != {"proximal_edge_burden_pct", "distal_edge_burden_pct"} or not isinstance(logic, Compound):
            continue
        part = logic.parts[0]
        if isinstance(part, Comparison) and part.condition.right is not None:
            limit = float(part.condition.right.evaluate({}))
            limits.append(EdgeLimit(rule.id, limit, or_equal=part.condition.comparator == "<="))
    return tuple(limits)
