"""Which samples are blood and which are wall, in a few frames of a run: first guesses, refined, and the best of them.

Nothing is known at first about how grey blood and wall are, or how much speckle neighbouring frames share in each. So
several first guesses are made. Each is refined by turns: draw the borders, count both cues on either side, draw again.
In the end that guess is kept whose sides differ most in the way in which blood and wall do: wall is the brighter and
the one whose speckle lasts. Last, borders by brightness alone are tried: where they are the clearer ones, this
run's shared speckle is not heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray, IntArray
from boreline.segmentation.edges import CLEAN
from boreline.segmentation.features import Bytes, Floats
from boreline.segmentation.lumen import (
    MAX_STEP,
    SMALLEST_LUMEN_MM,
    STIFFNESS,
    BloodModel,
    level_behind,
    lumen_path,
    votes,
)
from boreline.segmentation.ring_down import RingDown
from boreline.segmentation.surfaces import thinned_path

SHADOWED = 0.35
"""A ray whose mean level behind the border is less than this share of the usual one is in shadow."""
_HALF_SHADOWED = 0.6
"""Of the level behind the brightest tenth of rays: the least usual level, where most rays lie in shadow."""
_TURNS = 3
_LEVELS = 256
_WALL_FROM_MM, _WALL_TO_MM = 0.08, 0.5
_BLOOD_MARGIN_MM = 0.1
_BEHIND_MM = (0.28, 1.8)
_LEAST_FRAMES = 8
_AT_THE_END = 6  # samples
_ASTRAY_SHARE = 0.1
"""Frames with more of the border at the end of the picture (aorta, or run away) teach nothing."""
_SMOOTHING = 5.0  # grey levels
_LEAST_SHARE = 1e-3
_EDGE_MM = 0.2
_OUTSIDE_MM = (1.0, 3.5)
_LAYER_MM = 0.12
_BEYOND_LAYER_MM = (0.22, 0.92)
_NEAR_MM = (0.05, 0.3)
_BETWEEN_MM = 0.2
_LEAST_BETWEEN = 1000
"""Samples between two borders from which their content is judged."""
_LASTING, _LEAST_LASTING = 0.3, 0.02
_SURELY_LASTING = 0.5
"""Divergence in shared speckle, of at most 0.69, that only blood and tissue show."""
_LASTS_AS_WALL = 0.55
"""Of the divergence between blood and wall."""
_AS_CHANCE = 10
"""Levels of shared speckle by which blood that surely changes may exceed chance."""
_SHARES_LITTLE, _EDGE_ENOUGH = 0.6, 0.65
_DARKER_BETWEEN = -0.03
_CLOSE_MERIT, _CLOSE_WHERE_TOLD = 0.65, 0.6
_SOME_MERIT = 0.5
_WRONG_WAY = 3.0
_CLEARER_EDGE, _CLEARER_MERIT, _CLEARER_WITHIN = 1.1, 0.95, 1.3
"""Of borders by brightness alone against those by both cues (tuning scenes)."""
_LEAST_HELD = 0.015
"""Share of all samples; with as few in blood, the two sides count half."""


@dataclass(frozen=True, slots=True)
class Sampled:
    """A few frames, and where they can be read.

    Attributes
    ----------
    grey, shared
        Smoothed grey and shared speckle, (n_frames, n_rays, n_samples).
    unshared
        What pictures without any speckle in common seem to share, any shape.
    """

    grey: Bytes
    shared: Bytes
    unshared: Bytes
    ring: RingDown
    to_sample: IntArray
    mm_per_sample: float

    @property
    def nearest(self) -> int:
        """The least depth of a border, in samples."""
        return max(self.ring.start, int(SMALLEST_LUMEN_MM / self.mm_per_sample))

    def thinned(self, step: int) -> Sampled:
        """Every `step`-th frame."""
        return replace(self, grey=self.grey[::step], shared=self.shared[::step])


@dataclass(frozen=True, slots=True)
class Guess:
    """Borders and what they tell apart.

    Attributes
    ----------
    model
        How blood and wall differ.
    paths
        Lumen borders, (n_frames, n_rays), samples.
    behind
        Usual grey level behind the border.
    lit
        Rays not in shadow, of frames whose border is closed, (n_frames, n_rays).
    blood, wall
        Samples surely inside, and just outside.
    held
        Share of all samples that lie surely inside.
    grey_nats, shared_nats
        Jensen-Shannon divergence of blood and wall; negative where blood is the brighter, or shares more.
    edge_nats
        That of grey just inside and just outside the border.
    astray
        Share of rays whose border lies at the end of the picture.
    radius_mm
        Mean distance of the border from the catheter's centre.
    narrower
        Logarithm of how much narrower the narrowest guess of some merit was; 0 where none was.
    """

    model: BloodModel
    paths: FloatArray
    behind: float
    lit: BoolArray
    blood: BoolArray
    wall: BoolArray
    held: float
    grey_nats: float
    shared_nats: float
    edge_nats: float
    astray: float
    radius_mm: float
    narrower: float = 0.0

    @property
    def merit(self) -> float:
        """How far the sides differ in the right way, less for borders that run out of the picture or hold no blood.

        And less for wide ones: around the lumen lie more borders of tissues that differ, and not the other way round.
        """
        apart = sum(nats if nats > 0 else _WRONG_WAY * nats for nats in (self.grey_nats, self.shared_nats))
        merit = (apart + self.edge_nats) * (1.0 - min(1.0, 3.0 * self.astray)) * self.held / (self.held + _LEAST_HELD)
        return merit / self.radius_mm if merit > 0 else merit * self.radius_mm


def best_guess(sampled: Sampled) -> Guess:
    """The best of the refined guesses; found on every second frame, then drawn in all."""
    few = sampled.thinned(2) if len(sampled.grey) >= 2 * _LEAST_FRAMES else sampled
    both = _by_brightness(few)
    speckle = BloodModel(np.zeros_like(both.by_grey), both.by_shared)
    lasting = _by_lasting_speckle(few)
    first = _refined(few, both, _TURNS)
    if clarity(few.grey, first.blood, first.wall) > CLEAN:
        return _refined(sampled, first.model, 1)  # a picture without speckle
    others = (lasting, speckle, _model(few, _edges(few)), _model(few, _near(few)), _by_thin_layer(few))
    guesses = [first, *(_refined(few, model, _TURNS) for model in others)]
    best = _choose(guesses, few)
    least = min(
        (guess.radius_mm for guess in guesses if guess.merit > _SOME_MERIT * best.merit), default=best.radius_mm
    )
    muted = _refined(few, best.model, _TURNS, muted=True)
    unheard = _clearer(few, muted, best)
    final = _refined(sampled, muted.model if unheard else best.model, 1, muted=unheard)
    return replace(final, narrower=max(0.0, float(np.log(best.radius_mm / least))))


def _by_brightness(sampled: Sampled) -> BloodModel:
    """Blood is the darker half just beyond the ring-down, wall the brightest sixth within reach."""
    grey, mm = sampled.grey, sampled.mm_per_sample
    near = max(sampled.ring.end, int(0.15 / mm)) + int(0.05 / mm)
    annulus = np.zeros(grey.shape, dtype=np.bool_)
    annulus[..., near : near + int(0.35 / mm)] = True
    reach = np.zeros(grey.shape, dtype=np.bool_)
    reach[..., near : near + int(3.2 / mm)] = True
    blood = annulus & (grey <= np.median(grey[annulus]))
    wall = reach & (grey >= np.percentile(grey[reach], 85))
    return _counted(sampled, blood, wall)


def _by_lasting_speckle(sampled: Sampled) -> BloodModel:
    """Blood shares no speckle with the next frame, and wall as much as most of what lies well outside does."""
    mm = sampled.mm_per_sample
    usual = sampled.shared[..., int(_OUTSIDE_MM[0] / mm) : int(_OUTSIDE_MM[1] / mm)]
    blood, wall = (shares_of(values, np.ones(values.shape, dtype=np.bool_)) for values in (sampled.unshared, usual))
    return BloodModel(np.zeros(_LEVELS, dtype=np.float32), log_ratio(blood, wall))


def _by_thin_layer(sampled: Sampled) -> BloodModel:
    """The catheter fills the lumen: blood is the darker half of a thin layer around it.

    The tail of its halo lasts, so speckle is left out.
    """
    mm = sampled.mm_per_sample
    depth = np.arange(sampled.grey.shape[2]) - sampled.ring.end
    first, last = (limit / mm for limit in _BEYOND_LAYER_MM)
    lit, _ = _lit(sampled, np.full(sampled.grey.shape[:2], float(sampled.ring.end) + _LAYER_MM / mm))
    layer = (depth > 0) & (depth < _LAYER_MM / mm) & lit[..., None]
    wall = (depth > first) & (depth < last) & lit[..., None]
    if layer.any():
        layer &= sampled.grey <= np.median(sampled.grey[layer])
    by_grey = log_ratio(shares_of(sampled.grey, layer), shares_of(sampled.grey, wall))
    return BloodModel(by_grey, np.zeros_like(by_grey))


def _near(sampled: Sampled) -> FloatArray:
    """Borders a little beyond the ring-down."""
    depth = sampled.ring.end + 0.35 / sampled.mm_per_sample
    return np.full(sampled.grey.shape[:2], depth)


def _edges(sampled: Sampled) -> FloatArray:
    """Borders along which the picture grows brighter outwards most, against just inside and against all inside."""
    ring_end, n = sampled.ring.end, sampled.grey.shape[2]
    width = max(3, int(_EDGE_MM / sampled.mm_per_sample))
    depth = np.arange(n)
    before, after = np.maximum(depth - width, 0), np.minimum(depth + width, n)
    spread = max(float(sampled.grey[:, :, ring_end : int(3.5 / sampled.mm_per_sample)].std()), 1.0)
    barred = (depth < ring_end)[None, :] | (depth[None, :] > sampled.to_sample[:, None])
    out = []
    for grey in sampled.grey:
        level = grey.astype(np.float32)
        level[:, :ring_end] = level[:, ring_end : ring_end + width].mean(axis=1, keepdims=True)
        sums = np.cumsum(np.pad(level, ((0, 0), (1, 0))), axis=1)
        outside = (sums[:, after] - sums[:, depth]) / np.maximum(after - depth, 1)
        just_inside = (sums[:, depth] - sums[:, before]) / np.maximum(depth - before, 1)
        all_inside = (sums[:, depth] - sums[:, [ring_end]]) / np.maximum(depth - ring_end, 1)
        rise = outside - 0.5 * just_inside - 0.5 * np.where(depth <= ring_end, outside, all_inside)
        cost = np.where(barred, 1e3, -rise / spread).astype(np.float32)
        out.append(thinned_path(np.ascontiguousarray(cost), MAX_STEP, STIFFNESS))
    return np.stack(out).astype(np.float64)


def _refined(sampled: Sampled, model: BloodModel, turns: int, *, muted: bool = False) -> Guess:
    """Borders by the model, counted again after each turn; by brightness alone where shared speckle is `muted`."""
    model = _muted(model) if muted else model
    heard = np.ones(sampled.grey.shape[1])
    for turn in range(turns + 1):
        paths = np.stack(
            [
                lumen_path(votes(g, s, model), sampled.ring.end, sampled.nearest, sampled.to_sample, heard)[0]
                for g, s in zip(sampled.grey, sampled.shared, strict=True)
            ]
        ).astype(np.float64)
        lit, behind = _lit(sampled, paths)
        blood, wall = _sides(sampled, paths, lit)
        if turn < turns:
            counted = _counted(sampled, blood, wall)
            model = _muted(counted) if muted else counted
    return Guess(
        model=model,
        paths=paths,
        behind=behind,
        lit=lit,
        blood=blood,
        wall=wall,
        held=float(blood.mean()),
        grey_nats=_contrast(sampled.grey, blood, wall),
        shared_nats=_contrast(sampled.shared, blood, wall),
        edge_nats=_contrast(sampled.grey, *_beside(sampled, paths, lit)),
        astray=float((paths > sampled.to_sample - _AT_THE_END).mean()),
        radius_mm=float(paths.mean()) * sampled.mm_per_sample,
    )


def _muted(model: BloodModel) -> BloodModel:
    return replace(model, by_shared=np.zeros_like(model.by_shared))


def _clearer(sampled: Sampled, muted: Guess, best: Guess) -> bool:
    """Whether borders by brightness alone stand at a clearer edge, not far off, and divide both cues as well.

    What lasts near the border may not be wall: speckle of blood that stands still, or what moves with the catheter. But
    where it lasts quite as the wall does, and blood not at all, it is plaque; and what changes quite as blood is blood.
    """
    as_good = muted.merit > _CLEARER_MERIT * best.merit > 0
    near = muted.radius_mm < _CLEARER_WITHIN * best.radius_mm
    if not (as_good and near and muted.edge_nats > _CLEARER_EDGE * best.edge_nats):
        return False
    outside = _between(sampled, best, muted)
    if outside is not None and _contrast(sampled.shared, best.blood, outside) > _SURELY_LASTING:
        return False
    inside = _between(sampled, muted, best)
    return inside is None or _contrast(sampled.shared, inside, best.wall) < _SURELY_LASTING


def _between(sampled: Sampled, inner: Guess, outer: Guess) -> BoolArray | None:
    """Samples between two guesses' borders where those lie well apart; None where there are few."""
    depth = np.arange(sampled.grey.shape[2])
    margin, least = _WALL_FROM_MM / sampled.mm_per_sample, _BETWEEN_MM / sampled.mm_per_sample
    wide = (outer.paths - inner.paths > least) & outer.lit
    between = (depth > inner.paths[..., None] + margin) & (depth < outer.paths[..., None] - margin) & wide[..., None]
    return between if between.sum() >= _LEAST_BETWEEN else None


def _choose(guesses: list[Guess], sampled: Sampled) -> Guess:
    """The guess of the most merit, unless one inside it shows that its blood holds tissue.

    Soft plaque may differ less from blood in brightness than from what lies behind, if not by much at the border. Its
    speckle lasts, though, as that of the wall does and that of blood does not. Where that is beyond doubt, brightness
    need not tell them apart at all.
    """
    chance = float(np.median(sampled.unshared))
    best = max(guesses, key=lambda guess: guess.merit)
    for inner in sorted(guesses, key=lambda guess: -guess.merit):
        if inner.merit < _CLOSE_WHERE_TOLD * best.merit or inner.paths.mean() >= best.paths.mean():
            continue
        if best.shared_nats > _SHARES_LITTLE * inner.shared_nats:
            continue
        between = _between(sampled, inner, best)
        if between is None:
            continue
        lasting = _contrast(sampled.shared, inner.blood, between)
        changes = bool(np.median(sampled.shared[inner.blood]) <= chance + _AS_CHANCE)
        told_by_speckle = changes and lasting > _LASTS_AS_WALL * inner.shared_nats
        close = inner.merit >= _CLOSE_MERIT * best.merit and inner.edge_nats >= _EDGE_ENOUGH * best.edge_nats
        if not (close or told_by_speckle):
            continue
        brighter = _contrast(sampled.grey, inner.blood, between)
        if lasting > max(_LASTING * inner.shared_nats, _LEAST_LASTING) and brighter > _DARKER_BETWEEN:
            best = inner
    return best


def _model(sampled: Sampled, paths: FloatArray) -> BloodModel:
    lit, _ = _lit(sampled, paths)
    return _counted(sampled, *_sides(sampled, paths, lit))


def _lit(sampled: Sampled, paths: FloatArray) -> tuple[BoolArray, float]:
    """Rays not in shadow, of frames whose border is closed, and the usual level behind the borders."""
    skip, depth = (int(mm / sampled.mm_per_sample) for mm in _BEHIND_MM)
    behind = np.stack([level_behind(g, path, skip, depth) for g, path in zip(sampled.grey, paths, strict=True)])
    usual = max(float(np.percentile(behind, 60)), _HALF_SHADOWED * float(np.percentile(behind, 90)))
    closed = (paths > sampled.to_sample - _AT_THE_END).mean(axis=1) <= _ASTRAY_SHARE
    if closed.sum() < _LEAST_FRAMES:
        closed[:] = True
    return (behind > SHADOWED * usual) & closed[:, None], usual


def _sides(sampled: Sampled, paths: FloatArray, lit: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Samples surely inside and just outside the borders, away from shadows."""
    mm = sampled.mm_per_sample
    depth = np.arange(sampled.grey.shape[-1])
    border, lit = paths[..., None], lit[..., None]
    blood = (depth < border - _BLOOD_MARGIN_MM / mm) & (depth > sampled.ring.end) & lit
    wall = (depth > border + _WALL_FROM_MM / mm) & (depth < border + _WALL_TO_MM / mm) & lit
    return blood, wall


def _beside(sampled: Sampled, paths: FloatArray, lit: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Samples close to the borders, inside and outside, away from shadows and the ring-down."""
    close, far = (limit / sampled.mm_per_sample for limit in _NEAR_MM)
    depth = np.arange(sampled.grey.shape[-1])
    outwards = depth - paths[..., None]
    near = (np.abs(outwards) > close) & (np.abs(outwards) < far) & lit[..., None]
    return near & (outwards < 0) & (depth > sampled.ring.end), near & (outwards > 0)


def _counted(sampled: Sampled, blood: BoolArray, wall: BoolArray) -> BloodModel:
    by_grey, by_shared = (
        log_ratio(shares_of(values, blood), shares_of(values, wall)) for values in (sampled.grey, sampled.shared)
    )
    return BloodModel(by_grey, by_shared)


def shares_of(values: Bytes, wanted: BoolArray) -> FloatArray:
    """Share of each level among the wanted samples, smoothed, never 0; (256,)."""
    counts = np.bincount(values[wanted], minlength=_LEVELS).astype(np.float64)
    smooth: FloatArray = gaussian_filter1d(counts, _SMOOTHING, mode="nearest")
    smooth += _LEAST_SHARE * max(counts.sum(), 1.0) / _LEVELS
    shares: FloatArray = smooth / smooth.sum()
    return shares


def log_ratio(blood: FloatArray, wall: FloatArray) -> Floats:
    """Log likelihood ratio of each level."""
    return np.log(blood / wall).astype(np.float32)


def clarity(grey: Bytes, blood: BoolArray, wall: BoolArray) -> float:
    """Step from blood to wall over the spread of grey in the wall; 0 without either."""
    if not (blood.any() and wall.any()):
        return 0.0
    levels = grey[wall].astype(np.float64)
    usual = float(np.median(levels))
    spread = 1.4826 * float(np.median(np.abs(levels - usual)))
    return (usual - float(np.median(grey[blood]))) / max(spread, 1.0)


def _contrast(values: Bytes, inner: BoolArray, outer: BoolArray) -> float:
    """Jensen-Shannon divergence, nats (0 to 0.69); negative where the inner values are the larger."""
    a, b = shares_of(values, inner), shares_of(values, outer)
    middle = (a + b) / 2
    apart = float(0.5 * (a * np.log(a / middle) + b * np.log(b / middle)).sum())
    levels = np.arange(_LEVELS)
    return apart if (b * levels).sum() >= (a * levels).sum() else -apart
