"""The reader against public files and pydicom's own decoders.

The files come with pydicom (MIT) and PyPI ``pydicom-data``; pydicom decodes them through Pillow, pylibjpeg,
pyjpegls or its own code, none of which the reader uses.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.encaps import generate_frames
from pydicom.pixels import apply_color_lut, pixel_array
from scipy.ndimage import binary_dilation

from boreline.errors import InputRefused
from boreline.model import CalibrationOrigin
from boreline.reading import discover, read_run
from boreline.reading.header import read_header
from boreline.reading.pixels import locate_pixels


def public(name: str) -> Path:
    """A public file on this machine; nothing is fetched."""
    found = get_testdata_file(name, download=False)
    if found is None:
        pytest.skip(f"{name} of pydicom-data is not installed")
    return Path(found)


def library_array(path: Path, *, as_rgb: bool = True, plugin: str = "") -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pixel_array(path, raw=not as_rgb, decoding_plugin=plugin)


def our_samples(path: Path) -> list[np.ndarray]:
    pixels = locate_pixels(read_header(path), whole_frames_only=False)
    with pixels.opened() as reader:
        return [reader(number, False) for number in range(pixels.n_frames)]


@pytest.mark.parametrize(
    ("name", "as_rgb", "plugin"),
    [
        ("OBXXXX1A_2frame.dcm", False, ""),
        ("OBXXXX1A_rle_2frame.dcm", False, "pydicom"),
        ("OBXXXX1A_expb_2frame.dcm", False, ""),
        ("US1_UNCR.dcm", False, ""),
        ("US1_J2KR.dcm", True, "pylibjpeg"),
        ("US1_J2KI.dcm", True, "pylibjpeg"),
        ("color-px.dcm", False, ""),
        ("color-pl.dcm", False, ""),
        ("examples_palette.dcm", False, ""),
        ("SC_rgb_rle_2frame.dcm", False, "pydicom"),
        ("SC_rgb_jpeg_lossy_gdcm.dcm", True, "pillow"),
        ("emri_small_RLE.dcm", False, "pydicom"),
        ("emri_small_jpeg_ls_lossless.dcm", False, "pyjpegls"),
        ("emri_small_jpeg_2k_lossless.dcm", False, "pylibjpeg"),
        ("emri_small_big_endian.dcm", False, ""),
    ],
)
def test_samples_equal_those_of_the_library(name: str, as_rgb: bool, plugin: str) -> None:
    path = public(name)
    theirs = library_array(path, as_rgb=as_rgb, plugin=plugin)
    ours = our_samples(path)
    theirs = theirs.reshape(len(ours), *ours[0].shape)
    for mine, other in zip(ours, theirs, strict=True):
        np.testing.assert_array_equal(mine, other)


def test_lossless_jpeg_equals_another_decoder() -> None:
    # pydicom has no permissive plugin for it; liblj92 (through imagecodecs) shares no code with libjpeg-turbo.
    path = public("JPGLosslessP14SV1_1s_1f_8b.dcm")
    stream = next(generate_frames(dcmread(path).PixelData, number_of_frames=1))
    np.testing.assert_array_equal(our_samples(path)[0], imagecodecs.ljpeg_decode(stream))


def test_jpeg_colour_run_equals_pillow_in_every_frame_within_one_grey_level() -> None:
    path = public("color3d_jpeg_baseline.dcm")
    theirs = library_array(path, plugin="pillow")
    ours = our_samples(path)
    assert len(ours) == 120
    worst = max(int(np.abs(a.astype(int) - b).max()) for a, b in zip(ours, theirs, strict=True))
    assert worst <= 1


def test_grey_of_a_colour_run_is_the_luma_of_grey_pixels_and_drops_coloured_ones() -> None:
    path = public("color3d_jpeg_baseline.dcm")
    run = read_run(path, trust_region=True)
    colour = library_array(path, plugin="pillow")
    inside = np.s_[run.region.y0 : run.region.y1 + 1, run.region.x0 : run.region.x1 + 1]
    for frame in run.frames(50, 53):
        assert frame.grey is not None
        rgb = colour[frame.number][inside].astype(int)
        spread = rgb.max(axis=-1) - rgb.min(axis=-1)
        grey = frame.grey[inside].astype(int)
        far = ~binary_dilation(spread > 24, iterations=3)
        assert np.abs(grey - rgb.mean(axis=-1))[far & (spread == 0)].max() <= 1
        coloured = spread > 60
        assert coloured.any()
        assert grey[coloured].mean() < rgb[coloured].max(axis=-1).mean() / 2
        assert not frame.grey[: run.region.y0].any()


def test_region_scale_of_the_public_run_by_hand() -> None:
    # Physical Delta X = Y = 0.0510497... cm per pixel (PS3.3 C.8.5.5.1.15), region (84,31)-(595,414) inclusive:
    # 10 x 0.05104970559 = 0.5104970559 mm; (595 - 84 + 1) x 0.5104970559 = 261.37 mm wide.
    run = read_run(public("color3d_jpeg_baseline.dcm"), trust_region=True)
    assert run.calibration.mm_per_px_x == pytest.approx(0.5104970559, abs=1e-9)
    assert run.calibration.mm_per_px_y == run.calibration.mm_per_px_x
    assert run.calibration.origin is CalibrationOrigin.REGION
    assert (run.region.width_px, run.region.height_px) == (512, 384)
    assert run.region.width_px * run.calibration.mm_per_px_x == pytest.approx(261.37, abs=0.01)
    # Frame Time 33.333 ms x 119 intervals.
    assert run.timing.times_s is not None
    assert run.timing.times_s[-1] == pytest.approx(3.966627)


def test_a_cardiac_sector_is_no_intravascular_field_of_view() -> None:
    with pytest.raises(InputRefused, match=r"261\.4 x 196 mm.*--trust-region.*--mm-per-pixel"):
        read_run(public("color3d_jpeg_baseline.dcm"))


@pytest.mark.parametrize(
    ("name", "tag"),
    [("examples_ybr_color.dcm", "RegionLocationMaxX1"), ("examples_palette.dcm", "RegionLocationMaxY1")],
)
def test_a_region_beyond_its_picture_is_refused(name: str, tag: str) -> None:
    with pytest.raises(InputRefused, match=rf"{tag}.*beyond the picture.*stale.*--mm-per-pixel"):
        read_run(public(name))


def test_tissue_is_chosen_beside_an_electrocardiogram_and_its_edge_clipped() -> None:
    run = read_run(public("OBXXXX1A_rle_2frame.dcm"), trust_region=True)
    assert run.region.x1 == run.source.columns - 1
    assert any("clipped" in note for note in run.warnings)
    assert run.source.photometric == "PALETTE COLOR"


def test_palette_run_equals_the_librarys_lookup() -> None:
    path = public("OBXXXX1A_rle_2frame.dcm")
    run = read_run(path, trust_region=True)
    dataset = dcmread(path)
    rgb = apply_color_lut(library_array(path, as_rgb=False, plugin="pydicom"), dataset) >> 8
    inside = np.s_[run.region.y0 : run.region.y1 + 1, run.region.x0 : run.region.x1 + 1]
    # The second frame is the first with its indices complemented: a picture in false colours.
    frame, colour = next(iter(run.frames())), rgb[0]
    assert frame.grey is not None
    neutral = (colour.max(axis=-1) == colour.min(axis=-1))[inside]
    assert neutral.mean() > 0.99
    np.testing.assert_array_equal(frame.grey[inside][neutral], colour[..., 0][inside][neutral])


def test_little_big_endian_and_run_length_copies_give_the_same_run() -> None:
    runs = [
        read_run(public(name), trust_region=True)
        for name in ("OBXXXX1A_2frame.dcm", "OBXXXX1A_expb_2frame.dcm", "OBXXXX1A_rle_2frame.dcm")
    ]
    first, *others = [[frame.grey for frame in run.frames()] for run in runs]
    for other in others:
        for a, b in zip(first, other, strict=True):
            assert a is not None
            np.testing.assert_array_equal(a, b)


def test_dual_view_asks_which() -> None:
    with pytest.raises(InputRefused, match="two equal cross-sections"):
        read_run(public("gdcm-US-ALOKA-16.dcm"))


@pytest.mark.parametrize("name", ["US1_UNCR.dcm", "color-px.dcm"])
def test_no_region_and_an_aspect_ratio_are_no_scale(name: str) -> None:
    with pytest.raises(InputRefused, match=r"SequenceOfUltrasoundRegions.*--mm-per-pixel X\[,Y\]"):
        read_run(public(name))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("rtplan.dcm", "no ultrasound pullback"),
        ("test-SR.dcm", "no ultrasound pullback"),
        ("CT_small.dcm", "no ultrasound pullback"),
        ("waveform_ecg.dcm", "no ultrasound pullback"),
        ("MR_truncated.dcm", "no ultrasound pullback"),
        ("no_meta.dcm", "not a DICOM"),
        ("meta_missing_tsyntax.dcm", "no ultrasound pullback|not a DICOM image"),
        ("dicomdirtests/DICOMDIR", "directory, not a run"),
    ],
)
def test_other_objects_are_refused_by_what_they_are(name: str, words: str) -> None:
    with pytest.raises(InputRefused, match=words):
        read_run(public(name))


def outcome(path: Path) -> str:
    try:
        run = read_run(path, mm_per_px=(0.1, 0.1), whole_frames_only=True)
    except InputRefused as refusal:
        return str(refusal) if "\n" not in str(refusal) else ""
    return "run" if all(frame.grey is not None or frame.fault for frame in run.frames()) else ""


def test_every_public_file_ends_as_a_run_or_one_line() -> None:
    folder = public("color3d_jpeg_baseline.dcm").parent
    for path in sorted([*folder.rglob("*.dcm"), *public("CT_small.dcm").parent.rglob("*.dcm")]):
        assert outcome(path)


def test_a_public_folder_is_sorted_out_by_content() -> None:
    found = discover(public("color3d_jpeg_baseline.dcm").parent)
    names = {run.path.name for run in found.pullbacks}
    assert {"color3d_jpeg_baseline.dcm", "OBXXXX1A_rle_2frame.dcm"} <= names
    assert all(run.defect for run in found.pullbacks)
    assert found.xrays == ()
    assert len(found.skipped) > 20


def test_a_public_directory_reports_missing_files(tmp_path: Path) -> None:
    (tmp_path / "DICOMDIR").write_bytes(public("dicomdirtests/DICOMDIR").read_bytes())
    found = discover(tmp_path / "DICOMDIR")
    assert any(
        "81 of 81 listed files are missing" in note or "listed files are missing" in note for note in found.notes
    )
    assert os.fspath(tmp_path) in found.notes[0]
