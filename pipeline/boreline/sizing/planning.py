"""Landing sites, references, length and every sizing method: one plan, with the uncertainty carried through."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from boreline.errors import InputRefused
from boreline.model import CAUTION, FloatArray, IntArray, JsonValue, Structure
from boreline.profile.calcium import CalciumSummary, summarise_calcium
from boreline.profile.indices import area_stenosis_pct, remodelling_class, remodelling_index
from boreline.profile.lesions import Lesion, LesionKind, find_stenoses, lesion_to_cover
from boreline.profile.minimum import largest_draws
from boreline.profile.record import Profile
from boreline.profile.single_frame import ALONG_PROFILE
from boreline.profile.sites import Side, Site
from boreline.profile.uncertainty import (
    N_DRAWS,
    Measured,
    SharedUncertainty,
    VesselDraws,
    Window,
    length_draws_mm,
)
from boreline.sizing.devices import Device, LengthChoice, choose_lengths, common_sizes
from boreline.sizing.landing import Landing, chosen_landing, propose_landing, reference_rows
from boreline.sizing.landing_map import EdgeLimit, LandingMap, landing_map
from boreline.sizing.methods import MethodResult, References, apply_methods
from boreline.sizing.notes import plan_notes

CONTEXT_MM = 12.0
"""Vessel on either side of the landings that takes part in the smoothing."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What sizing concludes; a side without a landing is absent.

    `quantities` holds, by name, every measured number behind the plan (areas in mm2, diameters in mm, burdens in %).
    """

    lesion: Lesion | None
    landings: Mapping[Side, Landing]
    length: Measured | None
    choice: LengthChoice | None
    references: References
    quantities: Mapping[str, Measured]
    methods: tuple[MethodResult, ...]
    calcium: CalciumSummary | None
    map: LandingMap | None
    notes: tuple[str, ...]

    def as_json(self, profile: Profile) -> dict[str, JsonValue]:
        """The contents of `plan.json`."""
        length = None if self.length is None else self.length.as_json()
        return {
            "caution": CAUTION,
            "landing_sites": {side.value: landing.as_json() for side, landing in self.landings.items()},
            "references": {
                side.value: _reference_json(landing.reference, self.quantities, side)
                for side, landing in self.landings.items()
            },
            "length_mm": None if length is None else length["value"],
            "length_sd_mm": None if length is None else length["sd"],
            "length": length,
            "lesion": None if self.lesion is None else _lesion_json(self.lesion, profile, self.quantities),
            "methods": [method.as_json() for method in self.methods],
            "devices": _device_options(self.methods),
            "device_length": None
            if self.choice is None
            else {
                "lengths_mm": list(self.choice.lengths_mm),
                "over_mm": self.choice.over_mm if math.isfinite(self.choice.over_mm) else None,
                "overlap_mm": self.choice.overlap_mm,
                "order": "distal device first",
            },
            "calcium": None if self.calcium is None else self.calcium.as_json(),
            "landing_map": None if self.map is None else self.map.as_json(),
            "notes": list(self.notes),
        }


def make_plan(
    profile: Profile,
    shared: SharedUncertainty,
    *,
    distal_mm: float | None = None,
    proximal_mm: float | None = None,
    devices: Sequence[Device] | None = None,
    edge_limits: Sequence[EdgeLimit] = (),
    nodule: bool | None = None,
    n_draws: int = N_DRAWS,
) -> Plan:
    """Plan a device for one vessel.

    Parameters
    ----------
    distal_mm, proximal_mm
        The operator's landing sites; proposed where not given.
    devices
        The user's list; a neutral list of common sizes when None.
    edge_limits
        Rules about plaque burden at the edges, for the landing-site map.
    nodule
        The operator saw a calcified nodule (None: nobody said).

    Raises
    ------
    InputRefused
        Landings the wrong way round, outside the run or inside a stenosis; no lesion and no landing stated.
    """
    devices = common_sizes() if devices is None else devices
    lesion = lesion_to_cover(profile)
    landings = _landings(profile, lesion, distal_mm, proximal_mm)
    _check_order(profile, landings)
    first, last = _span(lesion, landings)
    context = round(CONTEXT_MM / profile.step_mm)
    draws = VesselDraws(profile, shared, first - context, last + context, structures=(Structure.LUMEN, Structure.EEM))
    covered = lesion if lesion is not None and first <= lesion.first_row and lesion.last_row <= last else None
    quantities = _quantities(profile, shared, landings, covered, (first, last), draws, n_draws)
    references = _references(quantities, landings)
    length = quantities.get("length_mm")
    choice = None if length is None else choose_lengths(length.value, [device.length_mm for device in devices])
    methods = apply_methods(references, devices, math.nan if length is None else length.value)
    calcium = summarise_calcium(profile, first, last, nodule=nodule)
    picture = None
    if lesion is not None:
        map_draws = VesselDraws(
            profile,
            shared,
            lesion.first_row - 2 * context,
            lesion.last_row + 2 * context,
            structures=(Structure.LUMEN, Structure.EEM),
        )
        picture = landing_map(profile, lesion, map_draws, devices, edge_limits, n_draws=min(n_draws, MAP_DRAWS))
    notes = plan_notes(profile, shared, lesion, landings, references, methods, choice, calcium, devices)
    return Plan(lesion, landings, length, choice, references, quantities, methods, calcium, picture, notes)


MAP_DRAWS = 2_000
"""Draws for the map: a probability is then good to about 0.01."""


def _landings(
    profile: Profile, lesion: Lesion | None, distal_mm: float | None, proximal_mm: float | None
) -> dict[Side, Landing]:
    stated = {Side.DISTAL: distal_mm, Side.PROXIMAL: proximal_mm}
    if lesion is None and None in stated.values():
        raise InputRefused(
            "no lesion was found (no lumen narrowed by half, no plaque burden above 40 %)",
            remedy="state both landing sites with --distal MM --proximal MM",
        )
    if distal_mm is not None and proximal_mm is not None and distal_mm >= proximal_mm:
        raise InputRefused(
            f"the distal landing ({distal_mm:g} mm) must lie below the proximal one ({proximal_mm:g} mm)",
            tag="--distal, --proximal",
            remedy="positions grow proximally",
        )
    out = {}
    for side, position_mm in stated.items():
        if position_mm is not None:
            landing: Landing | None = chosen_landing(profile, side, position_mm)
        else:
            landing = propose_landing(profile, lesion, side) if lesion is not None else None
        if landing is not None:
            out[side] = landing
    return out


def _check_order(profile: Profile, landings: Mapping[Side, Landing]) -> None:
    if len(landings) == 2 and landings[Side.DISTAL].site.row >= landings[Side.PROXIMAL].site.row:
        raise InputRefused(
            "the distal landing does not lie distal of the proximal one",
            tag="--distal, --proximal",
            remedy="positions grow proximally: --distal must be the smaller number",
        )
    chosen = [(side, landing) for side, landing in landings.items() if landing.chosen_by_operator]
    for stenosis in find_stenoses(profile) if chosen else ():
        for side, landing in chosen:
            if stenosis.first_row <= landing.site.row <= stenosis.last_row:
                start, end = profile.position_mm[[stenosis.first_row, stenosis.last_row]]
                raise InputRefused(
                    f"{landing.site.position_mm:g} mm lies inside the stenosis from {start:.1f} to {end:.1f} mm",
                    tag=f"--{side.value}",
                    remedy="land outside it",
                )


def _span(lesion: Lesion | None, landings: Mapping[Side, Landing]) -> tuple[int, int]:
    rows = [landing.site.row for landing in landings.values()]
    if lesion is not None and len(landings) < 2:
        rows += [lesion.first_row, lesion.last_row]
    return min(rows), max(rows)


def _quantities(
    profile: Profile,
    shared: SharedUncertainty,
    landings: Mapping[Side, Landing],
    lesion: Lesion | None,
    span: tuple[int, int],
    draws: VesselDraws,
    n_draws: int,
) -> dict[str, Measured]:
    values: dict[str, float] = {}
    for side, landing in landings.items():
        site = landing.reference
        if site is not None:
            values[f"{side.value}_lumen_mm2"] = site.lumen_area_mm2
            values[f"{side.value}_eem_mm2"] = site.eem_area_mm2
            values[f"{side.value}_lumen_mm"] = site.lumen_mean_diameter_mm
            values[f"{side.value}_eem_mm"] = site.eem_mean_diameter_mm
            values[f"{side.value}_burden_pct"] = site.plaque_burden_pct
    first, last = span
    eem_rows = np.arange(first, last + 1)
    eem_rows = eem_rows[profile.eem_measured[eem_rows]]
    if eem_rows.size:
        values["covered_eem_mm"] = float(profile.eem_mean_diameter_mm[eem_rows].mean())
    if lesion is not None:
        values["mla_mm2"] = lesion.minimum.lumen_area_mm2
        values["mla_burden_pct"] = lesion.minimum.plaque_burden_pct
        values["mla_eem_mm2"] = lesion.minimum.eem_area_mm2
        distal = landings.get(Side.DISTAL)
        if distal is not None and distal.reference is not None:
            ratio = remodelling_index(lesion.minimum.eem_area_mm2, distal.reference.eem_area_mm2)
            values["remodelling_distal"] = float(ratio)
    length = None
    if len(landings) == 2:
        length = landings[Side.PROXIMAL].site.position_mm - landings[Side.DISTAL].site.position_mm

    def draw(window: Window) -> dict[str, FloatArray]:
        out = _drawn(profile, landings, lesion, eem_rows, window)
        if length is not None and shared.axis_scale_relative_sd is not None:
            out["length_mm"] = length_draws_mm(length, shared, window)
        return out

    drawn = draws.collect(draw, n_draws)
    if length is not None:
        values["length_mm"] = length
    return {name: Measured(value, drawn.get(name) if math.isfinite(value) else None) for name, value in values.items()}


def _drawn(
    profile: Profile,
    landings: Mapping[Side, Landing],
    lesion: Lesion | None,
    eem_rows: IntArray,
    window: Window,
) -> dict[str, FloatArray]:
    """Draws of every quantity: the reference is chosen anew in each draw, and so is the minimum."""
    out: dict[str, FloatArray] = {}
    lumen, eem = window.areas_mm2.get(Structure.LUMEN), window.areas_mm2.get(Structure.EEM)
    if lumen is None:
        return out
    columns = np.arange(lumen.shape[1])
    for side, landing in landings.items():
        site = landing.reference
        if site is None:
            continue
        name = side.value
        rows = reference_rows(profile, landing.site.row, side) - window.first_row
        rows = rows[(rows >= 0) & (rows < len(lumen))]
        best = rows[np.argmax(lumen[rows], axis=0)]
        area = np.maximum(largest_draws(lumen[rows]), 0.0)
        out[f"{name}_lumen_mm2"] = area
        out[f"{name}_lumen_mm"] = site.lumen_mean_diameter_mm * np.sqrt(area / site.lumen_area_mm2)
        if eem is not None and math.isfinite(site.eem_area_mm2):
            vessel = np.maximum(eem[best, columns], 1e-6)
            out[f"{name}_eem_mm2"] = vessel
            out[f"{name}_eem_mm"] = site.eem_mean_diameter_mm * np.sqrt(vessel / site.eem_area_mm2)
            out[f"{name}_burden_pct"] = 100.0 * (1.0 - area / vessel)
    if eem is not None and len(eem_rows):
        local = eem_rows - window.first_row
        scale = np.sqrt(eem[local] / profile.eem_area_mm2[eem_rows][:, None])
        out["covered_eem_mm"] = (scale * profile.eem_mean_diameter_mm[eem_rows][:, None]).mean(axis=0)
    if lesion is not None:
        rows = np.arange(lesion.first_row, lesion.last_row + 1)
        rows = rows[profile.measured[rows]] - window.first_row
        out["mla_mm2"] = lumen[rows].min(axis=0)
        if eem is not None and math.isfinite(lesion.minimum.eem_area_mm2):
            at = lesion.minimum.row - window.first_row
            vessel = np.maximum(eem[at], 1e-6)
            out["mla_eem_mm2"] = vessel
            out["mla_burden_pct"] = 100.0 * (1.0 - lumen[at] / vessel)
            if "distal_eem_mm2" in out:
                out["remodelling_distal"] = vessel / out["distal_eem_mm2"]
    return out


def _references(quantities: Mapping[str, Measured], landings: Mapping[Side, Landing]) -> References:
    def get(name: str) -> Measured:
        return quantities.get(name, Measured(math.nan))

    return References(
        get("distal_lumen_mm"),
        get("proximal_lumen_mm"),
        get("distal_eem_mm"),
        get("proximal_eem_mm"),
        get("covered_eem_mm"),
        get("remodelling_distal"),
        *(_eem_seen_deg(landings.get(side)) for side in (Side.DISTAL, Side.PROXIMAL)),
    )


def _eem_seen_deg(landing: Landing | None) -> float:
    return math.nan if landing is None or landing.reference is None else 360.0 - landing.reference.eem_hidden_deg


def _reference_json(site: Site | None, quantities: Mapping[str, Measured], side: Side) -> dict[str, JsonValue] | None:
    if site is None:
        return None
    names = ("lumen_mm2", "eem_mm2", "lumen_mm", "eem_mm", "burden_pct")
    uncertain = {name: quantities[f"{side.value}_{name}"].as_json() for name in names}
    return {**site.as_json(), "uncertainty": uncertain, "rule": "largest lumen within 5 mm outside the landing"}


def _lesion_json(lesion: Lesion, profile: Profile, quantities: Mapping[str, Measured]) -> dict[str, JsonValue]:
    minimum = lesion.minimum
    mla = quantities.get("mla_mm2", Measured(minimum.lumen_area_mm2))
    indices: dict[str, JsonValue] = {}
    sides = (("distal", lesion.distal_reference), ("proximal", lesion.proximal_reference))
    for name, site in sides:
        if site is not None:
            index = float(remodelling_index(minimum.eem_area_mm2, site.eem_area_mm2))
            kind = remodelling_class(index)
            indices[name] = {
                "remodelling_index": index if math.isfinite(index) else None,
                "remodelling": None if kind is None else kind.value,
                "area_stenosis_pct": float(area_stenosis_pct(minimum.lumen_area_mm2, site.lumen_area_mm2)),
                "reference": site.as_json(),
            }
    return {
        "definition": {
            LesionKind.STENOSIS: "lumen narrowed by >= 50 %",
            LesionKind.SEVERE: "lumen narrowed by >= 50 % or plaque burden >= 50 %, gaps under 5 mm joined",
            LesionKind.PLAQUE: "plaque burden > 40 %",
        }[lesion.kind],
        "from_mm": float(profile.position_mm[lesion.first_row]),
        "to_mm": float(profile.position_mm[lesion.last_row]),
        "length_mm": lesion.length_mm(profile),
        "mla_definition": ALONG_PROFILE,
        "mla_read_mm2": minimum.lumen_area_mm2,
        "mla_corrected_mm2": mla.middle,
        "mla": {**minimum.as_json(), "uncertainty": mla.as_json()},
        "plaque_burden": quantities["mla_burden_pct"].as_json() if "mla_burden_pct" in quantities else None,
        "against": indices,
    }


def _device_options(methods: Sequence[MethodResult]) -> list[dict[str, JsonValue]]:
    """The devices that any method picks, with the methods behind each."""
    options: dict[Device, list[str]] = {}
    for result in methods:
        if result.device is not None:
            options.setdefault(result.device, []).append(result.method.id)
    return [
        {
            "diameter_mm": device.diameter_mm,
            "length_mm": device.length_mm,
            "post_dilatation_limit_mm": device.post_dilatation_limit_mm,
            "methods": ids,
        }
        for device, ids in sorted(options.items(), key=lambda item: (item[0].diameter_mm, item[0].length_mm))
    ]
