"""Truth against formulas worked by hand, shapely, and the picture itself."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from scipy.ndimage import map_coordinates
from shapely.geometry import LineString, Point, Polygon

from boreline.columns import CONTOURS, FRAMES, SECTORS
from boreline.flags import Flag, parse_flags
from boreline.model import SectorKind, Structure
from boreline_phantoms import Scene, Truth, scenes, write_scene
from boreline_phantoms.anatomy import ANGLES_RAD, STRUT_MM
from boreline_phantoms.curves import chords_through, curve_area_centroid
from boreline_phantoms.exact import Ellipse
from boreline_phantoms.random_scenes import random_scene
from boreline_phantoms.truth import contours_table, frames_table
from boreline_phantoms.vessel import VesselContent


def content(scene: Scene) -> VesselContent:
    assert isinstance(scene.content, VesselContent)
    return scene.content


def polygon_mm(scene: Scene, truth: Truth, structure: Structure, frame: int) -> Polygon:
    return Polygon((truth.contours[structure].polygon(frame) - scene.picture.centre_px) * scene.picture.mm_per_px)


# ----------------------------------------------------------------------------------------------- formulas


def test_published_cylinders() -> None:
    """Diameters 1.51 to 5.04 mm (Imura et al.); areas by pi d^2 / 4, worked by hand."""
    areas = {1.51: 1.79079, 2.03: 3.23655, 3.04: 7.25834, 4.04: 12.81895, 5.04: 19.95037, 3.08: 7.45060}
    for diameter, area in areas.items():
        truth = scenes.get(f"cylinder-{diameter:.2f}").with_(frames=2).truth()
        assert truth.columns["lumen_area_mm2"] == pytest.approx(area, abs=1e-4)
        assert truth.columns["lumen_min_diameter_mm"] == pytest.approx(diameter)


def test_step_tube_steps() -> None:
    areas = scenes.get("step-tube").truth().columns["lumen_area_mm2"]
    assert [round(float(d), 2) for d in np.sqrt(np.unique(areas) * 4 / np.pi)] == [1.51, 2.03, 3.04, 4.04, 5.04]
    assert np.all(np.diff(areas) >= 0)


@pytest.mark.parametrize("aspect", [1.0, 1.3])
def test_ellipse_against_shapely(aspect: float) -> None:
    scene = scenes.ellipse(4.0, 3.0, 25.0, off_centre=0.35, aspect=aspect).with_(frames=1)
    truth = scene.truth()
    shape = polygon_mm(scene, truth, Structure.LUMEN, 0)
    assert truth.columns["lumen_area_mm2"][0] == pytest.approx(np.pi * 3.0)
    assert shape.area == pytest.approx(np.pi * 3.0, rel=2e-4)  # a polygon of 256 corners reads 0.01 % small
    assert np.hypot(shape.centroid.x, shape.centroid.y) == pytest.approx(0.35 * 1.5, abs=1e-4)


def test_curve_measures_are_exact() -> None:
    """An off-centre ellipse: area pi a b to machine precision, centroid its centre, chords its axes."""
    points = Ellipse(4.0, 3.0, 20.0, 0.7, -0.4).points(128)
    area, centre = curve_area_centroid(points)
    assert float(area) == pytest.approx(np.pi * 3.0, rel=1e-13)
    assert centre == pytest.approx([0.7, -0.4], abs=1e-12)
    assert chords_through(Ellipse(4.0, 3.0, 20.0, 0.7, -0.4).points(2048), centre) == pytest.approx((3, 4), abs=1e-3)


def test_oblique_cut_of_a_round_tube() -> None:
    """A catheter tilted by t shows area / cos t: 20 degrees + 6.4 % (worked by hand)."""
    scene = scenes.get("even-tube").with_(frames=3)
    plan, motion = content(scene).plan, replace(content(scene).motion, tilt_deg=0.0)
    upright = replace(scene, content=replace(content(scene), motion=motion))
    tilted = replace(scene, content=VesselContent(plan, replace(motion, tilt_deg=20.0), content(scene).physics))
    shown, true = (s.truth().columns["lumen_area_mm2"] for s in (tilted, upright))
    tilt = np.deg2rad(tilted.truth().motion["tilt_deg"])
    assert shown / true == pytest.approx(1 / np.cos(tilt), rel=1e-9)
    assert tilted.truth().motion["vessel_lumen_area_mm2"] == pytest.approx(true, rel=1e-9)


def test_motor_positions() -> None:
    scene = scenes.get("still-ends").with_(frames=100)
    truth = scene.truth()
    assert Flag.BEFORE_PULLBACK in truth.flags[0]
    assert Flag.AFTER_PULLBACK in truth.flags[-1]
    moved = truth.motion["commanded_mm"]
    assert np.ptp(moved[:31]) == 0
    times = scene.times_s()
    assert moved[79] == pytest.approx(times[79] - times[30])  # 1 mm/s


def test_manual_withdrawal_stops_and_turns_back() -> None:
    step = np.diff(scenes.get("manual").truth().motion["commanded_mm"])
    assert np.sum(step == 0) > 5
    assert np.sum(step < 0) > 3
    assert step.sum() > 10


# ------------------------------------------------------------------------------------- contours and columns

NAMES = ("vessel", "calcium-deep", "branches", "stent-small", "dissection", "oblique", "uneven", "touching", "twenty")


@pytest.fixture(scope="module")
def truths() -> dict[str, tuple[Scene, Truth]]:
    drawn = {name: scenes.get(name).with_(frames=60) for name in NAMES}
    drawn |= {f"random:{seed}": random_scene(seed, frames=30) for seed in range(20, 26)}
    return {name: (scene, scene.truth()) for name, scene in drawn.items()}


def test_columns_against_shapely(truths: dict[str, tuple[Scene, Truth]]) -> None:
    checked = 0
    for scene, truth in truths.values():
        for frame in range(0, scene.n_frames, 7):
            for structure in Structure:
                if not truth.contours[structure].present[frame]:
                    continue
                shape = polygon_mm(scene, truth, structure, frame)
                assert shape.is_valid
                area = float(truth.columns[f"{structure.value}_area_mm2"][frame])
                assert shape.area == pytest.approx(area, rel=1e-3)
                if structure is not Structure.STENT:
                    centre = np.array(shape.centroid.coords[0])
                    chords = []
                    for angle in np.linspace(0, np.pi, 90, endpoint=False):
                        ray = 20 * np.array([np.cos(angle), np.sin(angle)])
                        chords.append(shape.intersection(LineString([centre - ray, centre + ray])).length)
                    for name, chord in (("min", min(chords)), ("max", max(chords))):
                        value = float(truth.columns[f"{structure.value}_{name}_diameter_mm"][frame])
                        assert chord == pytest.approx(value, abs=0.012)
                checked += 1
    assert checked > 150


def test_order_of_borders(truths: dict[str, tuple[Scene, Truth]]) -> None:
    for scene, truth in truths.values():
        for frame in range(0, scene.n_frames, 11):
            lumen = polygon_mm(scene, truth, Structure.LUMEN, frame)
            assert lumen.contains(Point(0, 0)), "the catheter lies in the lumen"
            if truth.contours[Structure.EEM].present[frame]:
                assert polygon_mm(scene, truth, Structure.EEM, frame).buffer(1e-6).contains(lumen)


def test_eem_is_empty_exactly_when_hidden(truths: dict[str, tuple[Scene, Truth]]) -> None:
    hidden_frames = 0
    for _, truth in truths.values():
        hidden = truth.columns["eem_hidden_deg"] >= 90
        hidden_frames += hidden.sum()
        assert np.array_equal(hidden, np.isnan(truth.columns["eem_area_mm2"]))
        assert np.array_equal(hidden, ~truth.contours[Structure.EEM].present)
        flags = [bool(f & {Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW}) for f in truth.flags]
        assert np.array_equal(hidden, flags)
        area, plaque = truth.columns["eem_area_mm2"], truth.columns["plaque_area_mm2"]
        assert np.allclose((area - truth.columns["lumen_area_mm2"])[~hidden], plaque[~hidden])
    assert hidden_frames > 0


def test_calcium_arc_by_hand() -> None:
    """A deposit of 80 degrees about the axis of an even, centred tube is 80 degrees from its centre of mass."""
    base = scenes.get("even-tube").with_(frames=31)
    deposit = replace(content(scenes.get("calcium")).plan.calcium[0], arc_deg=80.0)
    plan = replace(content(base).plan, calcium=(deposit,), plaque_mm=0.03)
    scene = replace(base, content=replace(content(base), plan=plan))
    truth = scene.truth()
    assert truth.columns["calcium_arc_deg"].max() == pytest.approx(80.0, abs=2.5)
    assert truth.columns["calcium_arc_deg"][0] < 80.0
    sectors = truth.sectors
    rows = [i for i, kind in enumerate(sectors.kind) if kind is SectorKind.CALCIUM]
    assert sum(float(sectors.end_deg[i] - sectors.start_deg[i]) for i in rows) == pytest.approx(
        float(truth.columns["calcium_arc_deg"].sum())
    )


def test_branch_is_bridged(truths: dict[str, tuple[Scene, Truth]]) -> None:
    scene, truth = truths["branches"]
    frames = [i for i, flags in enumerate(truth.flags) if Flag.BRANCH in flags]
    assert frames
    for frame in frames[::5]:
        seen = truth.contours[Structure.LUMEN].seen_at(frame)
        assert 0 < np.sum(~seen) < len(seen) / 2
        assert (
            polygon_mm(scene, truth, Structure.LUMEN, frame).convex_hull.area
            < 1.12 * polygon_mm(scene, truth, Structure.LUMEN, frame).area
        ), "the pocket is not lumen"
        assert any(
            kind is SectorKind.BRANCH and number == frame
            for kind, number in zip(truth.sectors.kind, truth.sectors.frame, strict=True)
        )


def test_malapposition_of_the_plan(truths: dict[str, tuple[Scene, Truth]]) -> None:
    _, truth = truths["stent-small"]
    gap = truth.columns["malapposition_mm"]
    flagged = np.array([Flag.MALAPPOSED in flags for flags in truth.flags])
    assert np.nanmax(gap) > 0.4
    assert np.array_equal(flagged, np.nan_to_num(gap) > STRUT_MM + 0.1)
    stent = np.array([Flag.STENT in flags for flags in truth.flags])
    assert np.array_equal(stent, np.isfinite(truth.columns["stent_area_mm2"]))


def test_sectors_are_well_formed(truths: dict[str, tuple[Scene, Truth]]) -> None:
    for _, truth in truths.values():
        s = truth.sectors
        assert np.all((s.start_deg >= 0) & (s.start_deg < 360) & (s.end_deg > s.start_deg))
        assert np.all(s.end_deg <= s.start_deg + 360)
        assert np.all(np.diff(s.frame) >= 0)


def test_guide_aorta_and_blank_frames() -> None:
    truth = scenes.get("guide").truth()
    words = ["guide" if Flag.IN_GUIDE in f else "out" if Flag.OUTSIDE_VESSEL in f else "" for f in truth.flags]
    assert words.count("guide") == 96
    assert words.count("out") == 24
    assert sum(Flag.BLANK in f for f in truth.flags) == 12
    assert np.isnan(truth.columns["lumen_area_mm2"][-108:]).all()
    assert not truth.contours[Structure.LUMEN].present[-108:].any()


# --------------------------------------------------------------------------------------------- the picture


@pytest.mark.parametrize(("mhz", "structure", "tolerance_mm"), [(40.0, "lumen", 0.015), (60.0, "eem", 0.015)])
def test_the_edge_in_the_picture_is_where_the_truth_says(mhz: float, structure: str, tolerance_mm: float) -> None:
    """Mean power across the border, outwards: half-way from dark to bright lies at the border."""
    scene = scenes.get("healthy").with_(frames=12, mhz=mhz)
    assert isinstance(scene.content, VesselContent)
    physics = scene.content.physics
    contours = scene.truth().contours[Structure(structure)]
    offsets = np.arange(-0.12, 0.121, 0.01)
    profiles = []
    for frame, picture in enumerate(scene.frames()):
        points, seen = contours.polygon(frame), contours.seen_at(frame)
        clear = seen & (np.hypot(*((points - scene.picture.centre_px) * scene.picture.mm_per_px).T) > 1.0)
        along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        normal = np.stack([along[:, 1], -along[:, 0]], axis=-1) / np.hypot(*along.T)[:, None]
        spots = points[:, None] + normal[:, None] * (offsets / scene.picture.mm_per_px[0])[:, None]
        power = 10 ** (((picture / 255.0) ** (1 / physics.gamma) - 1) * physics.range_db / 10)
        profiles.append(map_coordinates(power, [spots[..., 1], spots[..., 0]], order=1)[clear])
    mean = np.concatenate(profiles).mean(axis=0)
    dark = mean[offsets < 0.01].min() if structure == "eem" else mean[:6].mean()
    half = (dark + mean.max()) / 2
    last_dark = np.flatnonzero(mean[: np.argmax(mean)] < half)[-1]
    edge = offsets[last_dark] + 0.01 * (half - mean[last_dark]) / (mean[last_dark + 1] - mean[last_dark])
    assert abs(edge) < tolerance_mm


# ------------------------------------------------------------------------------------------------- the files


def test_tables_of_the_contract(tmp_path: Path) -> None:
    scene = scenes.get("calcium").with_(frames=6, size=128)
    write_scene(scene, tmp_path / "run")
    folder = tmp_path / "run" / "truth"
    frames = pd.read_csv(folder / "frames.csv", keep_default_na=False)
    assert tuple(frames.columns) == FRAMES.names
    assert list(frames["frame"]) == [1, 2, 3, 4, 5, 6]
    assert all(parse_flags(cell) is not None for cell in frames["flags"])
    assert pq.read_table(folder / "contours.parquet").column_names == list(CONTOURS.names)
    assert pq.read_table(folder / "sectors.parquet").column_names == list(SECTORS.names)
    written = pd.read_parquet(folder / "contours.parquet")
    assert written["frame"].min() == 1
    lumen = written[(written.frame == 3) & (written.structure == "lumen")]
    assert np.allclose(lumen[["x_px", "y_px"]], scene.truth().contours[Structure.LUMEN].polygon(2))


def digest(scene: Scene) -> str:
    truth = scene.truth()
    text = frames_table(truth).to_csv(index=False) + contours_table(truth).round(3).to_csv(index=False)
    return hashlib.sha256(text.encode()).hexdigest()


def test_truth_follows_from_the_seed() -> None:
    scene = scenes.get("everything").with_(frames=12)
    assert digest(scene) == digest(scene.with_(seed=scene.seed))
    assert digest(scene) != digest(scene.with_(seed=scene.seed + 1))


def test_curves_are_sampled_at_equal_angles() -> None:
    assert np.allclose(np.diff(ANGLES_RAD), 2 * np.pi / len(ANGLES_RAD))
