"""Write a run as Ultrasound Multi-frame Image Storage, frame by frame.

The compressed frames go to a file beside the target first; the header follows once their sizes are known, so memory
stays flat and the offset table is exact. Attributes follow PS3.3 A.7 (US Multi-frame IOD), C.8.5.5 (US Region
Calibration), C.8.5.6 (US Image) and C.7.4.2 (Synchronization).
"""

from __future__ import annotations

import shutil
import struct
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite

from boreline.model import FloatArray, GreyImage, PullbackKind
from boreline_phantoms.encodings import MONOCHROME, Encoding, find_encoding, to_samples
from boreline_phantoms.records import Scene
from boreline_phantoms.uids import stable_uid

US_MULTIFRAME_UID = "1.2.840.10008.5.1.4.1.1.3.1"
IMPLEMENTATION_UID = stable_uid("boreline phantoms")


@dataclass(frozen=True, slots=True)
class Screen:
    """The whole DICOM frame: where the cross-section lies in it.

    Attributes
    ----------
    columns, rows
        Of the frame.
    left, top
        Of the cross-section.
    strip_rows
        Height of the longitudinal strip under the cross-section; 0 = none.
    """

    columns: int
    rows: int
    left: int = 0
    top: int = 0
    strip_rows: int = 0


@dataclass(frozen=True, slots=True)
class Study:
    """What ties the runs of one synthetic patient together; runs that share it lie in one study."""

    patient_id: str = "SYNTHETIC"
    study_key: str = "study"
    series_number: int = 1


def write_dicom(
    path: Path,
    scene: Scene,
    frames: Iterable[GreyImage],
    screen: Screen,
    *,
    encoding: str = "jpeg",
    photometric: str = MONOCHROME,
    study: Study | None = None,
    r_waves_ms: FloatArray | None = None,
) -> None:
    """Write `frames`, (screen.rows, screen.columns) each, to `path`.

    Raises
    ------
    InputRefused
        The encoding is unknown or cannot carry the photometric interpretation.
    """
    coder = find_encoding(encoding, photometric)
    with tempfile.TemporaryFile(dir=path.parent) as payload:
        sizes = []
        for frame in frames:
            data = coder.encode(to_samples(frame, photometric))
            payload.write(data)
            sizes.append(len(data))
        payload.seek(0)
        header = header_of(
            scene, screen, encoding=encoding, photometric=photometric, study=study, r_waves_ms=r_waves_ms
        )
        if coder.lossy_method is not None:
            raw = len(sizes) * screen.rows * screen.columns * header.SamplesPerPixel
            header.LossyImageCompression = "01"
            header.LossyImageCompressionRatio = f"{raw / sum(sizes):.2f}"
            header.LossyImageCompressionMethod = coder.lossy_method
        partial = path.with_suffix(".partial")
        with partial.open("wb") as out:
            dcmwrite(out, header, enforce_file_format=True)
            append_pixels(out, payload, sizes, coder)
        partial.replace(path)


def append_pixels(out: IO[bytes], payload: IO[bytes], sizes: list[int], coder: Encoding) -> None:
    """Write the Pixel Data element behind a header: the frames of `payload`, whose sizes in bytes are `sizes`."""
    tag = struct.pack("<HH", 0x7FE0, 0x0010)
    total = sum(sizes)
    if not coder.encapsulated:
        length = struct.pack("<L", total + total % 2)
        # Explicit VR names the type; eight-bit native data is OB or OW, OW always in implicit.
        out.write(tag + (length if coder.uid == "1.2.840.10008.1.2" else b"OB\0\0" + length))
        shutil.copyfileobj(payload, out, 1 << 20)
        out.write(b"\0" * (total % 2))
        return
    item = struct.pack("<HH", 0xFFFE, 0xE000)
    padded = np.array([size + size % 2 for size in sizes])
    offsets = np.concatenate([[0], np.cumsum(padded + 8)[:-1]]).astype("<u4")
    out.write(tag + b"OB\0\0" + b"\xff\xff\xff\xff")
    out.write(item + struct.pack("<L", offsets.nbytes) + offsets.tobytes())
    for size in sizes:
        out.write(item + struct.pack("<L", size + size % 2) + payload.read(size) + b"\0" * (size % 2))
    out.write(struct.pack("<HHL", 0xFFFE, 0xE0DD, 0))


def header_of(
    scene: Scene,
    screen: Screen,
    *,
    encoding: str = "jpeg",
    photometric: str = MONOCHROME,
    study: Study | None = None,
    r_waves_ms: FloatArray | None = None,
) -> Dataset:
    """Everything but the pixels; UIDs follow from the scene, so a run can be written again identically."""
    coder = find_encoding(encoding, photometric)
    key = [scene.name, str(scene.seed), str(scene.n_frames), str(scene.picture), str(scene.mhz), encoding, photometric]
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = US_MULTIFRAME_UID
    ds.file_meta.MediaStorageSOPInstanceUID = stable_uid("instance", *key)
    ds.file_meta.TransferSyntaxUID = coder.uid
    ds.file_meta.ImplementationClassUID = IMPLEMENTATION_UID
    _add_patient_and_study(ds, scene, study)
    ds.SeriesInstanceUID = stable_uid("series", study.study_key if study else scene.name, *key)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID
    _add_pixel_description(ds, scene, screen, photometric)
    ds.SequenceOfUltrasoundRegions = [_cross_section(scene, screen)]
    if screen.strip_rows:
        ds.SequenceOfUltrasoundRegions.append(_strip(scene, screen))
    _add_timing(ds, scene, r_waves_ms)
    _add_pullback(ds, scene)
    return ds


def _add_patient_and_study(ds: Dataset, scene: Scene, shared: Study | None) -> None:
    study = shared or Study(study_key=f"{scene.name} {scene.seed}")
    started = scene.acquisition.started_at
    ds.SpecificCharacterSet = "ISO_IR 100"
    ds.PatientName = "Synthetic^Phantom"
    ds.PatientID = study.patient_id
    ds.PatientBirthDate = ""
    ds.PatientSex = "O"
    ds.StudyInstanceUID = stable_uid("study", study.study_key)
    ds.StudyID = "1"
    ds.StudyDate = ds.SeriesDate = ds.ContentDate = ds.AcquisitionDate = started[:8]
    ds.StudyTime = ds.SeriesTime = ds.ContentTime = ds.AcquisitionTime = started[8:14]
    ds.ReferringPhysicianName = ""
    ds.AccessionNumber = ""
    ds.Modality = "IVUS"
    ds.SeriesNumber = study.series_number
    ds.SeriesDescription = f"synthetic: {scene.name}"[:64]
    ds.BodyPartExamined = "HEART"
    ds.Manufacturer = "synthetic"
    ds.ManufacturerModelName = "phantom"
    ds.InstanceNumber = 1
    ds.PatientOrientation = ""
    ds.ImageType = ["ORIGINAL", "PRIMARY", "INTRAVASCULAR"]
    ds.SOPClassUID = US_MULTIFRAME_UID


def _add_pixel_description(ds: Dataset, scene: Scene, screen: Screen, photometric: str) -> None:
    ds.SamplesPerPixel = 1 if photometric == MONOCHROME else 3
    ds.PhotometricInterpretation = photometric
    if ds.SamplesPerPixel == 3:
        ds.PlanarConfiguration = int(photometric == "YBR_FULL")  # PS3.3 C.8.5.6.1.16: by plane under RLE
        ds.UltrasoundColorDataPresent = 0
    ds.Rows, ds.Columns = screen.rows, screen.columns
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit = 7
    ds.PixelRepresentation = 0
    ds.NumberOfFrames = scene.n_frames
    ds.BurnedInAnnotation = "YES" if screen.top else "NO"
    ds.LossyImageCompression = "00"
    ds.TransducerType = "IV_ROT XTAL"
    ds.DepthOfScanField = max(1, round(scene.picture.field_mm / 2))


def _region(left: int, top: int, columns: int, rows: int) -> Dataset:
    region = Dataset()
    region.RegionSpatialFormat = 1
    region.RegionDataType = 1
    region.RegionFlags = 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = left, top
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = left + columns - 1, top + rows - 1
    return region


def _cross_section(scene: Scene, screen: Screen) -> Dataset:
    picture = scene.picture
    region = _region(screen.left, screen.top, picture.columns, picture.rows)
    region.ReferencePixelX0, region.ReferencePixelY0 = (int(v) for v in np.rint(picture.centre_px))
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.ReferencePixelPhysicalValueX = region.ReferencePixelPhysicalValueY = 0.0
    region.PhysicalDeltaX, region.PhysicalDeltaY = (float(v) / 10 for v in picture.mm_per_px)
    region.TransducerFrequency = round(scene.mhz * 1000)
    return region


def _strip(scene: Scene, screen: Screen) -> Dataset:
    """The longitudinal cut: seconds across, centimetres down."""
    region = _region(0, screen.rows - screen.strip_rows, screen.columns, screen.strip_rows)
    region.RegionSpatialFormat = 2
    region.PhysicalUnitsXDirection, region.PhysicalUnitsYDirection = 4, 3
    region.PhysicalDeltaX = float(max(scene.times_s()[-1], 1e-3) / screen.columns)
    region.PhysicalDeltaY = scene.picture.field_mm / 10 / screen.strip_rows
    region.TransducerFrequency = round(scene.mhz * 1000)
    return region


def _add_timing(ds: Dataset, scene: Scene, r_waves_ms: FloatArray | None) -> None:
    acquisition = scene.acquisition
    times_ms = scene.times_s() * 1000
    if acquisition.uneven_times or acquisition.kind is PullbackKind.GATED:
        ds.FrameIncrementPointer = 0x00181065
        ds.FrameTimeVector = [f"{step:.3f}" for step in np.diff(times_ms, prepend=0.0)]
    else:
        ds.FrameIncrementPointer = 0x00181063
        ds.FrameTime = f"{1000 / acquisition.frame_rate_hz:.3f}"
    ds.CineRate = max(1, round(acquisition.frame_rate_hz))
    ds.EffectiveDuration = f"{times_ms[-1] / 1000:.3f}"
    ds.AcquisitionDateTime = acquisition.started_at
    # Required for IVUS: a clock of its own when it is not shared with other equipment.
    ds.SynchronizationFrameOfReferenceUID = acquisition.clock_uid or stable_uid("clock", scene.name)
    ds.SynchronizationTrigger = "NO TRIGGER"
    ds.AcquisitionTimeSynchronized = "Y" if acquisition.clock_uid else "N"
    if r_waves_ms is not None and len(r_waves_ms):
        ds.RWaveTimeVector = [float(v) for v in r_waves_ms]


def _add_pullback(ds: Dataset, scene: Scene) -> None:
    acquisition = scene.acquisition
    ds.IVUSAcquisition = acquisition.kind.value
    first, last = scene.moving()
    if acquisition.kind is PullbackKind.MOTOR:
        ds.IVUSPullbackRate = f"{acquisition.speed_mm_s:g}"
    if acquisition.kind is PullbackKind.GATED:
        ds.IVUSGatedRate = f"{acquisition.mm_per_beat:g}"
    if acquisition.kind in (PullbackKind.MOTOR, PullbackKind.GATED):
        ds.IVUSPullbackStartFrameNumber, ds.IVUSPullbackStopFrameNumber = first + 1, last + 1
