"""Landings flown with JSBSim and published timelines, loaded and detected once per session."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from . import jsbsim_fleet, timeline_more, timelines
from .jsbsim_landing import Flown
from .jsbsim_truth import Truth


@dataclass(frozen=True)
class Detected:
    """What the product made of a folder of recordings, by flight."""

    landings: pl.DataFrame
    instants: pl.DataFrame
    measures: pl.DataFrame
    outcomes: pl.DataFrame
    events: pl.DataFrame

    def landing(self, flight: str) -> dict[str, Any]:
        """The flight's one landing."""
        return self.landings.row(by_predicate=pl.col("flight") == flight, named=True)

    def of(self, table: str, flight: str) -> pl.DataFrame:
        """The rows of a table that belong to a flight."""
        return getattr(self, table).filter(pl.col("landing_id") == self.landing(flight)["landing_id"])


def detect(recordings: Path, archive: Path) -> Detected:
    """Load a folder and detect, by the public functions."""
    engine = pytest.importorskip("fdm.engine")
    engine.load([recordings], archive, map_file=None)
    engine.detect(archive)
    names = ("landings", "instants", "measures", "outcomes", "events")
    return Detected(*(engine.table(archive, name) for name in names))


@pytest.fixture(scope="session")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Detected, dict[str, tuple[Flown, Truth]]]:
    """JSBSim landings (OUTSIDE_LANDINGS of them, 15 unless set), detected, with their truth."""
    folder = tmp_path_factory.mktemp("jsbsim")
    truths = jsbsim_fleet.make(folder, int(os.environ.get("OUTSIDE_LANDINGS", "15")), seed=1)
    return detect(folder / "recordings", folder / "archive"), truths


@pytest.fixture(scope="session")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Detected:
    """Every published timeline, detected."""
    folder = tmp_path_factory.mktemp("timelines")
    timelines.write_all(folder / "recordings", timeline_more.TIMELINES)
    return detect(folder / "recordings", folder / "archive")
