"""Result folders from synthetic arrays: a drawn run with its number in the picture, contours slightly off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import simplejpeg
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit, generate_uid

from boreline.model import Axis, AxisSource, Contours, FloatArray, Sectors, Segmentation, Structure
from boreline.profile.frames import frames_table
from boreline.profile.grid import profile_table
from boreline.reading import read_run
from boreline.results import AUTOMATIC, StageStatus, new_folder, put_json, put_tables, run_record, write_source

MULTI_FRAME = "1.2.840.10008.5.1.4.1.1.3.1"
NUMBER_BITS = 13
SQUARE_PX = 8


def lumen_radii_mm(n: int, frame: int, n_frames: int, *, n_rays: int = 128) -> FloatArray:
    angle = 2 * np.pi * np.arange(n_rays) / n_rays
    along = frame / max(n_frames - 1, 1)
    size = 1.6 - 0.9 * np.exp(-(((along - 0.5) / 0.12) ** 2)) + 0.1 * np.sin(20 * along)
    return np.asarray(size * (1 + 0.06 * np.sin(2 * angle + 6 * along) + 0.03 * np.cos(3 * angle)) + 0.0 * n)


def eem_radii_mm(frame: int, n_frames: int, *, n_rays: int = 128) -> FloatArray:
    angle = 2 * np.pi * np.arange(n_rays) / n_rays
    along = frame / max(n_frames - 1, 1)
    return np.asarray(2.3 + 0.1 * np.sin(5 * along) + 0.05 * np.cos(2 * angle))


def polygon(radii_mm: FloatArray, size: int, mm_per_px: float) -> FloatArray:
    angle = 2 * np.pi * np.arange(len(radii_mm)) / len(radii_mm)
    return np.asarray((size - 1) / 2 + radii_mm[:, None] / mm_per_px * np.column_stack([np.cos(angle), np.sin(angle)]))


def draw(frame: int, n_frames: int, size: int, mm_per_px: float) -> np.ndarray:
    random = np.random.default_rng(frame % 40)
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    radius = np.hypot(x, y) * mm_per_px
    ray = np.mod(np.arctan2(y, x), 2 * np.pi) * 128 / (2 * np.pi)
    lumen = np.interp(ray, np.arange(129), np.append(r := lumen_radii_mm(0, frame, n_frames), r[0]))
    eem = np.interp(ray, np.arange(129), np.append(r := eem_radii_mm(frame, n_frames), r[0]))
    level = np.where(radius < lumen, 18.0, np.where(radius < eem - 0.12, 90.0, np.where(radius < eem, 25.0, 120.0)))
    level = level * np.exp(-np.maximum(radius - eem, 0) / 1.5)
    level[radius < 0.4] = 0.0
    image = np.clip(level * random.rayleigh(0.8, level.shape), 0, 255).astype(np.uint8)
    for bit in range(NUMBER_BITS):
        image[:SQUARE_PX, bit * SQUARE_PX : (bit + 1) * SQUARE_PX] = 255 * (frame >> bit & 1)
    return image


def write_run(
    path: Path, *, n_frames: int, size: int, jpeg: bool = False, series: str = "Synthetic", name: str = "A^B"
) -> None:
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = MULTI_FRAME
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid(entropy_srcs=[str(path), str(n_frames)])
    ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit if jpeg else ExplicitVRLittleEndian
    ds.StudyInstanceUID = generate_uid(entropy_srcs=["study"])
    ds.SeriesInstanceUID = generate_uid(entropy_srcs=["series"])
    ds.Modality, ds.PatientName, ds.SeriesDescription = "IVUS", name, series
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.Rows, ds.Columns, ds.NumberOfFrames = size, size, n_frames
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    ds.FrameTime = "33.33"
    ds.FrameIncrementPointer = 0x00181063
    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 0
    region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1 = region.RegionLocationMaxY1 = size - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = 0.6 / size
    ds.SequenceOfUltrasoundRegions = [region]
    if jpeg:
        drawn = [
            simplejpeg.encode_jpeg(draw(f, n_frames, size, 6.0 / size)[..., None], 85, "GRAY") for f in range(n_frames)
        ]
        ds.LossyImageCompression = "01"
        ds.PixelData = encapsulate(drawn)
        ds["PixelData"].VR = "OB"
    else:
        ds.PixelData = np.stack([draw(f, n_frames, size, 6.0 / size) for f in range(n_frames)]).tobytes()
        ds["PixelData"].VR = "OB"
    pydicom.dcmwrite(path, ds, enforce_file_format=True)


def automatic(n_frames: int, size: int, *, error: float = 0.03) -> Segmentation:
    mm = 6.0 / size
    random = np.random.default_rng(7)
    off = 1.0 + error * np.convolve(random.standard_normal(n_frames + 40), np.ones(20) / 20, mode="same")[20:-20] * 4
    lumen = [polygon(lumen_radii_mm(0, f, n_frames) * off[f], size, mm) for f in range(n_frames)]
    eem = [polygon(eem_radii_mm(f, n_frames), size, mm) for f in range(n_frames)]
    nothing = np.full(n_frames, np.nan)
    sure = np.clip(1.0 - 4.0 * np.abs(off - 1.0), 0.05, 0.995)
    return Segmentation(
        contours={
            Structure.LUMEN: Contours.from_polygons(Structure.LUMEN, lumen),
            Structure.EEM: Contours.from_polygons(Structure.EEM, eem),
            Structure.STENT: Contours.empty(Structure.STENT, n_frames),
        },
        sectors=Sectors.empty(),
        confidence={Structure.LUMEN: sure, Structure.EEM: np.full(n_frames, 0.95), Structure.STENT: nothing},
        area_sd_mm2={
            Structure.LUMEN: np.full(n_frames, 0.3),
            Structure.EEM: np.full(n_frames, 0.5),
            Structure.STENT: nothing,
        },
        eem_hidden_deg=np.zeros(n_frames),
        calcium_arc_deg=np.zeros(n_frames),
        malapposition_mm=nothing,
        flags=(frozenset(),) * n_frames,
        correlation_frames=6.0,
    )


def make_folder(
    out: Path, *, n_frames: int = 60, size: int = 128, in_mm: bool = True, jpeg: bool = False, name: str = "A^B"
) -> Path:
    """A folder as `boreline analyse` leaves it, with its run beside it."""
    source = out.parent / f"{out.name}.dcm"
    write_run(source, n_frames=n_frames, size=size, jpeg=jpeg, name=name, series=name)
    run = read_run(source)
    segmentation = automatic(n_frames, size)
    known = np.arange(n_frames) * (60.0 / n_frames if n_frames > 300 else 0.2)
    axis = (
        Axis(known, AxisSource.MOTOR, "test", local_sd_mm=0.05)
        if in_mm
        else Axis(np.full(n_frames, np.nan), AxisSource.NONE, "manual pullback without a source")
    )
    frames = frames_table(segmentation, run.calibration, run.timing, axis)
    record = run_record(
        run,
        segmentation,
        axis,
        segmenter="synthetic",
        segmenter_version="1",
        reading_options={},
        parameters={},
        stages={"reading": (StageStatus.DONE, "")},
        warnings=(),
    )
    with new_folder(out, replace=False) as target:
        put_tables(target, segmentation, frames, profile_table(frames))
        put_tables(target / AUTOMATIC, segmentation, frames, None)
        put_json(target, "run.json", record)
        write_source(target, source)
    return out
