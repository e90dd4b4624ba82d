"""`boreline assess`: from a result folder's profile to `assessment.json`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from boreline.errors import InputRefused
from boreline.expansion.alignment import align_by_fiducials, align_dynamically, compare, same_sites
from boreline.expansion.assessing import assess_stent, stated_inputs
from boreline.expansion.balloon_targets import balloon_table_rule, read_balloon_targets, target_for
from boreline.expansion.case_file import read_case
from boreline.expansion.criteria import load_criteria
from boreline.expansion.inputs import Quantity, check_value
from boreline.expansion.stent import StentReading, detected_stent, stated_stent
from boreline.model import JsonValue, Vessel
from boreline.profile.record import Profile
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty
from boreline.results.record import json_ready
from boreline.workflow.apply_edits import open_current
from boreline.workflow.assess_marks import (
    marked_areas,
    marked_dissection,
    marked_elsewhere,
    marked_references,
    marked_stent,
)
from boreline.workflow.plan import read_profile, run_notes

ASSESSMENT = "assessment.json"


def assess_folder(
    folder: Path,
    *,
    stent_from_mm: float | None = None,
    stent_to_mm: float | None = None,
    balloon_mm: float | None = None,
    before: Path | None = None,
    stated: Mapping[str, float | str | bool] | None = None,
    criteria: Path | None = None,
    balloon_targets: Path | None = None,
) -> dict[str, JsonValue]:
    """Assess the stent of the run in `folder`, write `assessment.json` there and return its contents.

    Parameters
    ----------
    before
        The result folder of the run before implantation, or a `case.toml` that lists the runs of the vessel.
    stated
        Further inputs of the criteria that the operator states, for example a dissection. They stand above what was
        marked on the review page, and the document says so.

    Raises
    ------
    InputRefused
        No result folder, no positions, no stent, or inputs that are nonsense.
    """
    if (stent_from_mm is None) != (stent_to_mm is None):
        raise InputRefused(
            "one end of the stent without the other",
            tag="--stent-from, --stent-to",
            remedy="give both ends, or neither to find them from the struts",
        )
    if balloon_mm is not None:
        check_value("balloon_diameter_mm", balloon_mm)
    results = open_current(folder)
    record = results.record
    profile = read_profile(results)
    marked = marked_stent(results) if stent_from_mm is None else None
    if stent_from_mm is not None and stent_to_mm is not None:
        rows, stent_by = stated_stent(profile, stent_from_mm, stent_to_mm), "command line"
    elif marked is not None:
        rows, stent_by = stated_stent(profile, marked.from_mm, marked.to_mm), marked.by
    else:
        rows, stent_by = detected_stent(profile), "struts found in the run"
    rules = load_criteria(criteria)
    typed = {name: check_value(name, value) for name, value in (stated or {}).items()}
    marks = marked_dissection(results)
    given = {**marked_areas(results, profile), **stated_inputs(with_marks(typed, marks))}
    if balloon_targets is not None:
        rules = (*rules, balloon_table_rule(balloon_targets))
        given |= target_for(balloon_mm, read_balloon_targets(balloon_targets))
    shared = SharedUncertainty.from_record(record)
    vessel = record.get("vessel")
    assessment = assess_stent(
        profile,
        shared,
        rules,
        rows,
        balloon_mm=balloon_mm,
        stated=given,
        vessel=None if vessel is None else Vessel(vessel),
        references=marked_references(results, profile),
    )
    document: dict[str, JsonValue] = json_ready(assessment.as_json(profile))
    document["stent"]["by"] = stent_by
    document["operator_marks"] = {"inputs": _marks_used(marks, given, typed), "findings": marked_elsewhere(results)}
    notes = run_notes(record)
    overridden = [name for name, value in marks.items() if name in typed or given[name].value != value]
    notes += [f"{name}: the command line overrides the mark on the review page ({marks[name]})" for name in overridden]
    if shared.left_out:
        notes.append(f"not in the intervals, because not known: {', '.join(shared.left_out)}")
    if before is not None:
        document["before_after"] = _before_after(before, profile, assessment.stent)
    document["notes"] = notes
    results.write_json(ASSESSMENT, document)
    return document


def with_marks(
    typed: Mapping[str, float | str | bool], marks: Mapping[str, float | str | bool]
) -> dict[str, float | str | bool]:
    """Options first, marks where they say nothing; 'no dissection' from the command line drops what was marked."""
    if "none" in (typed.get("dissection_depth"), typed.get("dissection_side")):
        return dict(typed)
    return {**marks, **typed}


def _marks_used(
    marks: Mapping[str, float | str | bool], given: Mapping[str, Quantity], typed: Mapping[str, float | str | bool]
) -> list[dict[str, JsonValue]]:
    """Each marked input beside the value that the criteria saw."""
    return [
        {
            "input": name,
            "marked": value,
            "used": given[name].value,
            "by": "command line" if name in typed or given[name].value != value else "mark",
        }
        for name, value in marks.items()
    ]


def _before_after(before: Path, after: Profile, stent: StentReading) -> dict[str, JsonValue]:
    """Compare with the earlier run; a case file may carry the places that the operator identified in both.

    References are also read at the same site of the earlier run, where no stent has changed them yet.
    """
    case = read_case(before) if before.suffix == ".toml" else None
    earlier = read_profile(open_current(before if case is None else case.before))
    if case is not None and case.fiducials:
        alignment = align_by_fiducials(earlier, after, case.fiducials)
    else:
        alignment = align_dynamically(earlier, after)
    places = {f"{side.value}_reference": site for side, site in stent.references.items() if site is not None}
    same = same_sites(earlier, after, alignment, {"smallest_stent_area": stent.msa, **places})
    out = compare(earlier, after, alignment)
    out["same_site"] = {**same, "expansion_against_same_site_pct": _expansion_pct(stent.msa_read_mm2, same)}
    return out


def _expansion_pct(msa_mm2: float, same: Mapping[str, Mapping[str, Any] | None]) -> float | None:
    """100 x smallest stent area / mean of both references' lumen areas at the same site of the earlier run."""
    sites = [same.get(f"{side.value}_reference") for side in Side]
    lumens = [None if site is None else site["before"]["lumen_area_mm2"] for site in sites]
    known = [float(lumen) for lumen in lumens if lumen is not None]
    return 100.0 * msa_mm2 / (sum(known) / len(known)) if len(known) == len(Side) else None
