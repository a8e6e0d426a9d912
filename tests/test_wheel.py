"""The wheel, installed by itself and used from another folder: rules, pages and recordings travel with it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
PIP = (sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [*PIP, "wheel", "--no-deps", "--wheel-dir", folder, TOP], capture_output=True, text=True, timeout=600
    )
    assert built.returncode == 0, built.stderr
    (file,) = folder.glob("*.whl")
    return file


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's own files in a folder of their own; what it depends on comes from this environment."""
    site = tmp_path_factory.mktemp("site")
    done = subprocess.run(
        [*PIP, "install", "--no-deps", "--no-compile", "--target", site, wheel],
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr
    return site


def away(installed: Path, tmp_path: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run Python in an empty folder, where the checkout is out of reach and the wheel's files come first."""
    env = {**os.environ, "PYTHONPATH": str(installed), "XDG_CACHE_HOME": str(tmp_path / "cache"), "COLUMNS": "120"}
    here = tmp_path / "elsewhere"
    here.mkdir(exist_ok=True)
    return subprocess.run([sys.executable, *command], cwd=here, env=env, capture_output=True, text=True, timeout=600)


def test_the_wheel_holds_the_product_and_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"fdm", "dashboard", "rules", "sample_flights"}
    assert not [name for name in names if "__pycache__" in name or name.endswith((".pyc", ".orig"))]
    shipped = {str(p.relative_to(TOP)) for p in (TOP / "rules").glob("*.toml")}
    assert len(shipped) == 23, "22 rules and the settings"
    assert shipped <= set(names)
    assert {name for name in names if name.startswith("dashboard/assets/")}
    assert "sample_flights/data/flights.csv" in names


def test_the_demonstration_runs_away_from_the_checkout(installed: Path, tmp_path: Path) -> None:
    done = away(installed, tmp_path, "-m", "fdm", "demo", "--small", "--once")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert re.search(r"\d+ landings, from recordings to events", done.stdout)
    assert re.search(r"^[◆◇▲△●○] .*QQ-", done.stdout, re.M)


def test_every_package_comes_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    names = "fdm dashboard rules sample_flights"
    code = f"import importlib; print(*(importlib.import_module(n).__file__ for n in '{names}'.split()))"
    done = away(installed, tmp_path, "-c", code)
    assert [Path(name).is_relative_to(installed) for name in done.stdout.split()] == [True] * 4, done.stdout


def test_the_shipped_rules_pass_their_cases_there(installed: Path, tmp_path: Path) -> None:
    done = away(installed, tmp_path, "-m", "fdm", "check", "rules")
    assert done.returncode == 0, done.stderr
    assert "22 rules" in done.stdout


def test_the_program_has_its_command(installed: Path) -> None:
    assert (installed / "bin" / "fdm").exists()
    (entry,) = installed.glob("*.dist-info/entry_points.txt")
    assert "fdm = fdm.cli:main" in entry.read_text()
