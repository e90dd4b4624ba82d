"""Rays on which the lumen border is not seen: behind a guidewire, over a branch mouth; and rays in shadow."""

from __future__ import annotations

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray
from boreline.segmentation import lumen
from boreline.segmentation.bridging import circle, circle_through
from boreline.segmentation.features import Bytes, middle
from boreline.segmentation.learning import DEEP_MM, Learnt
from boreline.segmentation.ring_down import RingDown
from boreline.segmentation.starts import SHADOWED
from boreline.segmentation.waves import inner_shape

_HALO_MARGIN, _LEAST_HIDDEN = 2, 4
_SKIP_MM, _DEPTH_MM = 0.28, 1.8
_NARROWEST, _WIDEST_BRIDGE = 2, 30
"""Rays: a shadow of 6 to 84 degrees may be a guidewire's; it is bridged when its echo lies before the wall."""
_BEFORE_WALL_MM = 0.13
_WIRE_MARGIN = 3
_MOST_BEHIND_WIRES = 0.3
"""Share of all rays; where more would lie behind wires, the picture is dark and not the wires many."""
_BLACK_MM, _BLACK, _MOSTLY, _DEEP_SHADOWED = 1.3, 0.2, 0.45, 0.25
_POCKET_MM, _POCKET_DEEPEST_MM = 0.1, 0.25
_POCKET_RAYS, _POCKET_WIDEST, _POCKET_MARGIN = 6, 58, 2
_POCKET_ORDER, _POCKET_SCALE_MM = 3, 0.06
_MOUTH_DEEPER = 0.5
"""Share of the usual depth of the border by which a wide mouth bulges out of the rest at least."""
_OFF_CIRCLE_MM = (-0.045, 0.12, 0.003)
"""How far a lumen without a mouth leaves a circle (root mean square), see `_enough_mm` (tuning scenes)."""
_WIDE_ORDER = 2
_DEEP_MM = (0.08, 0.3, 0.009)
"""The same of how deep it bulges out of a shape of that order."""
_FEWEST_SHARE = 1 / 6


def shadowed(grey: Bytes, path: FloatArray, learnt: Learnt) -> BoolArray:
    """Rays with little echo behind the border: mostly black there, or dark on average, or black farther back."""
    mm = learnt.mm_per_sample
    ordered = np.sort(path)
    border = np.clip(path, ordered[int(0.3 * len(path))], ordered[int(0.8 * len(path))])
    behind = lumen.level_behind(grey, border, int(_SKIP_MM / mm), int(_DEPTH_MM / mm))
    black = lumen.dark_share(grey, border, int(_SKIP_MM / mm), int(_BLACK_MM / mm), _BLACK * learnt.behind)
    deep = lumen.level_behind(grey, border, int(DEEP_MM[0] / mm), int(DEEP_MM[1] / mm))
    shadow: BoolArray = (behind < SHADOWED * learnt.behind) | (black > _MOSTLY) | (deep < _DEEP_SHADOWED * learnt.deep)
    return shadow


def wire_shadow(path: FloatArray, shadow: BoolArray, mm_per_sample: float) -> BoolArray:
    """Rays behind a guidewire: in shadow, the echo before the wall or none at all. Calcium's echo is the wall."""
    wire = np.zeros(len(path), dtype=np.bool_)
    if not shadow.any():
        return wire
    least = _BEFORE_WALL_MM / mm_per_sample
    for rays in (shadow, _dented(path, lumen.widened(shadow, 2), least)):
        _mark_off_bridge(path, rays, least, wire)
    if wire.mean() > _MOST_BEHIND_WIRES:
        wire[:] = False
    return wire


@compiled
def _dented(path: FloatArray, asked: BoolArray, least: float) -> BoolArray:
    """Asked rays whose border lies nearer than the median over about a third of the circle around."""
    n, half = len(path), 2 * _WIDEST_BRIDGE // 3
    around = np.empty(2 * half + 1)
    out = np.zeros(n, dtype=np.bool_)
    for k in range(n):
        if asked[k]:
            for i in range(2 * half + 1):
                around[i] = path[(k + i - half) % n]
            out[k] = path[k] - np.median(around) < -least
    return out


@compiled
def _mark_off_bridge(path: FloatArray, rays: BoolArray, least: float, wire: BoolArray) -> None:
    """Mark narrow cyclic runs of `rays`, with a margin, whose border lies off the straight bridge over them."""
    n = len(path)
    first = -1
    for k in range(n):
        if not rays[k]:
            first = k
            break
    if first < 0:
        return
    at = 0
    while at < n:
        start, length = first + at, 0
        while length < n and rays[(start + length) % n]:
            length += 1
        at += max(length, 1)
        if not _NARROWEST <= length <= _WIDEST_BRIDGE:
            continue
        before, after = path[(start - _WIRE_MARGIN - 1) % n], path[(start + length + _WIRE_MARGIN) % n]
        off = np.empty(length)
        for k in range(length):
            share = (k + _WIRE_MARGIN + 1) / (length + 2 * _WIRE_MARGIN + 1)
            off[k] = abs(path[(start + k) % n] - before - (after - before) * share)
        if np.median(off) > least:
            for k in range(-_WIRE_MARGIN, length + _WIRE_MARGIN):
                wire[(start + k) % n] = True


def mouth(path: FloatArray, deaf: BoolArray, ring: RingDown, mm_per_sample: float) -> BoolArray:
    """Rays where the border bulges out of the smooth shape of the rest (branch mouth, soft plaque).

    A lumen bulges too, seen from a catheter that leans on its wall, and the more the farther off its middle. But it is
    nearly a circle.
    """
    weight, scale = np.where(deaf, 0.1, 1.0), _POCKET_SCALE_MM / mm_per_sample
    # A wide mouth draws a curve of a high order after it; what bulges far out of an off-centre circle must not.
    bulge = np.maximum(path - inner_shape(path, weight, 1, scale), 0.0)
    seen = ~deaf & (path > ring.end + _HALO_MARGIN)
    if bulge.max() < _POCKET_DEEPEST_MM / mm_per_sample or seen.mean() < _FEWEST_SHARE:
        return np.zeros(len(path), dtype=np.bool_)
    x, y, radius = circle(path, seen)
    off = np.hypot(*(_points(path)[seen] - (x, y)).T) - radius
    off_circle_mm, off_middle_mm = (mm_per_sample * float(far) for far in (np.sqrt((off**2).mean()), np.hypot(x, y)))
    pocket = _narrow_mouth(path, bulge, weight, mm_per_sample)
    if pocket.any() and off_circle_mm > _enough_mm(_OFF_CIRCLE_MM, off_middle_mm, pocket):
        return pocket
    # A shape of that order may have followed a wide mouth.
    bulge = path - inner_shape(path, weight, _WIDE_ORDER, scale)
    wide = _bulging(bulge, _POCKET_DEEPEST_MM / mm_per_sample, mm_per_sample)
    deep = wide.any() and float(bulge[wide].max()) * mm_per_sample > _enough_mm(_DEEP_MM, off_middle_mm, wide)
    return wide if deep else np.zeros_like(wide)


def _enough_mm(limits: tuple[float, float, float], off_middle_mm: float, pocket: BoolArray) -> float:
    """What a bulge of an off-centre lumen reaches: so much, and more per distance off its middle and per ray."""
    least, per_off_middle, per_ray = limits
    return least + per_off_middle * off_middle_mm + per_ray * float(pocket.sum())


def _points(path: FloatArray) -> FloatArray:
    """Points of a border about the catheter, (n_rays, 2), samples."""
    angle = 2.0 * np.pi * np.arange(len(path)) / len(path)
    return np.stack([path * np.cos(angle), path * np.sin(angle)], axis=1)


def _narrow_mouth(path: FloatArray, bulge: FloatArray, weight: FloatArray, mm_per_sample: float) -> BoolArray:
    scale, deep = _POCKET_SCALE_MM / mm_per_sample, _MOUTH_DEEPER * middle(path)
    if bulge.max() > deep:
        tight = inner_shape(path, weight / (1.0 + (bulge / (2.0 * scale)) ** 2), _POCKET_ORDER, scale)
        pocket = _bulging(path - tight, deep, mm_per_sample)
        if pocket.any():
            return pocket
    shape = inner_shape(path, weight, _POCKET_ORDER, scale)
    return _bulging(path - shape, _POCKET_DEEPEST_MM / mm_per_sample, mm_per_sample)


def _bulging(bulge: FloatArray, deepest: float, mm_per_sample: float) -> BoolArray:
    """Rays of bulges that are wide enough, not too wide, and somewhere deeper than `deepest` samples."""
    pocket = np.zeros(len(bulge), dtype=np.bool_)
    for run in lumen.runs_of_true(bulge > _POCKET_MM / mm_per_sample):
        if _POCKET_RAYS <= len(run) <= _POCKET_WIDEST and float(bulge[run].max()) > deepest:
            pocket[run] = True
    return lumen.widened(pocket, _POCKET_MARGIN)


def under_halo(path: FloatArray, unseen: BoolArray, ring: RingDown) -> tuple[BoolArray, FloatArray]:
    """Rays whose wall lies so near that the ring-down hides it, and the depths of the border carried on under it.

    The vessel leans on the catheter there. A circle through the border on the other rays says how far in it goes, but
    never into the catheter. Where hardly anything is seen outside the ring-down, its end is the best guess.
    """
    hidden = (path <= ring.end + _HALO_MARGIN) & ~unseen
    seen = ~hidden & ~unseen
    if ring.end == 0 or hidden.sum() < _LEAST_HIDDEN or seen.sum() < len(path) // 4:
        return np.zeros(len(path), dtype=np.bool_), path
    carried_on = np.clip(circle_through(path, seen), ring.start, ring.end)
    return hidden, np.where(hidden, carried_on, path)
