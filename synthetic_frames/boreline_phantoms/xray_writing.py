"""Write an X-ray scene: `fluoro.dcm`, `cine.dcm` (and `cine2.dcm`) with the truth of marker, path and position.

X-Ray Angiographic Image Storage; attributes follow PS3.3 A.14 (XA IOD), C.8.7.1 (X-Ray Image), C.8.7.2 (X-Ray
Acquisition) and C.8.7.5 (XA Positioner). Times share the clock of the IVUS run.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite

from boreline.model import GreyImage
from boreline_phantoms.dicom import IMPLEMENTATION_UID, append_pixels
from boreline_phantoms.encodings import find_encoding
from boreline_phantoms.records import CLOCK_UTC_UID
from boreline_phantoms.uids import stable_uid
from boreline_phantoms.xray import Film, XrayScene
from boreline_phantoms.xray_drawing import cine_frames, filling, fluoro_frames

XA_UID = "1.2.840.10008.5.1.4.1.1.12.1"
IVUS_STARTED_AT = datetime(2025, 3, 14, 9, 30, tzinfo=UTC)


def write_xray(
    scene: XrayScene,
    out: Path,
    *,
    encoding: str = "jpeg-lossless",
    like: Dataset | None = None,
    clock_uid: str | None = CLOCK_UTC_UID,
) -> None:
    """Write the films of `scene` and their truth into the folder `out`.

    Parameters
    ----------
    like
        Header of the IVUS run, whose patient, study and start are taken over.
    clock_uid
        Synchronization Frame of Reference UID; None = the clock is not declared synchronised.
    """
    out.mkdir(parents=True, exist_ok=True)
    films: list[tuple[str, Film, Iterable[GreyImage]]] = [
        ("fluoro", scene.fluoro, fluoro_frames(scene)),
        ("cine", scene.cine, cine_frames(scene, scene.cine)),
    ]
    if scene.cine2 is not None:
        films.append(("cine2", scene.cine2, cine_frames(scene, scene.cine2)))
    for number, (name, film, frames) in enumerate(films):
        header = header_of(scene, film, name, number + 2, encoding=encoding, like=like, clock_uid=clock_uid)
        _write(out / f"{name}.dcm", header, frames, encoding)
    write_xray_truth(scene, out / "truth")


def _write(path: Path, header: Dataset, frames: Iterable[GreyImage], encoding: str) -> None:
    coder = find_encoding(encoding)
    with tempfile.TemporaryFile(dir=path.parent) as payload:
        sizes = []
        for frame in frames:
            data = coder.encode(frame)
            payload.write(data)
            sizes.append(len(data))
        payload.seek(0)
        partial = path.with_suffix(".partial")
        with partial.open("wb") as file:
            dcmwrite(file, header, enforce_file_format=True)
            append_pixels(file, payload, sizes, coder)
        partial.replace(path)


def header_of(
    scene: XrayScene,
    film: Film,
    name: str,
    series_number: int,
    *,
    encoding: str = "jpeg-lossless",
    like: Dataset | None = None,
    clock_uid: str | None = CLOCK_UTC_UID,
) -> Dataset:
    """Everything but the pixels of one film."""
    key = [scene.name, str(scene.seed), str(film), encoding, name]
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = XA_UID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = stable_uid("instance", *key)
    ds.file_meta.TransferSyntaxUID = find_encoding(encoding).uid
    ds.file_meta.ImplementationClassUID = IMPLEMENTATION_UID
    _add_patient_and_study(ds, scene, like)
    ds.SeriesInstanceUID = stable_uid("series", *key)
    ds.SeriesNumber = series_number
    ds.SeriesDescription = f"synthetic: {scene.name} {name}"[:64]
    started = _started(like) + timedelta(seconds=film.start_s)
    ds.SeriesDate = ds.ContentDate = ds.AcquisitionDate = started.strftime("%Y%m%d")
    ds.SeriesTime = ds.ContentTime = ds.AcquisitionTime = started.strftime("%H%M%S.%f")
    ds.AcquisitionDateTime = started.strftime("%Y%m%d%H%M%S.%f+0000")
    if clock_uid is not None:
        ds.SynchronizationFrameOfReferenceUID = clock_uid
        ds.SynchronizationTrigger = "NO TRIGGER"
        ds.AcquisitionTimeSynchronized = "Y"
    _add_pixel_description(ds, film)
    _add_geometry(ds, film)
    if film.r_waves:
        times = film.times_s
        beats = scene.body.beats_s
        inside = beats[(beats >= times[0]) & (beats <= times[-1])]
        ds.RWavePointer = [int(np.abs(times - beat).argmin()) + 1 for beat in inside]
    return ds


def _started(like: Dataset | None) -> datetime:
    if like is None:
        return IVUS_STARTED_AT
    return datetime.strptime(str(like.AcquisitionDateTime), "%Y%m%d%H%M%S.%f%z")


def _add_patient_and_study(ds: Dataset, scene: XrayScene, like: Dataset | None) -> None:
    ds.SpecificCharacterSet = "ISO_IR 100"
    ds.PatientName = "Synthetic^Phantom"
    ds.PatientID = "SYNTHETIC"
    ds.PatientBirthDate = ""
    ds.PatientSex = "O"
    ds.StudyInstanceUID = stable_uid("study", scene.name, str(scene.seed))
    ds.StudyID = "1"
    ds.StudyDate = IVUS_STARTED_AT.strftime("%Y%m%d")
    ds.StudyTime = IVUS_STARTED_AT.strftime("%H%M%S")
    if like is not None:
        for keyword in ("PatientID", "StudyInstanceUID", "StudyID", "StudyDate", "StudyTime"):
            setattr(ds, keyword, getattr(like, keyword))
    ds.ReferringPhysicianName = ""
    ds.AccessionNumber = ""
    ds.Modality = "XA"
    ds.BodyPartExamined = "HEART"
    ds.Manufacturer = "synthetic"
    ds.ManufacturerModelName = "phantom"
    ds.InstanceNumber = 1
    ds.PatientOrientation = ""
    ds.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]


def _add_pixel_description(ds: Dataset, film: Film) -> None:
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.Rows = ds.Columns = film.view.size_px
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit = 7
    ds.PixelRepresentation = 0
    ds.NumberOfFrames = film.n_frames
    ds.PixelIntensityRelationship = "DISP"
    ds.BurnedInAnnotation = "NO"
    ds.LossyImageCompression = "00"
    ds.FrameIncrementPointer = 0x00181063
    ds.FrameTime = f"{1000 / film.rate_hz:.4f}"
    ds.CineRate = round(film.rate_hz)


def _add_geometry(ds: Dataset, film: Film) -> None:
    view = film.view
    ds.RadiationSetting = "SC" if film.contrast_s is None else "GR"
    ds.KVP = "80"
    ds.Exposure = ""
    ds.PositionerMotion = "STATIC"
    ds.PositionerPrimaryAngle = f"{view.primary_deg:g}"
    ds.PositionerSecondaryAngle = f"{view.secondary_deg:g}"
    ds.DistanceSourceToDetector = f"{view.source_to_detector_mm:g}"
    ds.DistanceSourceToPatient = f"{view.source_to_patient_mm:g}"
    ds.EstimatedRadiographicMagnificationFactor = f"{view.source_to_detector_mm / view.source_to_patient_mm:.6f}"
    ds.ImagerPixelSpacing = [f"{view.imager_spacing_mm:g}"] * 2
    if film.contrast_s is not None:
        ds.ContrastBolusAgent = "iodine"


def best_filled_frame(scene: XrayScene) -> int:
    """Number (0-based) of the first cine frame in which the whole vessel holds nearly all its contrast."""
    along = np.arange(0.0, scene.vessel.length_mm, 1.0)
    total = np.array([filling(scene, scene.cine, along, f).sum() for f in range(scene.cine.n_frames)])
    return int(np.argmax(total >= 0.98 * total.max()))


def path_px(scene: XrayScene, cine_frame: int, along_mm: Iterable[float]) -> pd.DataFrame:
    """Columns x_px, y_px: places along the vessel in one cine frame."""
    points = scene.curve_px(np.asarray(list(along_mm)), float(scene.cine.times_s[cine_frame]), scene.cine)
    return pd.DataFrame({"x_px": points[:, 0], "y_px": points[:, 1]})


def write_xray_truth(scene: XrayScene, folder: Path) -> None:
    """Write `marker.parquet`, `path.parquet`, `position.csv` and `xray.json` into `folder`.

    `path.parquet` refers to the cine frame named in `xray.json`; `arc_mm` is the true distance in space.
    """
    folder.mkdir(parents=True, exist_ok=True)
    marker = scene.marker_px()
    pq.write_table(
        pa.table(
            {
                "frame": np.arange(1, len(marker) + 1),
                "x_px": marker[:, 0],
                "y_px": marker[:, 1],
                "confidence": scene.visible(),
            }
        ),
        folder / "marker.parquet",
    )
    position_mm = scene.position_mm()
    along_mm = scene.along_mm(scene.ivus_times_s)
    cine_frame = best_filled_frame(scene)
    path = path_px(scene, cine_frame, along_mm)
    path.insert(0, "frame", np.arange(1, len(path) + 1))
    path["arc_mm"] = position_mm
    pq.write_table(pa.Table.from_pandas(path, preserve_index=False), folder / "path.parquet")
    pd.DataFrame(
        {
            "frame": np.arange(1, len(position_mm) + 1),
            "time_s": scene.ivus_times_s,
            "position_mm": position_mm,
            "along_mm": along_mm,
        }
    ).to_csv(folder / "position.csv", index=False, float_format="%.5f")
    numbers = {
        "name": scene.name,
        "description": scene.description,
        "seed": scene.seed,
        "cine_frame": cine_frame + 1,
        "guide_entry_mm": float(along_mm.max()),
        "branch_mouths_mm": [float(along_mm.max() - branch[0]) for branch in scene.vessel.branches],
        "mm_per_px_at_isocentre": scene.fluoro.view.mm_per_px,
        "beats_s": [float(b) for b in _beats_within(scene)],
    }
    (folder / "xray.json").write_text(json.dumps(numbers, indent=2) + "\n", encoding="utf-8")


def _beats_within(scene: XrayScene) -> Iterator[float]:
    last = scene.ivus_times_s[-1]
    return (float(b) for b in scene.body.beats_s if 0 <= b <= last)
