"""Every published way from the references to a device diameter, side by side; never one answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from boreline.model import FloatArray, JsonValue
from boreline.profile.uncertainty import Measured
from boreline.sizing.devices import ROUNDING_WORDS, Device, Rounded, Rounding, choose_lengths, round_to_list

EEM_SEEN_DEG = 180.0
POSITIVE_REMODELLING = 1.05


@dataclass(frozen=True, slots=True)
class References:
    """Diameters that the methods work on, in mm; NaN value where not measurable. One frame per side."""

    distal_lumen: Measured
    proximal_lumen: Measured
    distal_eem: Measured
    proximal_eem: Measured
    lesion_eem: Measured  # mean over the stretch to be covered
    remodelling_distal: Measured  # lesion EEM area / distal reference EEM area
    distal_eem_seen_deg: float  # of 360; NaN when not known
    proximal_eem_seen_deg: float


@dataclass(frozen=True, slots=True)
class Method:
    """One way to a diameter. `measure` maps the references (values or draws) to millimetres; NaN = not assessable.

    `seen` names the arcs (of `References`) that must reach `EEM_SEEN_DEG` for the method to apply at all.
    """

    id: str
    title: str
    measure: Callable[[Mapping[str, FloatArray | float]], FloatArray | float]
    needs: tuple[str, ...]
    rounding: Rounding
    source: str
    balloon: bool = False
    seen: tuple[str, ...] = ()

    def enough_seen(self, arcs_deg: Mapping[str, float]) -> bool:
        """Whether enough of the EEM was seen; an arc that is not known is not enough."""
        return all(arcs_deg[name] >= EEM_SEEN_DEG for name in self.seen)


def _mean(one: str, other: str) -> Callable[[Mapping[str, FloatArray | float]], FloatArray | float]:
    return lambda r: (r[one] + r[other]) / 2


METHODS: tuple[Method, ...] = (
    Method(
        "distal-lumen",
        "mean lumen diameter at the distal reference",
        lambda r: r["distal_lumen"],
        ("distal_lumen",),
        Rounding.UP,
        "Räber, Eur Heart J 2018;39:3281-3300 [from memory, verify in the paper]; direction: Shlofmitz 2021",
    ),
    Method(
        "mean-lumen",
        "mean of the distal and proximal mean lumen diameters",
        _mean("distal_lumen", "proximal_lumen"),
        ("distal_lumen", "proximal_lumen"),
        Rounding.NEAREST,
        "practice, no primary source found [from memory]",
    ),
    Method(
        "largest-lumen",
        "the larger of the two mean lumen diameters",
        lambda r: np.maximum(r["distal_lumen"], r["proximal_lumen"]),
        ("distal_lumen", "proximal_lumen"),
        Rounding.NEAREST,
        "IVUS textbooks [from memory]; more dissection risk at the smaller end",
    ),
    Method(
        "distal-eem",
        "mean EEM diameter at the distal reference",
        lambda r: r["distal_eem"],
        ("distal_eem",),
        Rounding.DOWN,
        "Räber, Eur Heart J 2018;39:3281-3300 [from memory, verify in the paper]",
    ),
    Method(
        "smaller-eem",
        "the smaller of the two mean EEM diameters (EEM seen over at least 180 degrees)",
        lambda r: np.minimum(r["distal_eem"], r["proximal_eem"]),
        ("distal_eem", "proximal_eem"),
        Rounding.DOWN,
        "Ali, Lancet 2016;388:2618-28 (optical coherence tomography); direction: Shlofmitz 2021",
        seen=("distal_eem_seen_deg", "proximal_eem_seen_deg"),
    ),
    Method(
        "mid-wall",
        "halfway between lumen and EEM at the distal reference",
        _mean("distal_lumen", "distal_eem"),
        ("distal_lumen", "distal_eem"),
        Rounding.NEAREST,
        "practice [from memory]",
    ),
    Method(
        "proximal-eem",
        "mean EEM diameter at the proximal reference, for post-dilatation of the proximal part",
        lambda r: r["proximal_eem"],
        ("proximal_eem",),
        Rounding.DOWN,
        "logic of Räber, Eur Heart J 2018;39:3281-3300 [from memory, verify in the paper]",
        balloon=True,
    ),
    Method(
        "lesion-media",
        "mean media-to-media diameter over the stretch to be covered",
        lambda r: r["lesion_eem"],
        ("lesion_eem",),
        Rounding.NEAREST,
        "Chieffo, Am Heart J 2013;165:65-72 [from memory, verify in the paper]",
        balloon=True,
    ),
    Method(
        "distal-eem-remodelled",
        "distal EEM diameter where the lesion is positively remodelled (index above 1.05)",
        lambda r: np.where(np.greater(r["remodelling_distal"], POSITIVE_REMODELLING), r["distal_eem"], np.nan),
        ("distal_eem", "remodelling_distal"),
        Rounding.NEAREST,
        "a 100-patient study (authors not shown); its rounding is not stated, ours is the nearest",
        balloon=True,
    ),
)


@dataclass(frozen=True, slots=True)
class MethodResult:
    """One row of the table: a measured diameter, the size that its rule picks, and how sure that is.

    `sizes` maps each size of the list to the probability that this rule picks it, None without uncertainties.
    """

    method: Method
    measured: Measured
    rounded: Rounded
    device: Device | None
    sizes: Mapping[float, float] | None
    remark: str | None

    def as_json(self) -> dict[str, JsonValue]:
        """The method record of `plan.json`."""
        interval = self.measured.interval
        finite = math.isfinite(self.measured.value)
        return {
            "id": self.method.id,
            "title": self.method.title,
            "for": "balloon" if self.method.balloon else "stent",
            "measured_mm": self.measured.value if finite else None,
            "measured_sd_mm": self.measured.sd if finite else None,
            "measured_low_mm": interval[0] if interval and finite else None,
            "measured_high_mm": interval[1] if interval and finite else None,
            "diameter_mm": self.rounded.diameter_mm,
            "rounding": ROUNDING_WORDS[self.method.rounding],
            "neighbours_mm": [self.rounded.below_mm, self.rounded.above_mm],
            "sizes": None if self.sizes is None else {f"{size:g}": p for size, p in self.sizes.items()},
            "device": None
            if self.device is None
            else {
                "diameter_mm": self.device.diameter_mm,
                "length_mm": self.device.length_mm,
                "post_dilatation_limit_mm": self.device.post_dilatation_limit_mm,
            },
            "remark": self.remark,
            "source": self.method.source,
        }


def apply_methods(references: References, devices: Sequence[Device], length_mm: float) -> tuple[MethodResult, ...]:
    """Every method applied; a missing input makes its method not assessable, never another side's value."""
    return tuple(_apply(method, references, devices, length_mm) for method in METHODS)


def _apply(method: Method, references: References, devices: Sequence[Device], length_mm: float) -> MethodResult:
    inputs = {name: getattr(references, name) for name in method.needs}
    value = float(method.measure({name: item.value for name, item in inputs.items()}))
    arcs = {name: getattr(references, name) for name in method.seen}
    if not (math.isfinite(value) and method.enough_seen(arcs)):
        why = _why_not(method, inputs) if not math.isfinite(value) else _not_seen(arcs)
        return MethodResult(method, Measured(math.nan), Rounded(None, None, None), None, None, why)
    draws = None
    if all(item.draws is not None for item in inputs.values()):
        draws = np.asarray(method.measure({name: item.draws for name, item in inputs.items()}))
        draws = draws[np.isfinite(draws)] if np.isfinite(draws).any() else None
    sizes = sorted({device.diameter_mm for device in devices})
    rounded = round_to_list(value, sizes, method.rounding)
    device = None if method.balloon else _device(devices, rounded.diameter_mm, length_mm)
    chances = None if draws is None else _chances(draws, sizes, method.rounding)
    remark = None if rounded.diameter_mm is not None else _no_size(rounded)
    return MethodResult(method, Measured(value, draws), rounded, device, chances, remark)


def _why_not(method: Method, inputs: Mapping[str, Measured]) -> str:
    missing = [name.replace("_", " ") for name, item in inputs.items() if not math.isfinite(item.value)]
    if missing:
        return f"not assessable: {', '.join(missing)} not measurable"
    return f"does not apply: {method.title.split(' where ')[-1]} is not the case"


def _not_seen(arcs_deg: Mapping[str, float]) -> str:
    seen = [
        f"{name.split('_')[0]} {f'{arc:.0f}' if math.isfinite(arc) else 'not known'}" for name, arc in arcs_deg.items()
    ]
    return f"not assessable: needs the EEM seen over at least {EEM_SEEN_DEG:.0f} degrees ({', '.join(seen)})"


def _no_size(rounded: Rounded) -> str:
    neighbours = [f"{size:g} mm" for size in (rounded.below_mm, rounded.above_mm) if size is not None]
    return f"no size within the rule; neighbours: {', '.join(neighbours) or 'none'}"


def _device(devices: Sequence[Device], diameter_mm: float | None, length_mm: float) -> Device | None:
    """The shortest device of that diameter that covers the length; None when one is not enough."""
    fitting = [device for device in devices if device.diameter_mm == diameter_mm]
    if not (fitting and math.isfinite(length_mm)):
        return None
    lengths = choose_lengths(length_mm, [device.length_mm for device in fitting]).lengths_mm
    if len(lengths) != 1:
        return None
    return next(device for device in fitting if device.length_mm == lengths[0])


def _chances(draws: FloatArray, sizes: Sequence[float], rounding: Rounding) -> dict[float, float]:
    """Probability of each size (those above 1 %); draws without a size within the rule count for none."""
    # A rounding is a step function: round the distinct hundredths only.
    hundredths, counts = np.unique(np.round(draws, 2), return_counts=True)
    chances: dict[float, float] = {}
    for value, count in zip(hundredths, counts, strict=True):
        size = round_to_list(float(value), sizes, rounding).diameter_mm
        if size is not None:
            chances[size] = chances.get(size, 0.0) + float(count) / len(draws)
    return {size: chance for size, chance in sorted(chances.items()) if chance > 0.01}
