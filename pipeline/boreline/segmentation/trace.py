"""Both borders of each frame of a block, as depths along `N_RAYS` rays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation import eem, lumen, second_look
from boreline.segmentation.edges import edge_levels, find_edges, smooth_round
from boreline.segmentation.features import N_RAYS, Bytes, Floats, level_share, smooth_grey, thin_picture, usual_share
from boreline.segmentation.learning import DEEP_MM, SHADOWED, Learnt, shared_speckle
from boreline.segmentation.polar import PolarBlock
from boreline.segmentation.surfaces import closed_path, thinned_path

_SKIP_MM, _DEPTH_MM = 0.28, 1.8
_NARROWEST, _WIDEST_BRIDGE = 2, 30
"""Rays: a shadow of 6 to 84 degrees may be a guidewire's; it is bridged when its echo lies before the wall."""
_BEFORE_WALL_MM = 0.13
_WIRE_MARGIN = 3
_BLACK_MM, _BLACK, _MOSTLY, _DEEP_SHADOWED = 1.3, 0.2, 0.45, 0.25
_POCKET_MM, _POCKET_DEEPEST_MM = 0.1, 0.25
_POCKET_RAYS, _POCKET_WIDEST, _POCKET_MARGIN = 6, 58, 2
_POCKET_ORDER, _POCKET_SCALE_MM = 3, 0.06
_MOUTH_DEEPER = 0.5
"""Share of the usual depth of the border by which a wide mouth bulges out of the rest at least."""
_SMOOTH_LUMEN, _SMOOTH_MEMBRANE = 0.8, 1.2
_UNSEEN_WEIGHT = 0.05
_DOUBT_RANGE = 30


@dataclass(frozen=True, slots=True)
class Traced:
    """Borders of consecutive frames; arrays (n_frames, N_RAYS) unless stated, depths in samples.

    Attributes
    ----------
    lumen, membrane
        Depths of the borders; NaN in frames without a picture.
    bridged
        Rays of the lumen carried over a wire's shadow or a branch mouth.
    wire, pocket, shadow
        Rays behind the guidewire, over a branch mouth, and with little echo behind the lumen border.
    rise
        Grey levels between blood and wall.
    ring
        Grey levels between media and adventitia, averaged over neighbouring rays.
    doubt
        Expected distance to the true border by the cost alone, lumen and membrane, (n_frames, 2), samples.
    astray
        Lumen at the end of the picture or far from those of the frames around, (n_frames,).
    """

    lumen: FloatArray
    membrane: FloatArray
    wire: BoolArray
    pocket: BoolArray
    shadow: BoolArray
    rise: FloatArray
    ring: FloatArray
    doubt: FloatArray
    astray: BoolArray

    @classmethod
    def nothing(cls, n_frames: int) -> Traced:
        """No border in any frame."""
        rays = (n_frames, N_RAYS)
        no = np.zeros(rays, dtype=np.bool_)
        none = np.full(rays, np.nan)
        return cls(
            none,
            none.copy(),
            no,
            no.copy(),
            no.copy(),
            none.copy(),
            none.copy(),
            np.full((n_frames, 2), np.nan),
            np.zeros(n_frames, dtype=np.bool_),
        )


def trace(pictures: PolarBlock, usable: BoolArray, core: slice, learnt: Learnt) -> Traced:
    """Borders of the frames `core` of a block; the others are neighbours. `usable`: the frame carries a picture."""
    voted, greys = _all_votes(pictures, usable, learnt)
    numbers = range(core.start, core.stop)
    found = Traced.nothing(len(numbers))
    membrane_costs: dict[int, Floats] = {}

    def joint(t: int) -> Floats:
        near = [voted[s] for s in (t - 1, t + 1) if 0 <= s < len(pictures) and usable[s]]
        return _with_neighbours(voted[t], near, learnt.likeness)

    for row, t in enumerate(numbers):
        if not usable[t]:
            continue
        _trace_lumen(found, row, joint(t), greys[t], thin_picture(pictures[t]), learnt, learnt.to_sample)
    _look_again(found, core.start, joint, greys, pictures, learnt)
    for row, t in enumerate(numbers):
        if not usable[t]:
            continue
        membrane_costs[row] = eem.membrane_cost(
            greys[t],
            found.lumen[row],
            learnt.spread,
            np.where(found.shadow[row] | found.pocket[row], 0.0, 1.0),
            learnt.to_sample,
            learnt.mm_per_sample,
        )
    for row, t in enumerate(numbers):
        if usable[t]:
            costs = [membrane_costs[s] for s in (row - 1, row + 1) if s in membrane_costs]
            _trace_membrane(
                found, row, _with_neighbours(membrane_costs[row], costs, learnt.likeness), pictures[t], learnt
            )
    return found


def _all_votes(pictures: PolarBlock, usable: BoolArray, learnt: Learnt) -> tuple[list[Floats], list[Bytes]]:
    greys = [smooth_grey(picture) for picture in pictures]
    shared = shared_speckle(pictures) if usable.all() else _shared_in_runs(pictures, usable)
    voted = []
    for grey, own in zip(greys, shared, strict=True):
        levelled, factor = level_share(own, usual_share(own, learnt.mm_per_sample), learnt.share, learnt.null)
        voted.append(lumen.votes(grey, levelled, learnt.model, 1.0 / factor))
    return voted, greys


def _shared_in_runs(pictures: PolarBlock, usable: BoolArray) -> Bytes:
    """Shared speckle within each run of usable frames; none elsewhere."""
    out = np.full((len(pictures), N_RAYS, pictures.shape[2]), 128, dtype=np.uint8)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], usable, [False]]).astype(np.int8)))
    for start, stop in edges.reshape(-1, 2):
        out[start:stop] = shared_speckle(pictures[start:stop])
    return out


@compiled
def _blend(here: Floats, other: Floats, weight: float) -> None:
    w = np.float32(weight)
    for a in range(here.shape[0]):
        for j in range(here.shape[1]):
            if here[a, j] < 500.0:
                here[a, j] += w * min(other[a, j], np.float32(5.0))


def _with_neighbours(here: Floats, near: list[Floats], likeness: float) -> Floats:
    """Costs or votes with a share of the neighbouring frames', as far as those look alike."""
    weight = 0.5 * max(0.0, likeness - 0.3) / 0.7
    if not near or weight < 0.05:
        return here
    total = here.copy()
    for other in near:
        _blend(total, other, weight)
    total *= np.float32(1.0 / (1.0 + weight * len(near)))
    return total


def _look_again(
    found: Traced,
    first: int,
    joint: Callable[[int], Floats],
    greys: list[Bytes],
    pictures: PolarBlock,
    learnt: Learnt,
) -> None:
    """Draw borders that ran away or leapt again, near those of the frames around, and keep what stands at a wall."""
    astray = second_look.run_away(found.lumen, learnt.to_sample)
    usual = second_look.usual_border(found.lumen, astray)
    suspect = astray | second_look.leapt(found.lumen, usual)
    if not suspect.any():
        return
    steady = found.rise[~suspect & np.isfinite(found.lumen).all(axis=1)]
    usual_rise = float(np.median(steady)) if len(steady) else learnt.spread
    for row in np.flatnonzero(suspect).tolist():
        t = first + row
        again = Traced.nothing(1)
        if np.isfinite(usual[row]).all():
            voted, ends = second_look.within_band(joint(t), usual[row], learnt.to_sample, learnt.mm_per_sample)
        else:
            voted = joint(t)
            ends = np.minimum(learnt.to_sample, int(second_look.CLOSED_WITHIN_MM / learnt.mm_per_sample))
        _trace_lumen(again, 0, voted, greys[t], thin_picture(pictures[t]), learnt, ends)
        heard = ~(again.wire[0] | again.pocket[0])
        found.astray[row] = True
        if second_look.wall_found(again.rise[0], found.rise[row], usual_rise, heard=heard):
            for field in ("lumen", "wire", "pocket", "shadow", "rise", "doubt"):
                getattr(found, field)[row] = getattr(again, field)[0]
            found.astray[row] = False


def _trace_lumen(
    found: Traced, row: int, voted: Floats, grey: Bytes, thin: Bytes, learnt: Learnt, ends: IntArray
) -> None:
    silent, nearest = learnt.ring.end, learnt.nearest
    heard = np.ones(N_RAYS)
    path, cost = lumen.lumen_path(voted, silent, nearest, ends, heard)
    depths = path.astype(np.float64)
    mm = learnt.mm_per_sample
    shadow = _shadow(grey, depths, learnt)
    wire = _wire(depths, shadow, mm)
    if wire.any():
        heard[wire] = 0.0
        path, cost = lumen.lumen_path(voted, silent, nearest, ends, heard)
    pocket, shape = _pocket(path.astype(np.float64), wire, mm)
    if pocket.any():
        heard[pocket] = 0.0
        path, cost = lumen.lumen_path(voted, silent, nearest, ends, heard)
        path = np.where(pocket, np.rint((path + shape) / 2).astype(np.int64), path)
    level = edge_levels(learnt.clarity)[0]
    edge, _ = find_edges(thin, path, level, False)
    # Again about the first answer, so that both sides are looked at equally far from the edge.
    edge, rise = find_edges(thin, np.rint(edge).astype(np.int64), level, False)
    deaf = wire | pocket | (path < silent + 4)
    edge = np.where(deaf, path - 0.5, edge)
    weight = np.clip(rise / max(float(np.median(rise)), 1.0), 0.1, 1.5) * np.where(wire | pocket, _UNSEEN_WEIGHT, 1.0)
    found.lumen[row] = smooth_round(edge, weight, _SMOOTH_LUMEN)
    found.wire[row], found.pocket[row], found.rise[row] = wire, pocket, rise
    found.shadow[row] = shadow | wire
    found.doubt[row, 0] = expected_distance(cost, path, _DOUBT_RANGE)


def _shadow(grey: Bytes, path: FloatArray, learnt: Learnt) -> BoolArray:
    """Rays with little echo behind the border: mostly black there, or dark on average, or black farther back."""
    mm = learnt.mm_per_sample
    low, high = np.percentile(path, [30, 80])
    border = np.clip(path, low, high)
    behind = lumen.level_behind(grey, border, int(_SKIP_MM / mm), int(_DEPTH_MM / mm))
    black = lumen.dark_share(grey, border, int(_SKIP_MM / mm), int(_BLACK_MM / mm), _BLACK * learnt.behind)
    deep = lumen.level_behind(grey, border, int(DEEP_MM[0] / mm), int(DEEP_MM[1] / mm))
    shadow: BoolArray = (behind < SHADOWED * learnt.behind) | (black > _MOSTLY) | (deep < _DEEP_SHADOWED * learnt.deep)
    return shadow


def _wire(path: FloatArray, shadow: BoolArray, mm_per_sample: float) -> BoolArray:
    """Rays behind a guidewire: in shadow, the echo before the wall or none at all. Calcium's echo is the wall."""
    wire = np.zeros(len(path), dtype=np.bool_)
    dented = lumen.widened(shadow, 2) & (path - _round_median(path) < -_BEFORE_WALL_MM / mm_per_sample)
    narrow = [run for run in lumen.runs_of_true(shadow) if _NARROWEST <= len(run) <= _WIDEST_BRIDGE]
    narrow += [run for run in lumen.runs_of_true(dented) if _NARROWEST <= len(run) <= _WIDEST_BRIDGE]
    for run in narrow:
        wide = lumen.widened(np.isin(np.arange(len(path)), run), _WIRE_MARGIN)
        whole = lumen.runs_of_true(wide)[0]
        off = (path[whole] - lumen.bridged(path, whole))[_WIRE_MARGIN:-_WIRE_MARGIN]
        if np.median(np.abs(off)) > _BEFORE_WALL_MM / mm_per_sample:
            wire |= wide
    return wire


def _round_median(path: FloatArray) -> FloatArray:
    """Median over about a third of the circle around each ray."""
    middle: FloatArray = median_filter(path, size=2 * _WIDEST_BRIDGE // 3 * 2 + 1, mode="wrap")
    return middle


def _pocket(path: FloatArray, deaf: BoolArray, mm_per_sample: float) -> tuple[BoolArray, FloatArray]:
    """Rays where the border bulges out of the smooth shape of the rest (branch mouth, soft plaque), and that shape."""
    scale = _POCKET_SCALE_MM / mm_per_sample
    weight = np.where(deaf, 0.1, 1.0)
    shape = eem.inner_shape(path, weight, _POCKET_ORDER, scale)
    # A wide mouth draws a curve of this order after it; what bulges far out of an off-centre circle must not.
    bulge = np.maximum(path - eem.inner_shape(path, weight, 1, scale), 0.0)
    if bulge.max() > _MOUTH_DEEPER * float(np.median(path)):
        tight = eem.inner_shape(path, weight / (1.0 + (bulge / (2.0 * scale)) ** 2), _POCKET_ORDER, scale)
        pocket = _bulging(path, tight, _MOUTH_DEEPER * float(np.median(path)), mm_per_sample)
        if pocket.any():
            return pocket, tight
    return _bulging(path, shape, _POCKET_DEEPEST_MM / mm_per_sample, mm_per_sample), shape


def _bulging(path: FloatArray, shape: FloatArray, deepest: float, mm_per_sample: float) -> BoolArray:
    """Rays of bulges that are wide enough, not too wide, and somewhere deeper than `deepest` samples."""
    out = path - shape > _POCKET_MM / mm_per_sample
    pocket = np.zeros(len(path), dtype=np.bool_)
    for run in lumen.runs_of_true(out):
        if _POCKET_RAYS <= len(run) <= _POCKET_WIDEST and float((path - shape)[run].max()) > deepest:
            pocket[run] = True
    return lumen.widened(pocket, _POCKET_MARGIN)


def _trace_membrane(found: Traced, row: int, cost: Floats, picture: Bytes, learnt: Learnt) -> None:
    path = thinned_path(cost, eem.MAX_STEP, eem.STIFFNESS)
    rays = np.arange(N_RAYS)
    unsure = found.shadow[row] | found.pocket[row]
    weight = np.maximum(0.0, -cost[rays, path]) * np.where(unsure, 0.0, 1.0)
    shape = eem.smooth_shape(path.astype(np.float64), weight)
    cost = cost + eem.away_from(shape, cost.shape[1])
    path = closed_path(cost, eem.MAX_STEP, eem.STIFFNESS)
    edge, _ = find_edges(thin_picture(picture), path, edge_levels(learnt.clarity)[1], True)
    edge = np.where(unsure, path - 0.5, edge)
    found.membrane[row] = smooth_round(edge, np.where(unsure, _UNSEEN_WEIGHT, 1.0), _SMOOTH_MEMBRANE)
    found.ring[row] = smooth_round(np.where(unsure, 0.0, -cost[rays, path] * learnt.spread), np.ones(N_RAYS), 3.0)
    found.doubt[row, 1] = expected_distance(cost, path, _DOUBT_RANGE)


@compiled
def expected_distance(cost: Floats, path: IntArray, reach: int) -> float:
    """Mean over the rays of the expected distance to the path, in samples.

    A depth is as likely as its cost says, summed with that of the two neighbouring rays.
    """
    n_rays, n = cost.shape
    total = 0.0
    for a in range(n_rays):
        mass, moment = 0.0, 0.0
        least = np.inf
        for turn in range(2):
            for k in range(-reach, reach + 1):
                value = 0.0
                for s in range(-1, 2):
                    b = (a + s) % n_rays
                    value += cost[b, min(max(path[b] + k, 0), n - 1)]
                if turn == 0:
                    least = min(least, value)
                else:
                    w = np.exp(least - value)
                    mass += w
                    moment += w * abs(k)
        total += moment / mass
    return float(total / n_rays)
