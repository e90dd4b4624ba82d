"""The offset between the two clocks."""

from __future__ import annotations

import numpy as np
import pytest

from boreline.errors import InputRefused
from boreline.model import Timing
from boreline.position.clocks import Offset, refined_offset, stated_offset


def timing(started: str | None, seconds: float = 20.0, clock: str | None = "1.2.840.10008.15.1.1") -> Timing:
    return Timing(np.arange(0, seconds, 1 / 15), "test", np.empty(0), started, clock)


def test_synchronised_clocks_are_subtracted_across_zones() -> None:
    found = stated_offset(
        timing("2025-03-14T09:30:00+00:00"), timing("2025-03-14T10:30:02.5+01:00"), offset_s=None, file="f.dcm"
    )
    assert found.offset_s == pytest.approx(2.5)
    assert found.source == "clocks"


def test_undeclared_clocks_are_only_a_hint() -> None:
    found = stated_offset(
        timing("2025-03-14T09:30:00+00:00"), timing("2025-03-14T09:30:01+00:00", clock=None), offset_s=None, file="f"
    )
    assert found.source == "unconfirmed"
    assert found.sd_s >= 1.0


def test_the_operator_beats_the_clocks() -> None:
    runs = timing("2025-03-14T09:30:00+00:00"), timing("2025-03-15T11:00:00+00:00")
    with pytest.raises(InputRefused, match=r"f\.dcm.*does not overlap.*--offset S"):
        stated_offset(*runs, offset_s=None, file="f.dcm")
    assert stated_offset(*runs, offset_s=-1.5, file="f.dcm") == Offset(-1.5, "operator", 0.2, "--offset -1.5 s")


@pytest.mark.parametrize("started", [None, "2025-03-14T09:30:00"])
def test_times_that_cannot_be_compared_are_refused(started: str | None) -> None:
    with pytest.raises(InputRefused, match=r"cannot be compared.*--offset"):
        stated_offset(timing("2025-03-14T09:30:00+00:00"), timing(started), offset_s=None, file="f.dcm")


def test_common_motion_finds_the_offset() -> None:
    rng = np.random.default_rng(5)
    beats = np.cumsum(rng.normal(0.85, 0.07, 40))

    def shake(t: np.ndarray) -> np.ndarray:
        return np.exp(-((((t[:, None] - beats[None, :]) - 0.25) / 0.08) ** 2)).sum(axis=1)

    ivus_s = np.arange(0, 25, 1 / 30)
    fluoro_s = np.arange(0, 18, 1 / 15)
    marker = np.column_stack([np.cumsum(shake(fluoro_s + 3.2)) * 2, np.zeros(len(fluoro_s))])
    start = Offset(2.0, "unconfirmed", 1.0, "hint")
    change = 5 + shake(ivus_s) + rng.normal(0, 0.1, len(ivus_s))
    found = refined_offset(start, ivus_s, change, fluoro_s, marker)
    assert found.source == "motion"
    assert found.offset_s == pytest.approx(3.2, abs=0.1)
    assert refined_offset(start, ivus_s, rng.normal(5, 1, len(ivus_s)), fluoro_s, marker) == start
