"""From traced borders to the segmentation of a run: polygons, sectors, exclusions, confidence and flags."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from boreline.flags import Flag
from boreline.geometry import radii_polygon_px
from boreline.model import BoolArray, Contours, FloatArray, JsonValue, Run, SectorKind, Segmentation, Structure
from boreline.segmentation.by_evidence.judgement import judge
from boreline.segmentation.by_evidence.sectors import angles_about_deg, frame_sectors, pack_sectors, swept_deg
from boreline.segmentation.by_evidence.tracing import EEM_SEEN, Learnt, Traced
from boreline.segmentation.polar import PolarSampler

HIDDEN_LIMIT_DEG = 90.0
"""From here on the EEM is not reported (Mintz, JACC 2001;37:1478-92; from memory; exactly 90 counts as hidden)."""
BRANCH_LEAST_DEG = 20.0
BRANCH_EEM_DEG = 40.0
"""A mouth wider than this opens the EEM: it is not measured (own choice for the trade's *large side branch*)."""
_EDGE_MM = 0.1
LEAST_NATS = 0.08
"""Blood and wall that differ by less than this in both cues together are not told apart: a warning is given."""


def conclude(
    run: Run, sampler: PolarSampler, learnt: Learnt, traced: Traced, *, decoded: BoolArray, blank: BoolArray
) -> Segmentation:
    """Put the segmentation together."""
    n = run.n_frames
    flags: list[set[Flag]] = [set() for _ in range(n)]
    hidden_deg = np.full(n, np.nan)
    branch_deg = np.zeros(n)
    eem_seen = np.zeros(traced.eem_mm.shape, dtype=np.bool_)
    rows: list[tuple[int, SectorKind, float, float, float]] = []
    reach_mm = np.where(sampler.in_region, np.arange(sampler.in_region.shape[1]), 0).max(axis=1) * learnt.mm_per_sample

    for i in range(n):
        if not decoded[i]:
            flags[i].add(Flag.DECODE_FAILED)
        elif blank[i]:
            flags[i].add(Flag.BLANK)
        if not np.isfinite(traced.lumen_mm[i]).all():
            continue
        lumen = traced.lumen_mm[i].astype(np.float64)
        eem = traced.eem_mm[i].astype(np.float64)
        centre = centre_of_mass_mm(lumen)
        about = angles_about_deg(eem, centre)
        eem_seen[i] = ~traced.shadow[i] & ~traced.pocket[i] & (traced.eem_score[i] > EEM_SEEN)
        hidden_deg[i] = swept_deg(about, ~eem_seen[i])
        branch_deg[i] = swept_deg(angles_about_deg(lumen, centre), traced.pocket[i])
        if branch_deg[i] >= BRANCH_LEAST_DEG:
            flags[i].add(Flag.BRANCH)
        out_of_view = eem > reach_mm - _EDGE_MM
        if out_of_view.mean() > 0.25:
            flags[i].add(Flag.EEM_OUT_OF_VIEW)
        if hidden_deg[i] >= HIDDEN_LIMIT_DEG:
            flags[i].add(Flag.EEM_HIDDEN)
        lumen_about = angles_about_deg(lumen, centre)
        for kind, rays in (
            (SectorKind.SHADOW, traced.shadow[i]),
            (SectorKind.GUIDEWIRE, traced.wire[i]),
            (SectorKind.BRANCH, traced.pocket[i]),
        ):
            rows.extend(frame_sectors(i, kind, rays, lumen_about))

    has_lumen = np.isfinite(traced.lumen_mm).all(axis=1)
    has_eem = has_lumen & np.array(
        [
            not (words & {Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW}) and branch_deg[i] < BRANCH_EEM_DEG
            for i, words in enumerate(flags)
        ],
        dtype=np.bool_,
    )
    lumen_seen = ~(traced.wire | traced.pocket | traced.blind)
    judgement = judge(learnt, traced, lumen_seen, eem_seen)
    for i in np.flatnonzero(judgement.doubtful(Structure.LUMEN) & has_lumen).tolist():
        flags[i].add(Flag.LUMEN_DOUBTFUL)
    for i in np.flatnonzero(judgement.doubtful(Structure.EEM) & has_eem).tolist():
        flags[i].add(Flag.EEM_DOUBTFUL)
    return Segmentation(
        contours={
            Structure.LUMEN: _contours(Structure.LUMEN, traced.lumen_mm, lumen_seen, has_lumen, sampler),
            Structure.EEM: _contours(Structure.EEM, traced.eem_mm, eem_seen, has_eem, sampler),
            Structure.STENT: Contours.empty(Structure.STENT, n),
        },
        sectors=pack_sectors(rows),
        confidence=_only(judgement.chance, has_lumen, has_eem),
        area_sd_mm2=_only(judgement.area_sd_mm2, has_lumen, has_eem),
        eem_hidden_deg=hidden_deg,
        calcium_arc_deg=np.full(n, np.nan),
        malapposition_mm=np.full(n, np.nan),
        flags=tuple(frozenset(words) for words in flags),
        correlation_frames=judgement.correlation_frames,
        learnt=_record(learnt),
        warnings=_warnings(learnt),
    )


def centre_of_mass_mm(radii_mm: FloatArray) -> FloatArray:
    """Centre of mass (x, y) of a border given as radii about the catheter."""
    angle = 2.0 * np.pi * np.arange(len(radii_mm)) / len(radii_mm)
    cubes, squares = radii_mm**3, radii_mm**2
    return np.array([(cubes * np.cos(angle)).sum(), (cubes * np.sin(angle)).sum()]) * (2.0 / 3.0) / squares.sum()


def _contours(
    structure: Structure, radii_mm: np.ndarray, seen: BoolArray, present: BoolArray, sampler: PolarSampler
) -> Contours:
    grid = sampler.grid
    polygons = radii_polygon_px(radii_mm[present].astype(np.float64), grid.calibration, grid.centre_px)
    n_angles = radii_mm.shape[1]
    offsets = np.concatenate([[0], np.cumsum(np.where(present, n_angles, 0))]).astype(np.int64)
    n = int(offsets[-1])
    return Contours(
        structure,
        offsets,
        polygons.reshape(n, 2).astype(np.float32),
        seen[present].reshape(n),
        np.zeros(n, dtype=np.uint8),
    )


def _only(
    values: Mapping[Structure, FloatArray], has_lumen: BoolArray, has_eem: BoolArray
) -> dict[Structure, FloatArray]:
    none = np.full(len(has_lumen), np.nan)
    return {
        Structure.LUMEN: np.where(has_lumen, values[Structure.LUMEN], np.nan),
        Structure.EEM: np.where(has_eem, values[Structure.EEM], np.nan),
        Structure.STENT: values.get(Structure.STENT, none),
    }


def _record(learnt: Learnt) -> dict[str, JsonValue]:
    return {
        "halo_from_mm": learnt.near_field.start * learnt.mm_per_sample,
        "halo_to_mm": learnt.near_field.end * learnt.mm_per_sample,
        "lumen_start": learnt.evidence.start,
        "brightness_nats": learnt.evidence.brightness_nats,
        "persistence_nats": learnt.evidence.persistence_nats,
        "level_behind_wall": learnt.evidence.behind,
        "mm_per_sample": learnt.mm_per_sample,
    }


def _warnings(learnt: Learnt) -> tuple[str, ...]:
    if learnt.evidence.nats >= LEAST_NATS:
        return ()
    return ("blood and wall hardly differ in this run, in brightness or in speckle: the lumen is a guess",)
