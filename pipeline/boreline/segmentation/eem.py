"""The external elastic membrane: the outer edge of the dark media, where the bright adventitia begins.

A smooth closed shape is found first, in a coarse picture of the costs (`eem_cost`), then the border in a band about it.
Rays in shadow or over a branch mouth say nothing and are carried by the others. A pericardium, a vein or a layer of the
plaque may look like the membrane over part of the circle and stand out more; the membrane goes all round. So where a
border is not plain all round, one that lies nearer and one between those of the frames around are tried as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.edges import edge_levels, find_edges, smooth_round
from boreline.segmentation.eem_cost import FORBIDDEN
from boreline.segmentation.eem_seen import rays_seen
from boreline.segmentation.features import Bytes, Floats
from boreline.segmentation.surfaces import closed_path, expected_distance, tolled_path
from boreline.segmentation.waves import smooth_shape

_ROUGH_TOLLS = np.array([0.0, 0.6, 1.4, 2.2], dtype=np.float32)
"""Of steps of 0, 2, 4 and 6 samples: in proportion, as a vessel beside the catheter is steep all along its flanks."""
_INNER_TOLLS = np.array([0.0, 0.8, 1.6, 2.4], dtype=np.float32)
_INWARD_PER_MM = 0.1
_NEAR = 20
"""Samples on either side of the smooth shape in which the border is looked for."""
MAX_STEP = 3
STIFFNESS = 0.8
"""Of steps against those of the shape."""
SHAPE_PULL = 0.004
"""Cost of a depth one sample away from the shape; grows with the square, up to `SHAPE_CAP`."""
SHAPE_CAP = 1.0
_ENOUGH = 1.2
"""Evidence of one ray that is plain: more on some rays does not make up for none on others."""
_STEP_TOLL = 0.2
_PLAIN = 0.83
"""Merit from which on a border needs no rival."""
_PROBE_FRAMES = 8
"""A plain border is held against a nearer one in every so-manieth frame."""
_AROUND_FRAMES = 7
_NEIGHBOURS = 4
_BETTER, _CLEARLY = 0.02, 0.05
_LEAST_RAYS = 16
_NEVER = FORBIDDEN / np.float32(10.0)  # a mean with the frames around may have diluted it
_UNSEEN_WEIGHT = 0.05
_DOUBT_REACH = 30
_SMOOTH, _SMOOTH_RING = 1.2, 3.0


@compiled
def _band_about(cost: Floats, first: IntArray, width: int, unsure: BoolArray) -> Floats:
    """`width` depths of each ray from its `first` one on, with what each costs for lying off the middle."""
    n_rays, n = cost.shape
    out = np.empty((n_rays, width), dtype=np.float32)
    for k in range(n_rays):
        weight = np.float32(0.0 if unsure[k] else 1.0)
        for j in range(width):
            off = j - width // 2
            pull = min(np.float32(SHAPE_PULL) * off * off, np.float32(SHAPE_CAP))
            depth = first[k] + j
            here = cost[k, depth] if 0 <= depth < n else FORBIDDEN
            out[k, j] = pull + (here if here >= _NEVER else weight * here)
    return out


@compiled
def _coarse(cost: Floats, unsure: BoolArray, enough: float, inward: float) -> Floats:
    """Every second depth; no ray says more than `enough`, none that is `unsure` anything; `inward`: toll of a depth."""
    n_rays, n = cost.shape
    out = np.empty((n_rays, (n + 1) // 2), dtype=np.float32)
    for k in range(n_rays):
        for j in range(out.shape[1]):
            here = cost[k, 2 * j]
            if here < _NEVER:
                here = np.float32(0.0) if unsure[k] else max(here, np.float32(-enough))
            out[k, j] = here + np.float32(2 * j * inward)
    return out


def _shape_of(cost: Floats, path: IntArray, unsure: BoolArray, enough: float) -> FloatArray:
    evidence = np.clip(-cost[np.arange(len(path)), path], 0.0, enough)
    return smooth_shape(path.astype(np.float64), np.where(unsure, 0.0, evidence))


def _border_near(cost: Floats, shape: FloatArray, unsure: BoolArray) -> IntArray:
    """The closed border of the least cost about a smooth shape, which is laid straight."""
    first = np.rint(shape).astype(np.int64) - _NEAR
    path = first + closed_path(_band_about(cost, first, 2 * _NEAR + 1, unsure), MAX_STEP, STIFFNESS)
    clipped: IntArray = np.clip(path, 0, cost.shape[1] - 1)
    return clipped


@compiled
def _merit(cost: Floats, path: IntArray, unsure: BoolArray) -> float:
    """Mean evidence of the rays that see, capped where it is plain, less a toll for steps; 0 where hardly any sees."""
    n_rays = len(path)
    total, count, steps = 0.0, 0, 0.0
    for k in range(n_rays):
        steps += abs(path[k] - path[k - 1])
        if unsure[k]:
            continue
        evidence = 0.0
        for s in range(-1, 2):
            near = (k + s) % n_rays
            evidence -= cost[near, path[near]] / 3.0
        total += min(max(evidence, -0.5), _ENOUGH)
        count += 1
    if count < _LEAST_RAYS:
        return 0.0
    return float(total / count - _STEP_TOLL * steps / n_rays)


@dataclass(frozen=True, slots=True)
class View:
    """What the membrane of one frame is looked for in.

    Attributes
    ----------
    cost
        Of the membrane just before each sample, (n_rays, n_samples), see `eem_cost.membrane_cost`.
    grey, thin
        Smoothed and lightly smoothed picture, of the same shape.
    wire, pocket, shadow
        Rays behind the guidewire, over a branch mouth, and in shadow (a wire's or another), (n_rays,).
    """

    cost: Floats
    grey: Bytes
    thin: Bytes
    wire: BoolArray
    pocket: BoolArray
    shadow: BoolArray

    @property
    def unsure(self) -> BoolArray:
        """Rays on which the membrane is not looked for."""
        return self.shadow | self.pocket


@dataclass(frozen=True, slots=True)
class MembraneBorder:
    """Membrane of one frame.

    Attributes
    ----------
    depth
        Shape (n_rays,), samples.
    seen
        Rays on which it shows, (n_rays,).
    ring
        Grey levels between media and adventitia, averaged over neighbouring rays; (n_rays,).
    doubt
        Expected distance to the true border by the cost alone, samples.
    """

    depth: FloatArray
    seen: BoolArray
    ring: FloatArray
    doubt: float


def membrane_borders(
    views: Sequence[View], *, spread: float, clarity: float, mm_per_sample: float
) -> list[MembraneBorder]:
    """The membranes of consecutive frames."""
    paths = _chosen(views, mm_per_sample)
    return [
        _finished(view, path, spread=spread, clarity=clarity, mm_per_sample=mm_per_sample)
        for view, path in zip(views, paths, strict=True)
    ]


def _chosen(views: Sequence[View], mm_per_sample: float) -> list[IntArray]:
    """The border of each frame: the plain one, or a rival where that goes round better."""
    paths, merits = [], np.empty(len(views))
    for i, view in enumerate(views):
        rough = 2 * tolled_path(_coarse(view.cost, view.unsure, np.inf, 0.0), _ROUGH_TOLLS)
        paths.append(_border_near(view.cost, _shape_of(view.cost, rough, view.unsure, np.inf), view.unsure))
        merits[i] = _merit(view.cost, paths[i], view.unsure)
    inner: dict[int, IntArray] = {}
    gains = np.full(len(views), -1.0)

    def try_inner(i: int) -> None:
        if i in inner:
            return
        view, inward = views[i], _INWARD_PER_MM * mm_per_sample
        rough = 2 * tolled_path(_coarse(view.cost, view.unsure, _ENOUGH, inward), _INNER_TOLLS)
        inner[i] = _border_near(view.cost, _shape_of(view.cost, rough, view.unsure, _ENOUGH), view.unsure)
        gains[i] = _merit(view.cost, inner[i], view.unsure) - merits[i]

    doubtful = merits < _PLAIN
    wanted = np.where(doubtful, 0.0, _CLEARLY)
    for i in range(0, len(views), _PROBE_FRAMES):
        try_inner(i)
        if gains[i] > wanted[i]:
            doubtful[max(0, i - _PROBE_FRAMES + 1) : i + _PROBE_FRAMES] = True
    for i in np.flatnonzero(doubtful).tolist():
        try_inner(i)
    # What is no membrane goes on for many frames: the frames around have a say.
    usual = median_filter(gains, size=min(_AROUND_FRAMES, len(views)), mode="nearest")
    for i, path in inner.items():
        if doubtful[i] and usual[i] > wanted[i]:
            paths[i] = path
            merits[i] += gains[i]
    numbers = np.flatnonzero(merits < _PLAIN).tolist()
    for i in [*numbers, *reversed(numbers)]:  # there and back, so that what is found spreads
        _take_between(views, paths, merits, i)
    return paths


def _take_between(views: Sequence[View], paths: list[IntArray], merits: FloatArray, i: int) -> None:
    """Take the border near those of the frames around, in place, if it goes round better than the frame's own."""
    window = range(max(0, i - _NEIGHBOURS), min(len(views), i + _NEIGHBOURS + 1))
    near = [paths[k] for k in window if k != i and merits[k] > merits[i] - 0.1]
    if len(near) < 2:
        return
    view = views[i]
    shape = smooth_shape(np.median(np.stack(near), axis=0), np.ones(len(near[0])))
    path = _border_near(view.cost, shape, view.unsure)
    merit = _merit(view.cost, path, view.unsure)
    if merit > merits[i] + _BETTER:
        paths[i], merits[i] = path, merit


def _finished(view: View, path: IntArray, *, spread: float, clarity: float, mm_per_sample: float) -> MembraneBorder:
    unsure = view.unsure
    edge, _ = find_edges(view.thin, path, edge_levels(clarity)[1], True)
    edge = np.where(unsure, path - 0.5, edge)
    depth = smooth_round(edge, np.where(unsure, _UNSEEN_WEIGHT, 1.0), _SMOOTH)
    strength = np.where(unsure, 0.0, -view.cost[np.arange(len(path)), path])
    ring = smooth_round(strength, np.ones(len(path)), _SMOOTH_RING)
    return MembraneBorder(
        depth=depth,
        seen=rays_seen(view.cost, view.grey, depth, ring, view.wire, view.pocket, view.shadow, mm_per_sample),
        ring=ring * spread,
        doubt=expected_distance(
            _band_about(view.cost, path - _DOUBT_REACH, 2 * _DOUBT_REACH + 1, unsure),
            np.full(len(path), _DOUBT_REACH),
            _DOUBT_REACH,
        ),
    )
