"""What every test shares: a browser test needs Chromium, and in the gate its absence is a failure."""

from __future__ import annotations

import os
import shutil

import pytest

NO_CHROMIUM = "Chromium is not installed, so no page can be looked at. On Debian: apt-get install chromium"


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip browser tests where there is no browser; fail them where CI=true promises one."""
    if item.get_closest_marker("browser") and shutil.which("chromium") is None:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(NO_CHROMIUM)
