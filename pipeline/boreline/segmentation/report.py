"""From traced borders to the segmentation of a run: contours, sectors, exclusions, confidence and flags."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from boreline.flags import Flag
from boreline.geometry import radii_polygon_px
from boreline.geometry.compiled import compiled
from boreline.memory import give_back
from boreline.model import BoolArray, Contours, FloatArray, Run, SectorKind, Sectors, Segmentation, Structure
from boreline.segmentation.confidence import judge
from boreline.segmentation.features import N_RAYS, STRIDE
from boreline.segmentation.learning import Learnt
from boreline.segmentation.lumen import runs_of_true
from boreline.segmentation.polar import N_ANGLES, PolarSampler
from boreline.segmentation.trace import Traced

HIDDEN_LIMIT_DEG = 90.0
"""From here on the EEM is not reported (Mintz, JACC 2001;37:1478-92; from memory; exactly 90 counts as hidden)."""
BRANCH_LEAST_DEG = 15.0
LARGE_MOUTH_DEG = 60.0
"""A mouth that opens more than this of the EEM is a large branch: the EEM is not measured (own choice)."""
_OUT_OF_VIEW_SHARE = 0.1
_DOUBTFUL = 0.5
_SMOOTHING_FRAMES = 1.0
_STEADY_FRAMES = 3
_STEADY_LUMEN_FRAMES, _MUCH_ALIKE = 5, 0.65
"""Where neighbouring frames are so much alike that they lie close together, a lumen leaps for longer without cause."""
_LEAST_NATS = 0.05
_CHUNK_FRAMES = 250


def centre_of_mass(radii: FloatArray) -> FloatArray:
    """Centre of mass (..., 2) of borders given as radii (..., n) about the catheter, in the same unit."""
    angle = 2.0 * np.pi * np.arange(radii.shape[-1]) / radii.shape[-1]
    cubes = radii**3
    first = np.stack([(cubes * np.cos(angle)).sum(axis=-1), (cubes * np.sin(angle)).sum(axis=-1)], axis=-1)
    centre: FloatArray = first * (2.0 / 3.0) / (radii**2).sum(axis=-1)[..., None]
    return centre


def finer(radii: FloatArray) -> FloatArray:
    """Radii (n_frames, N_RAYS) on all N_ANGLES rays, by the periodic band-limited curve through them."""
    spectrum = np.fft.rfft(radii, axis=1)
    spectrum[:, -1] *= 0.5
    fine: FloatArray = np.fft.irfft(spectrum, n=N_ANGLES, axis=1) * STRIDE
    return fine


def along_the_run(radii: FloatArray, likeness: float, steady_frames: int = _STEADY_FRAMES) -> FloatArray:
    """Lightly smoothed over neighbouring frames, as far as those look alike; NaN frames part stretches."""
    sigma = _SMOOTHING_FRAMES * likeness**2
    if sigma < 0.2:
        return radii
    known = np.isfinite(radii).all(axis=1)
    out = radii.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    for start, stop in edges.reshape(-1, 2):
        steady = median_filter(radii[start:stop], size=(min(steady_frames, stop - start), 1), mode="nearest")
        out[start:stop] = gaussian_filter1d(steady, sigma, axis=0, mode="nearest", truncate=2.5)
    return out


def conclude(run: Run, sampler: PolarSampler, learnt: Learnt, traced: Traced, decoded: BoolArray) -> Segmentation:
    """Put the segmentation together; `decoded` (n_frames,) says which frames have pixels at all."""
    n = run.n_frames
    mm = learnt.mm_per_sample
    has_lumen: BoolArray = np.asarray(np.isfinite(traced.lumen).all(axis=1))
    steady = _STEADY_LUMEN_FRAMES if learnt.likeness > _MUCH_ALIKE else _STEADY_FRAMES
    lumen_mm = along_the_run(traced.lumen, learnt.likeness, steady) * mm
    membrane_mm = np.maximum(along_the_run(traced.membrane, learnt.likeness) * mm, lumen_mm + 0.05)
    beyond = traced.membrane > learnt.to_sample - 6
    eem_seen: BoolArray = np.asarray(traced.membrane_seen & ~beyond)
    lumen_seen = traced.lumen_seen
    flags: list[set[Flag]] = [set() for _ in range(n)]
    hidden_deg = np.full(n, np.nan)
    rows: list[tuple[int, SectorKind, float, float]] = []
    centres = np.concatenate([centre_of_mass(lumen_mm[k : k + _CHUNK_FRAMES]) for k in range(0, n, _CHUNK_FRAMES)])
    for i in range(n):
        if not decoded[i]:
            flags[i].add(Flag.DECODE_FAILED)
        if not has_lumen[i]:
            if decoded[i]:
                flags[i].add(Flag.BLANK)
            continue
        lumen_deg, eem_deg = _directions_deg(lumen_mm[i], centres[i]), _directions_deg(membrane_mm[i], centres[i])
        hidden_deg[i] = _swept_deg(eem_deg, ~eem_seen[i])
        open_deg = _swept_deg(eem_deg, traced.pocket[i] & ~eem_seen[i])
        if _swept_deg(lumen_deg, traced.pocket[i]) >= BRANCH_LEAST_DEG:
            flags[i].add(Flag.BRANCH)
        if hidden_deg[i] >= HIDDEN_LIMIT_DEG or open_deg >= LARGE_MOUTH_DEG:
            out_of_view = beyond[i].mean() > _OUT_OF_VIEW_SHARE
            flags[i].add(Flag.EEM_OUT_OF_VIEW if out_of_view else Flag.EEM_HIDDEN)
        for kind, rays in (
            (SectorKind.SHADOW, traced.shadow[i] & ~traced.wire[i]),
            (SectorKind.GUIDEWIRE, traced.wire[i]),
            (SectorKind.BRANCH, traced.pocket[i]),
        ):
            rows += [(i, kind, *_span_deg(lumen_deg, run_)) for run_ in runs_of_true(rays)]
    measurable = [not words & {Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW} for words in flags]
    has_eem: BoolArray = has_lumen & np.array(measurable, dtype=np.bool_)
    judged = judge(learnt, traced, lumen_mm, membrane_mm, lumen_seen, eem_seen)
    give_back()  # what judging took, before the contours of the whole run are made
    present = {Structure.LUMEN: has_lumen, Structure.EEM: has_eem}
    for structure, flag in ((Structure.LUMEN, Flag.LUMEN_DOUBTFUL), (Structure.EEM, Flag.EEM_DOUBTFUL)):
        for i in np.flatnonzero(present[structure] & (judged.chance[structure] < _DOUBTFUL)).tolist():
            flags[i].add(flag)
    none = np.full(n, np.nan)
    return Segmentation(
        contours={
            Structure.LUMEN: _contours(Structure.LUMEN, lumen_mm, lumen_seen, has_lumen, sampler),
            Structure.EEM: _contours(Structure.EEM, membrane_mm, eem_seen, has_eem, sampler),
            Structure.STENT: Contours.empty(Structure.STENT, n),
        },
        sectors=_sectors(rows),
        confidence={s: np.where(p, judged.chance[s], np.nan) for s, p in present.items()} | {Structure.STENT: none},
        area_sd_mm2={s: np.where(p, judged.area_sd_mm2[s], np.nan) for s, p in present.items()}
        | {Structure.STENT: none},
        eem_hidden_deg=hidden_deg,
        calcium_arc_deg=none,
        malapposition_mm=none,
        flags=tuple(frozenset(words) for words in flags),
        correlation_frames=judged.correlation_frames,
        learnt=learnt.record(),
        warnings=_warnings(learnt),
    )


@compiled
def _directions_deg(radii_mm: FloatArray, centre_mm: FloatArray) -> FloatArray:
    """Direction of each border point from the centre, 0 to 360 degrees."""
    angle = 2.0 * np.pi * np.arange(len(radii_mm)) / len(radii_mm)
    x, y = radii_mm * np.cos(angle) - centre_mm[0], radii_mm * np.sin(angle) - centre_mm[1]
    directions: FloatArray = np.degrees(np.arctan2(y, x)) % 360.0
    return directions


@compiled
def _swept_deg(directions_deg: FloatArray, rays: BoolArray) -> float:
    """Angle that the given rays cover together, each as wide as half the way to both neighbours."""
    n = len(directions_deg)
    total = 0.0
    for k in range(n):
        if rays[k]:
            across = directions_deg[(k + 1) % n] - directions_deg[k - 1]
            total += ((across + 180.0) % 360.0 - 180.0) / 2
    return min(max(total, 0.0), 360.0)


def _span_deg(directions_deg: FloatArray, run: np.ndarray) -> tuple[float, float]:
    if len(run) == len(directions_deg):
        return 0.0, 360.0
    half = 180.0 / N_RAYS
    start = float(directions_deg[run[0]] - half) % 360.0
    span = float((directions_deg[run[-1]] - directions_deg[run[0]]) % 360.0) + 2 * half
    return start, start + min(span, 360.0)


def _sectors(rows: list[tuple[int, SectorKind, float, float]]) -> Sectors:
    if not rows:
        return Sectors.empty()
    rows = sorted(rows, key=lambda row: (row[0], row[1].value, row[2]))
    frame, kind, start, end = zip(*rows, strict=True)
    return Sectors(np.array(frame, dtype=np.int64), kind, np.array(start), np.array(end), np.full(len(rows), np.nan))


def _contours(
    structure: Structure, radii_mm: FloatArray, seen: BoolArray, present: BoolArray, sampler: PolarSampler
) -> Contours:
    grid = sampler.grid
    offsets = np.concatenate([[0], np.cumsum(np.where(present, N_ANGLES, 0))]).astype(np.int64)
    n = int(offsets[-1])
    xy_px = np.empty((n, 2), dtype=np.float32)
    for first in range(0, len(present), _CHUNK_FRAMES):
        part = slice(first, first + _CHUNK_FRAMES)
        polygons = radii_polygon_px(finer(radii_mm[part][present[part]]), grid.calibration, grid.centre_px)
        xy_px[offsets[first] : offsets[min(first + _CHUNK_FRAMES, len(present))]] = polygons.reshape(-1, 2)
    vertex_seen = np.repeat(seen[present], STRIDE, axis=1).reshape(n)
    return Contours(structure, offsets, xy_px, vertex_seen, np.zeros(n, dtype=np.uint8))


def _warnings(learnt: Learnt) -> tuple[str, ...]:
    if learnt.grey_nats + learnt.shared_nats >= _LEAST_NATS:
        return ()
    return ("blood and wall hardly differ in this run, in brightness or in speckle: the lumen is a guess",)
