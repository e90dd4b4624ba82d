"""Both borders of each frame of a block, as depths along `N_RAYS` rays."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from boreline.geometry.compiled import compiled
from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation import eem, gaps, lumen, second_look
from boreline.segmentation.bridging import across
from boreline.segmentation.clearer_edge import at_clearer_edge
from boreline.segmentation.edges import edge_levels, find_edges, smooth_round
from boreline.segmentation.eem_cost import membrane_cost
from boreline.segmentation.features import (
    N_RAYS,
    NOTHING_SHARED,
    Bytes,
    Floats,
    level_share,
    middle,
    smooth_grey,
    thin_picture,
    usual_share,
)
from boreline.segmentation.learning import Learnt, shared_speckle
from boreline.segmentation.polar import PolarBlock
from boreline.segmentation.surfaces import expected_distance

_SMOOTH_LUMEN_MM, _SMOOTH_LUMEN_RAYS = 0.1, (0.8, 3.2)
"""Along the border; and the least and the most rays: near the catheter they lie close together."""
_UNSEEN_WEIGHT = 0.05
_FARTHER = 1.08
"""How much wider a lumen is asked about."""


@dataclass(frozen=True, slots=True)
class Traced:
    """Borders of consecutive frames; arrays (n_frames, N_RAYS) unless stated, depths in samples.

    Attributes
    ----------
    lumen, membrane
        Depths of the borders; NaN in frames without a picture.
    wire, pocket, hidden, shadow
        Rays behind the guidewire, over a branch mouth, with the lumen border under the ring-down, and with little echo
        behind it.
    rise
        Grey levels between blood and wall.
    membrane_seen
        Rays on which the membrane shows.
    ring
        Grey levels between media and adventitia, averaged over neighbouring rays.
    doubt
        Expected distance to the true border by the cost alone, lumen and membrane, (n_frames, 2), samples.
    held_in
        What brightness says against a lumen border a little farther out, votes per heard ray, (n_frames,).
    astray
        Lumen at the end of the picture or far from those of the frames around, (n_frames,).
    """

    lumen: FloatArray
    membrane: FloatArray
    wire: BoolArray
    pocket: BoolArray
    hidden: BoolArray
    shadow: BoolArray
    rise: FloatArray
    membrane_seen: BoolArray
    ring: FloatArray
    doubt: FloatArray
    held_in: FloatArray
    astray: BoolArray

    @property
    def lumen_seen(self) -> BoolArray:
        """Rays on which the lumen border shows."""
        seen: BoolArray = ~(self.wire | self.pocket | self.hidden)
        return seen

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
            no.copy(),
            none.copy(),
            no.copy(),
            none.copy(),
            np.full((n_frames, 2), np.nan),
            np.full(n_frames, np.nan),
            np.zeros(n_frames, dtype=np.bool_),
        )


def trace(pictures: PolarBlock, usable: BoolArray, core: slice, learnt: Learnt) -> Traced:
    """Borders of the frames `core` of a block; the others are neighbours. `usable`: the frame carries a picture."""
    found = Traced.nothing(core.stop - core.start)
    greys = [smooth_grey(picture) for picture in pictures]
    thin = {t: thin_picture(pictures[t]) for t in range(core.start, core.stop) if usable[t]}
    _trace_lumens(found, pictures, usable, core.start, greys, thin, learnt)
    _trace_membranes(found, core.start, greys, thin, learnt)
    return found


def _trace_lumens(
    found: Traced,
    pictures: PolarBlock,
    usable: BoolArray,
    first: int,
    greys: list[Bytes],
    thin: dict[int, Bytes],
    learnt: Learnt,
) -> None:
    voted = _all_votes(pictures, usable, greys, learnt)

    def joint(t: int) -> Floats:
        near = [voted[s] for s in (t - 1, t + 1) if 0 <= s < len(pictures) and usable[s]]
        return _with_neighbours(voted[t], near, learnt.likeness)

    for t in thin:
        _trace_lumen(found, t - first, joint(t), greys[t], thin[t], learnt, learnt.to_sample)
    _look_again(found, first, joint, greys, thin, learnt)


def _trace_membranes(found: Traced, first: int, greys: list[Bytes], thin: dict[int, Bytes], learnt: Learnt) -> None:
    costs = {
        t: membrane_cost(greys[t], found.lumen[t - first], learnt.spread, learnt.to_sample, learnt.mm_per_sample)
        for t in thin
    }
    views = [
        eem.View(
            _with_neighbours(cost, [costs[s] for s in (t - 1, t + 1) if s in costs], learnt.likeness),
            greys[t],
            thin[t],
            found.wire[t - first],
            found.pocket[t - first],
            found.shadow[t - first],
        )
        for t, cost in costs.items()
    ]
    borders = eem.membrane_borders(
        views, spread=learnt.spread, clarity=learnt.clarity, mm_per_sample=learnt.mm_per_sample
    )
    for t, border in zip(costs, borders, strict=True):
        row = t - first
        found.membrane[row], found.ring[row], found.doubt[row, 1] = border.depth, border.ring, border.doubt
        found.membrane_seen[row] = border.seen


def _all_votes(pictures: PolarBlock, usable: BoolArray, greys: list[Bytes], learnt: Learnt) -> list[Floats]:
    shared = shared_speckle(pictures) if usable.all() else _shared_in_runs(pictures, usable)
    voted = []
    for grey, own in zip(greys, shared, strict=True):
        levelled, factor = level_share(own, usual_share(own, learnt.mm_per_sample), learnt.share, learnt.null)
        voted.append(lumen.votes(grey, levelled, learnt.model, 1.0 / factor, learnt.tail))
    return voted


def _shared_in_runs(pictures: PolarBlock, usable: BoolArray) -> Bytes:
    """Shared speckle within each run of usable frames; none elsewhere."""
    out = np.full((len(pictures), N_RAYS, pictures.shape[2]), NOTHING_SHARED, dtype=np.uint8)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], usable, [False]]).astype(np.int8)))
    for start, stop in edges.reshape(-1, 2):
        out[start:stop] = shared_speckle(pictures[start:stop])
    return out


def _with_neighbours(here: Floats, near: list[Floats], likeness: float) -> Floats:
    """Costs or votes with a share of the neighbouring frames', as far as those look alike."""
    weight = 0.5 * max(0.0, likeness - 0.3) / 0.7
    if not near or weight < 0.05:
        return here
    return _blended(here, near[0], near[-1], weight, len(near))


@compiled
def _blended(here: Floats, before: Floats, after: Floats, weight: float, n_near: int) -> Floats:
    first, second = np.float32(weight), np.float32(weight if n_near > 1 else 0.0)
    share, most = np.float32(1.0 / (1.0 + weight * n_near)), np.float32(5.0)
    out = np.empty_like(here)
    for a in range(here.shape[0]):
        row, one, other, mixed = here[a], before[a], after[a], out[a]
        for j in range(len(row)):
            added = first * min(one[j], most) + second * min(other[j], most)
            mixed[j] = (row[j] + added if row[j] < np.float32(500.0) else row[j]) * share
    return out


def _look_again(
    found: Traced,
    first: int,
    joint: Callable[[int], Floats],
    greys: list[Bytes],
    thin: dict[int, Bytes],
    learnt: Learnt,
) -> None:
    """Draw borders that ran away or leapt again, near those of the frames around, and keep what stands at a wall."""
    astray = second_look.run_away(found.lumen, learnt.to_sample)
    suspect = astray | second_look.leapt(found.lumen, astray)
    if not suspect.any():
        return
    present = np.isfinite(found.lumen).all(axis=1)
    before, good = found.lumen.copy(), present & ~astray
    steady = found.rise[~suspect & present]
    usual_rise = float(np.median(steady)) if len(steady) else learnt.spread
    for row in np.flatnonzero(suspect).tolist():
        t = first + row
        usual = second_look.usual_border(before, good, row)
        found.astray[row] = True
        for voted in _second_votes(t, joint, greys[t], learnt):
            if usual is not None:
                held, ends = second_look.within_band(voted, usual, learnt.to_sample, learnt.mm_per_sample)
            else:
                held = voted
                ends = np.minimum(learnt.to_sample, int(second_look.CLOSED_WITHIN_MM / learnt.mm_per_sample))
            again = Traced.nothing(1)
            _trace_lumen(again, 0, held, greys[t], thin[t], learnt, ends)
            heard = ~(again.wire[0] | again.pocket[0])
            if second_look.wall_found(again.rise[0], found.rise[row], usual_rise, heard=heard):
                for field in ("lumen", "wire", "pocket", "hidden", "shadow", "rise", "doubt", "held_in"):
                    getattr(found, field)[row] = getattr(again, field)[0]
                found.astray[row] = False
                break


def _second_votes(t: int, joint: Callable[[int], Floats], grey: Bytes, learnt: Learnt) -> Iterator[Floats]:
    """As before; then by brightness alone, which knows better where blood stands still and its speckle lasts."""
    yield joint(t)
    yield _votes_by_brightness(grey, learnt)


def _votes_by_brightness(grey: Bytes, learnt: Learnt) -> Floats:
    return lumen.votes(grey, grey, learnt.model, 0.0, learnt.tail)  # no trust in what stands in for shared speckle


def _trace_lumen(
    found: Traced, row: int, voted: Floats, grey: Bytes, thin: Bytes, learnt: Learnt, ends: IntArray
) -> None:
    silent, nearest = learnt.ring.end, learnt.nearest
    heard = np.ones(N_RAYS)
    by_grey = _votes_by_brightness(grey, learnt)

    def drawn() -> tuple[IntArray, Floats]:
        path, cost = lumen.lumen_path(voted, silent, nearest, ends, heard)
        return at_clearer_edge(path, by_grey, grey, heard, silent, learnt.spread), cost

    path, cost = drawn()
    depths = path.astype(np.float64)
    mm = learnt.mm_per_sample
    shadow = gaps.shadowed(grey, depths, learnt)
    wire = gaps.wire_shadow(depths, shadow, mm)
    if wire.any():
        heard[wire] = 0.0
        path, cost = drawn()
    pocket = gaps.mouth(path.astype(np.float64), wire, learnt.ring, mm)
    if pocket.any():
        heard[pocket] = 0.0
        path, cost = drawn()
    level = edge_levels(learnt.clarity)[0]
    edge, _ = find_edges(thin, path, level, False)
    # Again about the first answer, so that both sides are looked at equally far from the edge.
    edge, rise = find_edges(thin, np.rint(edge).astype(np.int64), level, False)
    deaf = wire | pocket | (path < silent + 4)
    edge = np.where(deaf, path - 0.5, edge)
    hidden, edge = gaps.under_halo(edge, wire | pocket, learnt.ring)
    edge = across(edge, wire | pocket, ~(wire | pocket | hidden))
    weight = np.clip(rise / max(middle(rise), 1.0), 0.1, 1.5) * np.where(wire | pocket | hidden, _UNSEEN_WEIGHT, 1.0)
    between_rays_mm = 2.0 * np.pi / N_RAYS * float(edge.mean()) * mm
    found.lumen[row] = smooth_round(
        edge, weight, float(np.clip(_SMOOTH_LUMEN_MM / between_rays_mm, *_SMOOTH_LUMEN_RAYS))
    )
    found.wire[row], found.pocket[row], found.rise[row] = wire, pocket, rise
    found.hidden[row] = hidden
    found.shadow[row] = shadow | wire
    found.doubt[row, 0] = expected_distance(cost, path)
    found.held_in[row] = lumen.held_in(by_grey, found.lumen[row], _FARTHER, heard)
