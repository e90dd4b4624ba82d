"""What every test shares: skips become failures when BORELINE_NO_SKIPS is set."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("boreline", deadline=None)  # machines are shared: a slow moment is no failure
settings.load_profile("boreline")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[Any]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and os.environ.get("BORELINE_NO_SKIPS") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although BORELINE_NO_SKIPS is set: {report.longrepr}"
    return report
