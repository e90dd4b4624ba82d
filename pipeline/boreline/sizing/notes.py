"""What an operator should know beside the numbers of a plan: information with its reason, never an instruction."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from boreline.profile.calcium import SOURCE, CalciumSummary
from boreline.profile.lesions import Lesion
from boreline.profile.record import Profile
from boreline.profile.sites import Side
from boreline.profile.uncertainty import SharedUncertainty
from boreline.sizing.devices import OVERLAP_MM, Device, LengthChoice
from boreline.sizing.landing import Landing
from boreline.sizing.methods import MethodResult, References

TAPER_MM = 1.0


def plan_notes(
    profile: Profile,
    shared: SharedUncertainty,
    lesion: Lesion | None,
    landings: Mapping[Side, Landing],
    references: References,
    methods: Sequence[MethodResult],
    choice: LengthChoice | None,
    calcium: CalciumSummary,
    devices: Sequence[Device],
) -> tuple[str, ...]:
    """One line each, the most consequential first."""
    return (
        *_landing_notes(landings),
        *_length_notes(choice),
        *_taper_notes(references, devices),
        *_calcium_notes(calcium),
        *_exclusion_notes(profile, lesion),
        *_uncertainty_notes(shared, methods),
    )


def _landing_notes(landings: Mapping[Side, Landing]) -> list[str]:
    notes = []
    for side in Side:
        landing = landings.get(side)
        if landing is None:
            notes.append(f"no {side.value} landing: the run shows no suitable place; one-sided methods only")
            continue
        notes += [f"{side.value} landing: {remark}" for remark in landing.remarks]
        if landing.reference is None:
            notes.append(f"{side.value} reference: none within 5 mm outside the landing")
    return notes


def _length_notes(choice: LengthChoice | None) -> list[str]:
    if choice is None:
        return ["no length: it needs both landings"]
    if not choice.lengths_mm:
        return ["longer than two of the longest devices of the list"]
    if len(choice.lengths_mm) == 2:
        low, high = OVERLAP_MM
        text = (
            f"longer than the longest device: two devices with {choice.overlap_mm:g} mm overlap "
            f"(usual: {low:g} to {high:g} mm, from memory; the maker's instructions rule), distal one first"
        )
        return [text]
    return [f"the next device length reaches {choice.over_mm:.1f} mm beyond the proximal landing"]


def _taper_notes(references: References, devices: Sequence[Device]) -> list[str]:
    step_mm = references.proximal_lumen.value - references.distal_lumen.value
    notes = []
    if math.isfinite(step_mm) and abs(step_mm) > TAPER_MM:
        notes.append(
            f"the reference lumens differ by {abs(step_mm):.2f} mm: one diameter cannot serve both. Usual practice "
            "sizes distally and post-dilates the proximal part with a balloon shorter than it (from memory)"
        )
    eem_mm = references.proximal_eem.value
    limits = [device.post_dilatation_limit_mm for device in devices if device.post_dilatation_limit_mm is not None]
    if math.isfinite(eem_mm):
        ceiling = (
            f"the proximal reference's mean EEM diameter is {eem_mm:.2f} mm: published upper limit for a balloon there"
        )
        notes.append(ceiling + " (Ali 2016, as cited); a larger balloon risks rupture or dissection")
    if limits and math.isfinite(eem_mm) and eem_mm > min(limits):
        notes.append("some devices of the list may not be post-dilated that far: see their limits")
    return notes


def _calcium_notes(calcium: CalciumSummary) -> list[str]:
    if calcium.score is None:
        return ["calcium was not assessed"]
    low, high = calcium.score
    points = str(low) if low == high else f"{low} to {high}"
    if calcium.severe:
        text = (
            f"severe calcium (score {points} of 4; {SOURCE}): underexpansion is more likely, and modifying the plaque "
            "before implantation is usually considered"
        )
        return [text]
    return [f"calcium score {points} of 4 ({SOURCE})"] if high else []


def _exclusion_notes(profile: Profile, lesion: Lesion | None) -> list[str]:
    notes = []
    if lesion is not None:
        rows = slice(lesion.first_row, lesion.last_row + 1)
        hidden = int((profile.measured[rows] & ~profile.eem_measured[rows]).sum())
        if hidden:
            notes.append(
                f"EEM not measurable over {hidden * profile.step_mm:.1f} mm of the lesion: left out, not filled"
            )
    branch_mm = float(profile.branch.sum()) * profile.step_mm
    if branch_mm:
        notes.append(f"side branches over {branch_mm:.1f} mm of the run: no reference is taken there")
    return notes


def _uncertainty_notes(shared: SharedUncertainty, methods: Sequence[MethodResult]) -> list[str]:
    notes = []
    if shared.left_out:
        notes.append(f"not in the intervals, because not known: {', '.join(shared.left_out)}")
    if all(result.measured.draws is None for result in methods):
        notes.append("the profile states no uncertainty of its areas: values carry no interval")
    return notes
