"""Frame times by PS3.3 C.7.6.5 and the declared motion by C.8.5.6, worked by hand."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_builders import EXPLICIT, IMPLICIT, header, speckle, write
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filereader import read_dataset
from pydicom.filewriter import write_dataset

from boreline.errors import InputRefused
from boreline.model import PullbackKind, Run
from boreline.reading import read_run
from boreline.reading.attributes import Attributes

N = 8


def run_of(tmp_path: Path, options: dict[str, Any] | None = None, **changes: Any) -> Run:
    return read_run(write(tmp_path / "run.dcm", speckle(N), **changes), **(options or {}))


def with_bytes(tmp_path: Path, old: bytes, new: bytes, **changes: Any) -> Run:
    path = write(tmp_path / "run.dcm", speckle(N), **changes)
    data = path.read_bytes()
    assert data.count(old) == 1
    path.write_bytes(data.replace(old, new))
    return read_run(path)


def test_frame_time_is_milliseconds(tmp_path: Path) -> None:
    timing = run_of(tmp_path, FrameTime="40").timing
    np.testing.assert_allclose(timing.times_s, [0, 0.04, 0.08, 0.12, 0.16, 0.20, 0.24, 0.28])
    assert timing.origin == "(0018,1063) FrameTime 40 ms"


def test_frame_time_vector_accumulates_its_increments(tmp_path: Path) -> None:
    vector = [0, 10, 20, 30, 40, 50, 60, 70]
    timing = run_of(tmp_path, FrameTimeVector=vector, FrameIncrementPointer=0x00181065).timing
    np.testing.assert_allclose(timing.times_s, [0, 0.01, 0.03, 0.06, 0.10, 0.15, 0.21, 0.28])


@pytest.mark.parametrize("syntax", [EXPLICIT, IMPLICIT])
@pytest.mark.filterwarnings("ignore:The value for the data element")
def test_a_vector_beyond_64_kilobytes_is_read(tmp_path: Path, syntax: str) -> None:
    n = 9000
    pixels = np.zeros((n, 48, 64), dtype=np.uint8)
    vector = ["0"] + ["33.3333"] * (n - 1)
    path = write(tmp_path / "run.dcm", pixels, syntax, FrameTimeVector=vector, FrameIncrementPointer=0x00181065)
    times = read_run(path).timing.times_s
    assert times is not None
    assert len(times) == n
    assert times[-1] == pytest.approx((n - 1) * 0.0333333)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"FrameTime": "0"}, "0 ms is no interval"),
        ({"FrameTime": "-5"}, "-5 ms is no interval"),
        ({"FrameTime": None}, "FrameTime is missing"),
        ({"FrameIncrementPointer": 0x00181065}, "FrameTimeVector is missing"),
        ({"FrameTimeVector": [0, 1, 2], "FrameIncrementPointer": 0x00181065}, "3 values for 8 frames"),
        ({"FrameTimeVector": [0] * 8, "FrameIncrementPointer": 0x00181065}, "all intervals are 0"),
        ({"FrameTimeVector": [0, 9, -9, 9, 9, 9, 9, 9], "FrameIncrementPointer": 0x00181065}, "runs backwards"),
    ],
)
def test_unusable_timing_is_none_and_says_why(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    run = run_of(tmp_path, **changes)
    assert run.timing.times_s is None
    assert words in run.timing.origin
    assert any("no usable timing" in note for note in run.warnings)


def test_a_decimal_comma_is_no_number(tmp_path: Path) -> None:
    run = with_bytes(tmp_path, b"33.333", b"33,333")
    assert run.timing.times_s is None
    assert "'33,333' is not a number" in run.timing.origin


def test_operators_frame_rate(tmp_path: Path) -> None:
    run = run_of(tmp_path, {"frame_rate_hz": 25.0}, FrameTime=None)
    np.testing.assert_allclose(run.timing.times_s, np.arange(N) * 0.04)
    assert run.timing.origin == "--frame-rate 25"
    assert run.parameters == {"frame_rate_hz": 25.0}
    over = run_of(tmp_path, {"frame_rate_hz": 25.0}, FrameTime="20")
    assert any("contradicts" in note for note in over.warnings)
    with pytest.raises(InputRefused, match="--frame-rate"):
        run_of(tmp_path, {"frame_rate_hz": 0.0})


def test_unusual_rate_and_duration_are_warnings(tmp_path: Path) -> None:
    assert any("unusual frame rate: 2 Hz" in note for note in run_of(tmp_path, FrameTime="500").warnings)
    assert any("EffectiveDuration" in note for note in run_of(tmp_path, EffectiveDuration="9").warnings)
    assert run_of(tmp_path, EffectiveDuration="0.267").warnings == ()


def test_clock_and_r_waves(tmp_path: Path) -> None:
    timing = run_of(
        tmp_path,
        RWaveTimeVector=[120.0, 20.0],
        SynchronizationFrameOfReferenceUID="1.2.840.10008.15.1.1",
        AcquisitionTimeSynchronized="Y",
    ).timing
    np.testing.assert_allclose(timing.r_waves_s, [0.02, 0.12])
    assert timing.acquired_at == "2025-01-02T03:04:05.500000+01:00"
    assert timing.clock_uid == "1.2.840.10008.15.1.1"
    loose = run_of(tmp_path, SynchronizationFrameOfReferenceUID="1.2.3", AcquisitionTimeSynchronized="N").timing
    assert loose.clock_uid is None


def test_acquisition_falls_back_to_date_and_time_and_says_so(tmp_path: Path) -> None:
    run = run_of(
        tmp_path,
        AcquisitionDateTime=None,
        ContentDate="20250102",
        ContentTime="030405.25",
        TimezoneOffsetFromUTC="-0500",
    )
    assert run.timing.acquired_at == "2025-01-02T03:04:05.250000-05:00"
    assert any("ContentDate" in note for note in run.warnings)
    assert run_of(tmp_path, AcquisitionDateTime="2025").timing.acquired_at is None


def test_a_trigger_delay_is_added_to_a_triggered_start(tmp_path: Path) -> None:
    triggered = run_of(tmp_path, SynchronizationTrigger="EXTERNAL", ImageTriggerDelay="250")
    assert triggered.timing.acquired_at == "2025-01-02T03:04:05.750000+01:00"
    free = run_of(tmp_path, SynchronizationTrigger="NO TRIGGER", ImageTriggerDelay="250")
    assert free.timing.acquired_at == "2025-01-02T03:04:05.500000+01:00"


# ------------------------------------------------------------------------------------------ the motion


def test_motor_pullback(tmp_path: Path) -> None:
    pullback = run_of(tmp_path, IVUSPullbackStartFrameNumber=2, IVUSPullbackStopFrameNumber=7).pullback
    assert pullback.kind is PullbackKind.MOTOR
    assert pullback.speed_mm_s == 0.5
    assert (pullback.start_frame, pullback.stop_frame) == (1, 6)
    assert pullback.problem is None


@pytest.mark.parametrize(
    ("term", "kind"),
    [
        ("MOTORIZED", PullbackKind.MOTOR),
        ("MANUAL_PULLBACK", PullbackKind.MANUAL),
        ("MANUAL", PullbackKind.MANUAL),
        ("SELECTIVE", PullbackKind.SELECTIVE),
        (None, PullbackKind.UNKNOWN),
    ],
)
def test_terms_of_both_classes(tmp_path: Path, term: str | None, kind: PullbackKind) -> None:
    assert run_of(tmp_path, IVUSAcquisition=term).pullback.kind is kind


def test_gated_pullback(tmp_path: Path) -> None:
    pullback = run_of(tmp_path, IVUSAcquisition="GATED_PULLBACK", IVUSGatedRate="0.5").pullback
    assert (pullback.kind, pullback.gated_mm_per_beat, pullback.speed_mm_s) == (PullbackKind.GATED, 0.5, None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"IVUSPullbackRate": None}, "IVUSPullbackRate: is missing"),
        ({"IVUSPullbackRate": "0"}, "0 is no rate"),
        ({"IVUSPullbackRate": "-0.5"}, "-0.5 is no rate"),
        ({"IVUSPullbackStartFrameNumber": 7, "IVUSPullbackStopFrameNumber": 3}, "frame 7 comes after the stop frame 3"),
        ({"IVUSAcquisition": "GATED_PULLBACK"}, "IVUSGatedRate: is missing"),
    ],
)
def test_an_unusable_rate_costs_the_positions_not_the_run(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    run = run_of(tmp_path, **changes)
    assert run.pullback.speed_mm_s is None
    assert words in (run.pullback.problem or "")
    assert run.n_frames == N


def test_a_rate_with_its_unit_is_no_number(tmp_path: Path) -> None:
    run = with_bytes(tmp_path, b"\x18\x00\x01\x31DS\x04\x000.5 ", b"\x18\x00\x01\x31DS\x04\x000.5m")
    assert "'0.5m' is not a number" in (run.pullback.problem or "")


def test_frames_outside_the_run_are_clipped_and_named(tmp_path: Path) -> None:
    run = run_of(tmp_path, IVUSPullbackStartFrameNumber=0, IVUSPullbackStopFrameNumber=99)
    assert (run.pullback.start_frame, run.pullback.stop_frame) == (0, N - 1)
    assert sum("was clipped" in note for note in run.warnings) == 2
    assert any("unusual speed" in note for note in run_of(tmp_path, IVUSPullbackRate="50").warnings)


# -------------------------------------------------------------------------------------------- numbers


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_every_decimal_string_is_read_as_written(value: float) -> None:
    dataset = header(speckle(1))
    dataset.FrameTime = f"{value:.8g}"[:16]
    stated = float(f"{value:.8g}"[:16])
    assert raw_view(dataset).number("FrameTime") == stated


@given(st.text(alphabet="0123456789+-.,eEnaif x_", min_size=1, max_size=12))
def test_a_decimal_string_is_a_finite_number_or_refused_by_tag(text: str) -> None:
    assert verdict(raw_view(header(speckle(1)), FrameTime=text.encode()), text)


def verdict(attributes: Attributes, text: str) -> bool:
    try:
        value = attributes.number("FrameTime")
    except InputRefused as refusal:
        return refusal.tag == "(0018,1063) FrameTime"
    return value is None or (bool(np.isfinite(value)) and float(text) == value)


def raw_view(dataset: Dataset, **raw: bytes) -> Attributes:
    """The data set as it would come from a file, with some values replaced by bytes."""
    dataset.set_original_encoding(False, True)
    target = DicomBytesIO()
    target.is_implicit_VR, target.is_little_endian = False, True
    write_dataset(target, dataset)
    data = target.getvalue()
    for value in raw.values():
        padded = value + b" " * (len(value) % 2)
        data = data.replace(
            b"\x18\x00\x63\x10DS\x06\x0033.333", b"\x18\x00\x63\x10DS" + len(padded).to_bytes(2, "little") + padded
        )
    return Attributes(read_dataset(BytesIO(data), False, True), Path("memory"))
