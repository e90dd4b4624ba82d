"""A second phantom, made otherwise than `boreline_phantoms`, to see whether the segmenter knows more than one physics.

Noise times a map of backscatter in polar coordinates, a symmetric Gaussian pulse and beam, the envelope, its logarithm.
No scatterers, no asymmetric pulse; blood is new in every frame, and tissue speckle correlates as exp(-dz^2 / 2 l^2).
It writes labelled folders, which every command on labelled runs takes:

    python benchmarks/segmentation/second_phantom.py OUT --seeds 1-18 --jobs 2
    python benchmarks/segmentation/second_phantom.py OUT --seeds 1-18 --measure RESULTS.json

Seeds 2 to 18, even, are among the runs that the confidence is fitted to; those from 101 on are for reporting only.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pydicom
from pydicom.uid import ExplicitVRLittleEndian, UltrasoundMultiFrameImageStorage, generate_uid
from scipy.ndimage import gaussian_filter1d

from boreline.benchmark.cases import MEASURED, open_case
from boreline.benchmark.segmenters import FOUND, bad_among_least_certain, coverage_pct, score
from boreline.model import Contours, Structure
from boreline.results.tables import write_contours
from boreline.segmentation.segmenter import SpeckleSurfaces

KINDS = ("easy", "bright60", "calcium", "guidewire", "branch", "touch", "soft", "low20", "mix")
N_RAYS, SIZE_PX, FIELD_MM, STEP_MM = 720, 512, 10.0, 0.006
N_FRAMES, FRAMES_S = 24, 30.0
RANGE_MM = np.arange(int(5.1 / STEP_MM)) * STEP_MM
ANGLE = np.arange(N_RAYS) * 2 * np.pi / N_RAYS
PX_MM = FIELD_MM / SIZE_PX
CELL_MM, BOX_MM = 0.015, 13.0
BLOOD_DB = {20: -19.0, 40: -13.0, 60: -6.0}
AXIAL_MM = {20: 0.055, 40: 0.032, 60: 0.02}  # standard deviations of the amplitude
LATERAL_MM = {20: (0.12, 0.05), 40: (0.06, 0.03), 60: (0.04, 0.02)}  # at the transducer, and per mm of range
BEAM_AT_MM = np.array([0.6, 1.2, 2.4, 4.8])
WIRE_HALF_RAD, WIRE_SHADOW_RAD = 0.07, 0.16


@dataclass(frozen=True)
class Vessel:
    """What a seed draws; angles in radians, levels in dB."""

    mhz: int
    blood_db: float
    plaque_db: float
    intima_db: float
    media_db: float
    adventitia_db: float
    outside_db: float
    media_mm: float
    lumen_mm: float
    wall_mm: float
    eccentric: float
    eccentric_at: float
    calcium: tuple[float, float, float] | None  # middle, width, depth into the wall (share)
    wire_at: float | None
    branch: tuple[float, float, float] | None  # direction, half width in mm, half length in mm


def harmonics(random, size, orders):
    """A small closed wave around the circle."""
    wave = np.zeros(N_RAYS)
    for order in orders:
        wave += size / order * (random.normal() * np.cos(order * ANGLE) + random.normal() * np.sin(order * ANGLE))
    return wave


def vessel_of(kind, random):
    """The vessel of a kind."""
    mhz = {"bright60": 60, "low20": 20}.get(kind, 40) if kind != "mix" else int(random.choice([20, 40, 60]))
    mixed = kind == "mix"
    blood = BLOOD_DB[mhz] + random.uniform(-2, 2)
    soft = kind == "soft" or (mixed and random.random() < 0.4)
    plaque = blood + random.uniform(-2, 1) if soft else random.uniform(-6, -2)
    lumen = random.uniform(1.1, 1.9)
    calcified = kind == "calcium" or (mixed and random.random() < 0.4)
    wired = kind == "guidewire" or (mixed and random.random() < 0.5)
    return Vessel(
        mhz=mhz,
        blood_db=blood,
        plaque_db=plaque,
        intima_db=plaque if soft else random.uniform(-4, 0),
        media_db=random.uniform(-26, -18),
        adventitia_db=random.uniform(-1, 4),
        outside_db=random.uniform(-10, -4),
        media_mm=random.uniform(0.10, 0.20),
        lumen_mm=lumen,
        wall_mm=random.uniform(0.25, 0.9 if lumen < 1.6 else 0.6),
        eccentric=random.uniform(0, 0.8),
        eccentric_at=random.uniform(0, 2 * np.pi),
        calcium=(random.uniform(0, 2 * np.pi), np.deg2rad(random.uniform(50, 170)), random.uniform(0.1, 0.6))
        if calcified
        else None,
        wire_at=random.uniform(0, 2 * np.pi) if wired else None,
        branch=(random.uniform(0, 2 * np.pi), random.uniform(0.35, 0.7), random.uniform(0.4, 0.9))
        if kind == "branch"
        else None,
    )


def seen_from(radii_mm, x_mm, y_mm):
    """Radii about the vessel's axis as radii about a catheter at (x, y)."""
    x, y = radii_mm * np.cos(ANGLE) - x_mm, radii_mm * np.sin(ANGLE) - y_mm
    return np.interp(ANGLE, np.arctan2(y, x), np.hypot(x, y), period=2 * np.pi)


def away(angle, middle):
    """Absolute angle between, radians."""
    return np.abs(np.arctan2(np.sin(angle - middle), np.cos(angle - middle)))


def backscatter(vessel, lumen, eem, x, y, patches, along_mm):
    """Level in dB on every (ray, range), what shadows take off, and which samples are tissue."""
    media = np.maximum(eem - vessel.media_mm, lumen + 0.02)
    depth, lumen, eem, media = RANGE_MM[None], lumen[:, None], eem[:, None], media[:, None]
    beyond = (vessel.adventitia_db - vessel.outside_db) * np.exp(-np.maximum(depth - eem, 0) / 0.35)
    level = np.where(depth > eem, vessel.outside_db + beyond, vessel.media_db)
    level = np.where(depth < media, vessel.plaque_db, level)
    level = np.where((depth < lumen + 0.12) & (depth < media), vessel.intima_db, level)
    tissue = depth >= lumen
    cell = [np.mod((place / 0.05).astype(int) + 130, 260) for place in (x, y)]
    level = level + np.where(tissue, patches[cell[0], cell[1]], 0.0)
    shadow = np.zeros(level.shape)
    if vessel.calcium is not None:
        middle, width, share = vessel.calcium
        hard = (away(ANGLE, middle) < width / 2)[:, None]
        front = lumen + share * np.maximum(media - lumen - 0.12, 0)
        level = np.where(hard & (depth >= front) & (depth < front + 0.15), 12.0, level)
        shadow = np.where(hard & (depth >= front + 0.15), -35.0, shadow)
    if vessel.branch is not None:
        direction, half_mm, long_mm = vessel.branch
        half_mm *= np.sqrt(max(0.0, 1 - (along_mm / long_mm) ** 2))
        out = x * np.cos(direction) + y * np.sin(direction) > 0
        across = np.abs(y * np.cos(direction) - x * np.sin(direction))
        if half_mm > 0.03:
            level = np.where(out & (across >= half_mm) & (across < half_mm + 0.25) & (depth > eem), -3.0, level)
            tissue = tissue & ~(out & (across < half_mm))
    level = np.where(tissue, level, vessel.blood_db)
    return level, shadow, tissue


def blurred(field, mhz, axial_mm):
    """The field (rays, ranges, 2) under pulse and beam, of unit power for unit backscatter."""
    near, per_mm = LATERAL_MM[mhz]
    field = gaussian_filter1d(field, axial_mm / STEP_MM, axis=1)
    beams = [
        gaussian_filter1d(field, (near + per_mm * r) / r / (2 * np.pi) * N_RAYS, axis=0, mode="wrap")
        for r in BEAM_AT_MM
    ]
    place = np.clip(np.interp(RANGE_MM, BEAM_AT_MM, np.arange(4)), 0, 3)
    low = np.minimum(place.astype(int), 2)
    share = (place - low)[None, :, None]
    at = np.arange(len(RANGE_MM))
    stacked = np.stack(beams)
    mixed = stacked[low, :, at].transpose(1, 0, 2) * (1 - share) + stacked[low + 1, :, at].transpose(1, 0, 2) * share
    rays = (near + per_mm * RANGE_MM) / np.maximum(RANGE_MM, 0.3) / (2 * np.pi) * N_RAYS
    gain = np.sqrt(2 * np.pi * (axial_mm / STEP_MM) * np.maximum(rays, 0.3))
    return mixed * gain[None, :, None]


def draw(kind, seed):
    """Frames (n, SIZE_PX, SIZE_PX), their lumen and EEM radii on the display (n, N_RAYS), and mm per frame."""
    random = np.random.default_rng((seed, KINDS.index(kind), 7))
    vessel, depth_mm = vessel_of(kind, random), RANGE_MM
    axial_mm = AXIAL_MM[vessel.mhz] * random.uniform(0.9, 1.1)
    per_frame_mm, length_mm = random.uniform(0.5, 2.0) / FRAMES_S, random.uniform(0.12, 0.22)
    along = np.arange(N_FRAMES) * per_frame_mm
    lumen_waves = [harmonics(random, 0.05 * vessel.lumen_mm, (2, 3, 4)) for _ in range(2)]
    eem_waves = [harmonics(random, 0.015, (2, 3)) for _ in range(2)]
    taper, pulsation, beats_s = random.normal() * 0.1, random.uniform(0, 0.02), random.uniform(1, 1.5)
    off_centre, off_at, swing_mm = random.uniform(0, 0.6), random.uniform(0, 2 * np.pi), random.uniform(0, 0.1)
    turn = np.deg2rad(random.normal() * 0.9)
    sheath, ring_mm, ring_db = random.uniform(0.45, 0.55), random.uniform(0.08, 0.25), random.uniform(-3, 6)
    loss = random.uniform(1.5, 4.0) * vessel.mhz / 40
    noise_db, range_db = random.uniform(-55, -45), random.uniform(40, 60)
    gamma, gain_db = random.uniform(0.8, 1.3), random.uniform(-14, -3)
    knots = np.arange(-3 * length_mm, along[-1] + 4 * length_mm, length_mm / 1.5)
    cells = int(BOX_MM / CELL_MM)
    clouds = [random.standard_normal((cells, cells, 2)).astype(np.float32) for _ in knots]
    patches = cv2.GaussianBlur(random.standard_normal((260, 260)), (0, 0), 6)
    patches *= random.uniform(1.5, 4) / patches.std()
    ring = gaussian_filter1d(random.standard_normal((N_RAYS, len(depth_mm), 2)), 3, axis=1) * 3
    ring *= (10 ** ((ring_db - 20 * np.maximum(depth_mm - sheath, 0) / ring_mm) / 20) * (depth_mm > 0.75 * sheath))[
        :, None
    ]
    x_px, y_px = np.meshgrid(*[(np.arange(SIZE_PX) - (SIZE_PX - 1) / 2) * PX_MM] * 2)
    far_mm, towards = np.hypot(x_px, y_px), np.mod(np.arctan2(y_px, x_px), 2 * np.pi)
    frames, lumens, eems = [], [], []
    for i in range(N_FRAMES):
        share, beat = i / (N_FRAMES - 1), np.sin(2 * np.pi * beats_s * i / FRAMES_S)
        lumen = vessel.lumen_mm * (1 + taper * share) + lumen_waves[0] * (1 - share) + lumen_waves[1] * share
        lumen = lumen * (1 + pulsation * beat)
        wall = np.maximum(vessel.wall_mm * (1 + vessel.eccentric * np.cos(ANGLE - vessel.eccentric_at)), 0.12)
        eem = lumen + wall + vessel.media_mm + eem_waves[0] * (1 - share) + eem_waves[1] * share
        eem = np.maximum(eem, lumen + vessel.media_mm + 0.08)
        room = max(lumen.min() - sheath - 0.02, 0.0)
        off = room if kind == "touch" else min(off_centre * vessel.lumen_mm, room)
        x_mm = off * np.cos(off_at) + (0.0 if kind == "touch" else swing_mm * beat)
        y_mm = off * np.sin(off_at)
        lumen, eem = seen_from(lumen, x_mm, y_mm), seen_from(eem, x_mm, y_mm)
        x, y = depth_mm * np.cos(ANGLE)[:, None] + x_mm, depth_mm * np.sin(ANGLE)[:, None] + y_mm
        level, shadow, tissue = backscatter(vessel, lumen, eem, x, y, patches, along[i] - along[N_FRAMES // 2])
        if vessel.wire_at is not None:
            off_wire, at_mm = away(ANGLE, vessel.wire_at + 0.02 * i)[:, None], min(sheath + 0.18, lumen.min() + 0.3)
            level = np.where((off_wire < WIRE_HALF_RAD) & (np.abs(depth_mm - at_mm) < 0.03), 18.0, level)
            shadow = np.where((off_wire < WIRE_SHADOW_RAD) & (depth_mm > at_mm + 0.05), -40.0, shadow)
        lost = np.cumsum(np.where(tissue, loss, 0.3), axis=1) * STEP_MM - 0.6 * loss * depth_mm
        weights = np.exp(-(((along[i] - knots) / length_mm) ** 2))
        weights /= np.sqrt((weights**2).sum())
        cell = [np.mod((place / CELL_MM + cells / 2).astype(int), cells) for place in (x, y)]
        lasting = sum(w * cloud[cell[0], cell[1]] for w, cloud in zip(weights, clouds, strict=True) if w > 0.02)
        fresh = random.standard_normal((*x.shape, 2))
        amplitude = 10 ** ((level + shadow - lost) / 20)
        field = blurred(np.where(tissue[..., None], lasting, fresh) * amplitude[..., None], vessel.mhz, axial_mm)
        field = (
            field + ring + gaussian_filter1d(random.standard_normal(field.shape), 2, axis=1) * 2 * 10 ** (noise_db / 20)
        )
        power_db = 20 * np.log10(np.hypot(field[..., 0], field[..., 1]) + 1e-9)
        grey = np.clip((power_db + gain_db + range_db - 8) / range_db, 0, 1) ** gamma
        grey[:, depth_mm < 0.7 * sheath] = 0
        rows = np.mod((towards + turn * i) / (2 * np.pi) * N_RAYS, N_RAYS)
        closed = np.concatenate([grey, grey[:1]]).astype(np.float32)
        shown = cv2.remap(closed, (far_mm / STEP_MM).astype(np.float32), rows.astype(np.float32), cv2.INTER_LINEAR)
        frames.append(np.where(far_mm > FIELD_MM / 2, 0, np.rint(255 * shown)).astype(np.uint8))
        for found, radii in ((lumens, lumen), (eems, eem)):
            found.append(np.interp(ANGLE + turn * i, ANGLE, radii, period=2 * np.pi))
    return np.stack(frames), np.stack(lumens), np.stack(eems), per_frame_mm


def contours_of(structure, radii_mm):
    """Contours about the middle of the picture; `radii_mm` (n_frames, n_vertices) begin at +x."""
    n_frames, n = radii_mm.shape
    angle = np.arange(n) * 2 * np.pi / n
    xy_px = np.stack([radii_mm * np.cos(angle), radii_mm * np.sin(angle)], axis=-1) / PX_MM + (SIZE_PX - 1) / 2
    seen, origin = np.ones(n_frames * n, dtype=np.bool_), np.zeros(n_frames * n, dtype=np.uint8)
    return Contours(structure, np.arange(n_frames + 1) * n, xy_px.reshape(-1, 2).astype(np.float32), seen, origin)


def write(job):
    """Write one labelled folder."""
    folder, kind, seed = job
    if (folder / "tag").is_file():
        return
    frames, lumens, eems, per_frame_mm = draw(kind, seed)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    truth = {Structure.LUMEN: lumens, Structure.EEM: eems}
    contours = {structure: contours_of(structure, radii_mm[:, ::2]) for structure, radii_mm in truth.items()}
    contours[Structure.STENT] = Contours.empty(Structure.STENT, N_FRAMES)
    write_contours(contours, folder / "truth" / "contours.parquet")
    position = (N_FRAMES - 1 - np.arange(N_FRAMES)) * per_frame_mm
    rows = pd.DataFrame({"frame": np.arange(1, N_FRAMES + 1), "position_mm": position, "flags": ""})
    rows.to_csv(folder / "truth" / "frames.csv", index=False)
    write_dicom(folder / "run.dcm", frames, per_frame_mm)
    (folder / "tag").write_text(kind, encoding="utf-8")


def write_dicom(path, frames, per_frame_mm):
    """An uncompressed ultrasound multi-frame file with a calibrated region."""
    ds = pydicom.Dataset()
    ds.file_meta = pydicom.dataset.FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
    ds.PatientID, ds.PatientName, ds.Modality = "second phantom", "Synthetic", "IVUS"
    ds.NumberOfFrames, ds.Rows, ds.Columns = frames.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PixelRepresentation = 1, "MONOCHROME2", 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 8, 8, 7
    ds.FrameIncrementPointer, ds.FrameTime = 0x00181063, f"{1000 / FRAMES_S:.3f}"
    ds.IVUSAcquisition, ds.IVUSPullbackRate = "MOTOR_PULLBACK", f"{per_frame_mm * FRAMES_S:.4f}"
    region = pydicom.Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionFlags = region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1 = region.RegionLocationMaxY1 = SIZE_PX - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = PX_MM / 10
    region.ReferencePixelX0 = region.ReferencePixelY0 = SIZE_PX // 2
    region.ReferencePixelPhysicalValueX = region.ReferencePixelPhysicalValueY = 0.0
    ds.SequenceOfUltrasoundRegions = [region]
    ds.PixelData = frames.tobytes()
    ds["PixelData"].VR = "OB"
    ds.save_as(path, enforce_file_format=True)


def measured(folder):
    """Agreement of one folder's frames."""
    with open_case(folder) as labelled:
        found = SpeckleSurfaces().segment(labelled.run)
        parts = [score(labelled, found, structure).assign(structure=structure.value) for structure in MEASURED]
    kind = (folder / "tag").read_text(encoding="utf-8")
    return pd.concat(parts).assign(kind=kind, difficulty=kind)


def summary(rows):
    """Per structure and kind of vessel, and over all kinds."""
    out = {}
    for structure, table in rows.groupby("structure"):
        kinds = {str(kind): part for kind, part in table.groupby("kind")} | {"all": table}
        for kind, part in kinds.items():
            there = part[part["status"] == FOUND]
            error = 100 * (there["area_mm2"] / there["true_area_mm2"] - 1)
            out.setdefault(str(structure), {})[kind] = {
                "frames": len(part),
                "reported": len(there),
                "jaccard_median": round(float(there["jaccard"].median()), 4),
                "jaccard_10th_percentile": round(float(there["jaccard"].quantile(0.1)), 4),
                "area_error_pct_median": round(float(error.abs().median()), 2),
                "area_bias_pct_median": round(float(error.median()), 2),
                "bad_frames": int((there["jaccard"] < 0.9).sum()),
                "bad_among_least_certain": bad_among_least_certain(there) if (there["jaccard"] < 0.9).any() else None,
                "truth_in_interval_pct": round(coverage_pct(there), 1),
            }
    return out


def main():
    """Write the folders, and measure the segmenter on them if asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seeds", default="1-18", help="first-last")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--measure", type=Path, help="write agreement to this file")
    asked = parser.parse_args()
    first, last = (int(word) for word in asked.seeds.split("-"))
    wanted = [(kind, seed) for seed in range(first, last + 1) for kind in asked.kinds.split(",")]
    jobs = [(asked.out / f"{kind}_{seed}", kind, seed) for kind, seed in wanted]
    with ProcessPoolExecutor(asked.jobs) as pool:
        list(pool.map(write, jobs))
        if asked.measure is None:
            return
        rows = pd.concat(list(pool.map(measured, [folder for folder, _, _ in jobs])), ignore_index=True)
    found = {"seeds": asked.seeds, "frames_per_run": N_FRAMES, **summary(rows)}
    asked.measure.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(found["lumen"]["all"]), json.dumps(found["eem"]["all"]), sep="\n")


if __name__ == "__main__":
    main()
