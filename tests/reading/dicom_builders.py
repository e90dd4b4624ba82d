"""Small DICOM runs, written with the libraries at hand, sound unless a test bends them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import simplejpeg
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import get_encoder
from pydicom.uid import UID

ROWS, COLUMNS = 48, 64
US_MULTI_FRAME = "1.2.840.10008.5.1.4.1.1.3.1"
US_IMAGE = "1.2.840.10008.5.1.4.1.1.6.1"
XA_IMAGE = "1.2.840.10008.5.1.4.1.1.12.1"

IMPLICIT = "1.2.840.10008.1.2"
EXPLICIT = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
RLE = "1.2.840.10008.1.2.5"
JPEG = "1.2.840.10008.1.2.4.50"
JPEG_EXTENDED = "1.2.840.10008.1.2.4.51"
JPEG_LOSSLESS_14 = "1.2.840.10008.1.2.4.57"
JPEG_LOSSLESS = "1.2.840.10008.1.2.4.70"
JPEG_LS = "1.2.840.10008.1.2.4.80"
JPEG_LS_NEAR = "1.2.840.10008.1.2.4.81"
JPEG_2000_LOSSLESS = "1.2.840.10008.1.2.4.90"
JPEG_2000 = "1.2.840.10008.1.2.4.91"
NATIVE = (IMPLICIT, EXPLICIT, DEFLATED, BIG_ENDIAN)

Pixels = npt.NDArray[np.generic]
FrameBytes = list[bytes]


def speckle(n: int = 8, rows: int = ROWS, columns: int = COLUMNS, dtype: type = np.uint8) -> Pixels:
    """Smooth speckle, every frame different and recognisable by its mean."""
    rng = np.random.default_rng(7)
    top = np.iinfo(dtype).max
    coarse = rng.random((n, rows // 4 + 1, columns // 4 + 1)) * 0.5
    fine = np.repeat(np.repeat(coarse, 4, axis=1), 4, axis=2)[:, :rows, :columns]
    return ((fine + np.linspace(0.05, 0.45, n)[:, None, None]) * top).astype(dtype)


def region(**changes: Any) -> Dataset:
    """A tissue region over the whole picture, 0.1 mm per pixel."""
    item = Dataset()
    values = {
        "RegionSpatialFormat": 1,
        "RegionDataType": 1,
        "RegionFlags": 0,
        "RegionLocationMinX0": 0,
        "RegionLocationMinY0": 0,
        "RegionLocationMaxX1": COLUMNS - 1,
        "RegionLocationMaxY1": ROWS - 1,
        "ReferencePixelX0": COLUMNS // 2,
        "ReferencePixelY0": ROWS // 2,
        "PhysicalUnitsXDirection": 3,
        "PhysicalUnitsYDirection": 3,
        "PhysicalDeltaX": 0.01,
        "PhysicalDeltaY": 0.01,
    } | changes
    set_all(item, values)
    return item


def set_all(dataset: Dataset, values: dict[str, Any]) -> None:
    """Set attributes; None deletes one."""
    for keyword, value in values.items():
        if value is None:
            if keyword in dataset:
                delattr(dataset, keyword)
        else:
            setattr(dataset, keyword, value)


def header(pixels: Pixels, syntax: str = EXPLICIT, photometric: str = "MONOCHROME2", **changes: Any) -> Dataset:
    """Everything but the pixels of a motor pullback."""
    samples = pixels.shape[3] if pixels.ndim == 4 else 1
    bits = 8 * pixels.dtype.itemsize
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = UID(syntax)
    values: dict[str, Any] = {
        "SpecificCharacterSet": "ISO_IR 100",
        "SOPClassUID": US_MULTI_FRAME,
        "SOPInstanceUID": "2.25.1001",
        "StudyInstanceUID": "2.25.1002",
        "SeriesInstanceUID": "2.25.1003",
        "Modality": "IVUS",
        "PatientName": "Nobody^Test",
        "PatientID": "SECRET-ID",
        "AcquisitionDateTime": "20250102030405.500000+0100",
        "NumberOfFrames": len(pixels),
        "Rows": pixels.shape[1],
        "Columns": pixels.shape[2],
        "SamplesPerPixel": samples,
        "PhotometricInterpretation": photometric,
        "BitsAllocated": bits,
        "BitsStored": bits,
        "HighBit": bits - 1,
        "PixelRepresentation": 0,
        "LossyImageCompression": "01" if syntax in (JPEG, JPEG_EXTENDED, JPEG_LS_NEAR, JPEG_2000) else "00",
        "FrameIncrementPointer": 0x00181063,
        "FrameTime": "33.333",
        "IVUSAcquisition": "MOTOR_PULLBACK",
        "IVUSPullbackRate": "0.5",
        "IVUSPullbackStartFrameNumber": 1,
        "IVUSPullbackStopFrameNumber": len(pixels),
        "SequenceOfUltrasoundRegions": [region()],
    }
    if samples == 3:
        values["PlanarConfiguration"] = 0
    set_all(dataset, values | changes)
    dataset.file_meta.MediaStorageSOPClassUID = dataset.get("SOPClassUID", US_MULTI_FRAME)
    dataset.file_meta.MediaStorageSOPInstanceUID = "2.25.1001"
    return dataset


def encode(frame: Pixels, syntax: str) -> bytes:
    """One frame as a codestream."""
    colour = frame.ndim == 3
    if syntax == RLE:
        return bytes(
            get_encoder(RLE).encode(
                frame,
                encoding_plugin="pydicom",
                rows=frame.shape[0],
                columns=frame.shape[1],
                samples_per_pixel=3 if colour else 1,
                bits_allocated=8 * frame.dtype.itemsize,
                bits_stored=8 * frame.dtype.itemsize,
                pixel_representation=0,
                photometric_interpretation="RGB" if colour else "MONOCHROME2",
                planar_configuration=0,
                number_of_frames=1,
            )
        )
    if syntax in (JPEG, JPEG_EXTENDED):
        if frame.dtype == np.uint16:
            return bytes(imagecodecs.jpeg8_encode(frame, bitspersample=12, level=95))
        plain = np.ascontiguousarray(frame if colour else frame[..., None])
        return bytes(simplejpeg.encode_jpeg(plain, 95, "RGB" if colour else "GRAY", "422"))
    if syntax in (JPEG_LOSSLESS, JPEG_LOSSLESS_14):
        space = "rgb" if colour else "grayscale"
        bits = {"bitspersample": 16} if frame.dtype == np.uint16 else {}
        return bytes(
            imagecodecs.jpeg8_encode(frame, lossless=True, predictor=1, colorspace=space, outcolorspace=space, **bits)
        )
    if syntax in (JPEG_LS, JPEG_LS_NEAR):
        return bytes(imagecodecs.jpegls_encode(frame, level=2 if syntax == JPEG_LS_NEAR else 0))
    lossless = syntax == JPEG_2000_LOSSLESS
    return bytes(
        imagecodecs.jpeg2k_encode(
            frame, codecformat="j2k", reversible=lossless, level=0 if lossless else 45, mct=colour
        )
    )


def write(
    path: Path,
    pixels: Pixels,
    syntax: str = EXPLICIT,
    photometric: str = "MONOCHROME2",
    *,
    has_table: bool = True,
    fragments: int = 1,
    bend_frames: Callable[[FrameBytes], FrameBytes] | None = None,
    payload: bytes | None = None,
    **changes: Any,
) -> Path:
    """Write a run; `bend_frames` may change the encoded frames, `payload` replaces native pixel bytes."""
    dataset = header(pixels, syntax, photometric, **changes)
    if syntax in NATIVE:
        data = pixels.astype(pixels.dtype.newbyteorder(">")) if syntax == BIG_ENDIAN else pixels
        raw = data.tobytes() if payload is None else payload
        dataset.PixelData = raw + b"\0" * (len(raw) % 2)
        dataset["PixelData"].VR = "OW" if pixels.dtype.itemsize == 2 else "OB"
    else:
        frames = [encode(frame, syntax) for frame in pixels]
        if bend_frames is not None:
            frames = bend_frames(frames)
        dataset.PixelData = encapsulate(frames, fragments_per_frame=fragments, has_bot=has_table)
        dataset["PixelData"].VR = "OB"
        dataset["PixelData"].is_undefined_length = True
    dataset.save_as(path, enforce_file_format=True)
    return path


def write_single_frames(folder: Path, pixels: Pixels, order: Sequence[int] | None = None, **changes: Any) -> Path:
    """Write each frame as a file of its own, named out of order."""
    folder.mkdir(exist_ok=True)
    for i in range(len(pixels)) if order is None else order:
        own = {
            "SOPClassUID": US_IMAGE,
            "SOPInstanceUID": f"2.25.2{i:04d}",
            "NumberOfFrames": None,
            "FrameTime": None,
            "FrameIncrementPointer": None,
            "InstanceNumber": i + 1,
            "AcquisitionDateTime": f"20250102030405.{i * 40000:06d}",
        } | changes
        write(folder / f"{(i * 7) % 97:02d}{i}.dcm", pixels[i : i + 1], **own)
    return folder
