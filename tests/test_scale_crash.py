"""kill -9 at random moments of load, detect and compact: the archive is whole, the next run completes it.

SCALE_KILLS=50 kills each verb fifty times; the gate has time for fewer.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from fdm.archive import Archive
from fdm.engine import detect, load
from tests.nights import assert_same, landing_ids, nights, tables

TOP = Path(__file__).parent.parent
KILLS = int(os.environ.get("SCALE_KILLS", "4"))  # of each verb
NIGHTS = 12


class Nursery:
    """A process that forks others (tests.killed), and kills them when they have come so far."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.killed"]
        one_thread = {"POLARS_MAX_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            command, cwd=TOP, env={**os.environ, **one_thread}, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, *words: str, kill_at: int | None = None) -> tuple[bool, int]:
        """Do a verb, and kill it when it has told of so many moments: whether it came to its end, and the moments."""
        self._tell(" ".join(words))
        child, moments, ended, killing = 0, 0, False, False
        for line in self._process.stdout or ():
            if line.startswith("born"):
                child = int(line.split()[1])
            elif line == "at\n":
                moments += 1
            elif line == "done\n":
                ended = True
            else:
                assert line.startswith("dead"), line
                return ended, moments
            if child and not killing and (ended or moments >= (kill_at or 10**9)):
                self._tell(f"kill {child}")  # one that has ended is buried by it
                killing = True
        raise AssertionError("the nursery itself ended")

    def _tell(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")
        self._process.stdin.flush()

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def nursery() -> Iterator[Nursery]:
    one = Nursery()
    yield one
    one.close()


def assert_whole(archive: Path, loaded: set[str]) -> None:
    """Every landing in force once, readable, and results that know of no others."""
    store = Archive(archive)
    ids = landing_ids(archive)
    assert len(ids) == len(set(ids))
    assert set(ids) <= loaded
    for part, mine in store.live().iter_rows():
        assert set(mine) <= set(store.read_part(part).facts["landing_id"])
    if store.run:
        judged = store.landings()["landing_id"]
        assert judged.n_unique() == len(judged)
        assert set(judged) <= set(ids)
        assert set(store.events()["landing_id"]) <= set(judged)
        assert store.outcomes().height == 22 * len(judged)


def test_killed_at_random_moments_nothing_is_lost_or_doubled(nursery: Nursery, tmp_path: Path) -> None:
    dropped = nights(tmp_path / "recordings", NIGHTS, dead=4)
    clean = tmp_path / "clean"
    load(dropped, clean)
    detect(clean)
    everything = set(landing_ids(clean))
    archive, rng = tmp_path / "archive", np.random.default_rng(9)
    kills = dict.fromkeys(("load", "detect", "compact"), 0)
    usual = {"load": 20, "detect": 20, "compact": 8}  # moments that each tells of; the last time, from then on
    Archive(archive, create=True)
    for number, night in enumerate(dropped, start=1):
        for verb in kills:
            words = (verb, str(archive), *([str(night)] if verb == "load" else []))
            before, ended = set(landing_ids(archive)), False
            while not ended and kills[verb] < min(KILLS, KILLS * number / (NIGHTS - 4)):
                ended, _ = nursery.run(*words, kill_at=int(rng.integers(1, usual[verb])))
                kills[verb] += not ended
                assert_whole(archive, everything)
                assert before <= set(landing_ids(archive))
            _, usual[verb] = nursery.run(*words)
    assert min(kills.values()) >= KILLS, kills
    assert_whole(archive, everything)
    assert set(landing_ids(archive)) == everything
    assert_same(tables(archive), tables(clean))
    left = [path for path in archive.rglob(".*") if path.name.endswith(".part")]
    assert not left, "nothing half-written is left over by the last run"
