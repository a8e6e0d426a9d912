"""What every test shares: a browser test needs Chromium, and in the gate its absence is a failure."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")

NO_CHROMIUM = "Chromium is not installed, so no page can be looked at. On Debian: apt-get install chromium"

SLOW = {  # files whose tests are all marked slow
    "test_accessible.py",
    "test_browser.py",
    "test_cost_archive.py",
    "test_cost_twins.py",
    "test_debrief_in_browser.py",
    "test_deciding_in_browser.py",
    "test_engine.py",
    "test_faults.py",
    "test_gate_leaks.py",
    "test_limits_in_browser.py",
    "test_never_lost.py",
    "test_officer_in_browser.py",
    "test_real_archive.py",
    "test_retention.py",
    "test_sample_flights.py",
    "test_sample_physics.py",
    "test_scale_crash.py",
    "test_scale_faults.py",
    "test_scale_stores.py",
    "test_scale_workers.py",
    "test_sheet.py",
    "test_wheel.py",
}
LONGEST_FIRST = (  # so that two workers end together
    "test_cost_twins.py",
    "test_faults.py",
    "test_scale_crash.py",
    "test_gate_leaks.py",
    "test_browser.py",
    "test_accessible.py",
    "test_deciding_in_browser.py",
    "test_debrief_in_browser.py",
    "test_limits_in_browser.py",
    "test_engine.py",
    "test_officer_in_browser.py",
    "test_scale_stores.py",
    "test_cost_archive.py",
    "test_jsbsim.py",
    "test_real_archive.py",
    "test_scale_workers.py",
    "test_sample_flights.py",
    "test_wheel.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of slow files, and put the longest files first."""
    for item in items:
        if item.path.name in SLOW:
            item.add_marker(pytest.mark.slow)
    rank = {name: number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip browser tests where there is no browser; fail them where CI=true promises one."""
    if item.get_closest_marker("browser") and shutil.which("chromium") is None:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(NO_CHROMIUM)


@pytest.fixture(scope="session")
def costed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped recordings loaded, judged, and their costs estimated; to be copied before anything is written."""
    from fdm.cost import keep_costs
    from fdm.engine import detect, load
    from tests.nights import DATA

    path = tmp_path_factory.mktemp("costed") / "archive"
    load([DATA], path)
    detect(path)
    keep_costs(path)
    return path


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrowserContext]:
    """Headless Chromium with a profile that all tests of a process share, so that it compiles scripts but once.

    Playwright allows no second browser in a process.
    """
    from playwright.sync_api import sync_playwright

    profile = tmp_path_factory.mktemp("profile")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch_persistent_context(profile, executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()
