"""Recorder faults in landings flown with JSBSim: recognised, named, placed in time, and never made into events.

Each landing is flown and sampled once, and exported again with one fault after another. What is expected follows from
JSBSim's truth and from what the recorder can tell apart, never from what the product says of the healthy recording.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from .fault_fleet import Export, Study, exports, fly_fleet, study
from .fault_tools import STAMPS, Fault
from .faults import FAULTS
from .judging import SEVERITIES

pytestmark = pytest.mark.outside
LANDINGS = int(os.environ.get("OUTSIDE_FAULT_LANDINGS", "105"))  # seven of each lapse; tests.bench.confusion flies 200
NORMALS = 6  # normal landings, both models, that get every fault
MEDIUM = 2
SHOWN_BY = {  # engines that did the same cannot be told apart: who must show the fault
    "n1_swapped": ("one_slow", "one_never"),
    "reversers_swapped": ("one_slow", "one_never"),
}
CLOCK_WORDS = ("row", "no data", "time goes back", "clock", "stamp")
NEAR_S = 1.5  # a fault is found at samples, up to a sampling interval away from where it began and ended
Faulty = tuple[list[Export], Study]


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Faulty:
    """The exports, and what the product made of them."""
    folder: Path = tmp_path_factory.mktemp("faults")
    made = exports(fly_fleet(folder / "models", LANDINGS, seed=1), NORMALS, seed=5)
    return made, study(folder, made)


# -- the faults themselves --------------------------------------------------------------------------------------------


def test_a_fault_spoils_what_it_names_and_nothing_else(faulty: Faulty) -> None:
    """Its parameter (both sides, or all discretes of a reverser), and only while it lasts."""
    for one in faulty[0]:
        if one.done is None or one.done.kind == "time gap":
            continue
        family, number = one.done.parameter.partition("_")[0].partition(".")[0], one.done.parameter[-2:]
        for name, (time_s, healthy) in one.landed.recording.items():
            named = name.startswith(family) and (family != "reverser" or name[-2:] == number)
            if one.done.kind == "swapped" and name.startswith(family):
                continue
            stamps, values = one.recording[name]
            assert np.array_equal(stamps, time_s)
            changed = ~((values == healthy) | (np.isnan(values) & np.isnan(healthy)))
            outside = (time_s < one.done.from_s) | (time_s > one.done.to_s) | (not named)
            if one.done.kind != "clock set back":  # which lasts to the end; what is named is the time written twice
                assert not (changed & outside).any(), (one.flight, name, time_s[changed & outside])


# -- healthy recordings -----------------------------------------------------------------------------------------------


def test_healthy_landings(faulty: Faulty) -> None:
    """Every event found, none invented, none of another severity, outside what the recorder cannot tell apart."""
    rows = faulty[1].rows.filter(pl.col("fault") == "healthy")
    assert rows["flight"].n_unique() == LANDINGS
    assert rows.filter(pl.col("true") > 0).height > 0.3 * LANDINGS
    wrong = rows.filter(_invented(1) | _missed(1) | _other_severity())
    assert not wrong.height, _lines(wrong)


def test_healthy_events_are_assessed(faulty: Faulty) -> None:
    """What was certainly an event of medium severity or more is not lost among the not assessed."""
    rows = faulty[1].rows.filter((pl.col("fault") == "healthy") & (pl.col("lowest_true") >= MEDIUM))
    lost = rows.filter(pl.col("outcome") == "not_assessed")
    assert rows.height > 0.2 * LANDINGS
    assert not lost.height, _lines(lost)


def _invented(at_least: int) -> pl.Expr:
    """An event of a severity that no value near the truth has."""
    return (pl.col("said") >= at_least) & (pl.col("highest_true") < at_least)


def _missed(at_least: int) -> pl.Expr:
    """Within for certain, although every value near the truth is an event."""
    sure = (pl.col("outcome") == "within") & (pl.col("could") < at_least)
    return sure & (pl.col("lowest_true") >= at_least)


def _other_severity() -> pl.Expr:
    """An event whose bounds hold none of the severities near the truth."""
    off = (pl.col("lowest") > pl.col("highest_true")) | (pl.col("highest") < pl.col("lowest_true"))
    return (pl.col("outcome") == "event") & off


# -- faults never make events, and never hide them ----------------------------------------------------------------


@pytest.mark.parametrize("fault", FAULTS)
def test_normal_landings_stay_quiet(faulty: Faulty, fault: str) -> None:
    rows = faulty[1].rows.filter((pl.col("fault") == fault) & (pl.col("lapse") == "normal"))
    assert rows["flight"].n_unique() >= 2
    assert not rows.filter(_invented(MEDIUM)).height, _lines(rows.filter(_invented(MEDIUM)))


@pytest.mark.parametrize("fault", FAULTS)
def test_lapses_keep_their_outcome_or_are_not_assessed(faulty: Faulty, fault: str) -> None:
    rows = faulty[1].rows.filter((pl.col("fault") == fault) & (pl.col("lapse") != "normal"))
    assert rows.filter(pl.col("lowest_true") >= MEDIUM).height >= 5
    wrong = rows.filter(_invented(MEDIUM) | _missed(MEDIUM))
    assert not wrong.height, _lines(wrong)


# -- faults are named and placed, and leave the rest assessed -------------------------------------------------------


@pytest.mark.parametrize("fault", FAULTS)
def test_the_fault_is_named(faulty: Faulty, fault: str) -> None:
    """In the quality of the landing, or as a reason why something was not assessed; and not in the healthy one's."""
    silent = [one.flight for one in _shown(faulty[0], fault) if not _naming(faulty[1], one)]
    assert not silent, [(flight, faulty[1].quality.get(flight)) for flight in silent]


@pytest.mark.parametrize("fault", FAULTS)
def test_the_fault_is_placed_in_time(faulty: Faulty, fault: str) -> None:
    """A fault that does not last for the whole recording is said with its time."""
    shown = [one for one in _shown(faulty[0], fault) if one.done and not one.done.whole]
    lost = [one.flight for one in shown if not any(_tells_when(s, one) for s in _naming(faulty[1], one))]
    assert not lost, [(flight, faulty[1].quality.get(flight)) for flight in lost]


@pytest.mark.parametrize("fault", FAULTS)
def test_the_landing_is_kept(faulty: Faulty, fault: str) -> None:
    """One landing from each recording, of the right kind, and most rules assessed on a normal one."""
    made, found = faulty
    for one in [one for one in made if one.fault == fault]:
        landings = found.landings.get(one.flight)
        assert landings is not None, (one.flight, found.quality.get(one.flight))
        assert landings.height == 1, one.flight
        expected = "go_around" if one.landed.lapse == "go_around" else "full_stop"
        assert landings["kind"].item() == expected, one.flight
    rows = found.rows.filter((pl.col("fault") == fault) & (pl.col("lapse") == "normal"))
    assessed = (rows["outcome"] != "not_assessed").mean()
    assert isinstance(assessed, float)
    assert assessed >= 0.4


def test_whatever_is_not_assessed_says_why(faulty: Faulty) -> None:
    """In words: a reason, without a code in it."""
    rows = faulty[1].rows.filter(pl.col("outcome") == "not_assessed")
    reasons = rows["reason"]
    assert reasons.null_count() == 0
    assert not [r for r in reasons.unique() if len(r) < 10 or "nan" in r.lower().split() or "None" in r]


def test_bad_recordings_make_no_warnings(faulty: Faulty) -> None:
    assert not faulty[1].warned, sorted(set(faulty[1].warned))


def _shown(made: Sequence[Export], fault: str) -> list[Export]:
    """The recordings in which a fault shows."""
    lapses = SHOWN_BY.get(fault, ("normal",))
    found = [one for one in made if one.fault == fault and one.landed.lapse in lapses]
    assert found
    return found


def _naming(found: Study, one: Export) -> list[str]:
    """Sentences on a recording that speak of its fault's parameter and are not there without the fault."""
    assert one.done is not None
    words = _words(one.done)
    usual = set(_said(found, f"healthy~{one.landed.plan.name}"))
    return [s for s in _said(found, one.flight) if s not in usual and any(word in s.lower() for word in words)]


def _said(found: Study, flight: str) -> list[str]:
    reasons = found.rows.filter((pl.col("flight") == flight) & (pl.col("outcome") == "not_assessed"))["reason"]
    return [*found.quality.get(flight, []), *reasons.unique().to_list()]


def _words(done: Fault) -> tuple[str, ...]:
    """How the parameter of a fault may be called in a sentence."""
    if done.parameter == STAMPS:
        return CLOCK_WORDS
    family, _, number = done.parameter.partition(".")
    words = {done.parameter, family.replace("_", " "), *({"air/ground"} if family == "main_gear_ground" else ())}
    if family.startswith("reverser"):
        words |= {f"reverser {number}", f"reverser_deployed.{number}", f"reverser_unlocked.{number}"}
    if family == "n1":
        words |= {f"n1 of engine {number}"}
    return tuple(words)


def _tells_when(sentence: str, one: Export) -> bool:
    """Whether a time in the sentence, on the recording's clock or after touchdown, lies in the fault."""
    assert one.done is not None
    spans = re.findall(r"(-?\d+\.\d+)(?: to (-?\d+\.\d+))?", sentence)
    told = [float(end) for span in spans for end in span if end]
    from_s, to_s = one.done.from_s - NEAR_S, one.done.to_s + NEAR_S
    touchdown_s = one.landed.truth.touchdown_s
    return any(from_s <= t <= to_s or from_s <= t + touchdown_s <= to_s for t in told)


def _lines(rows: pl.DataFrame) -> str:
    shown = [
        f"{row['flight']} {row['rule']}: true {SEVERITIES[row['true']]} ({row['truth']:.2f}), {row['outcome']} "
        f"{SEVERITIES[row['said']]} {row['value']} [{row['lower']}, {row['upper']}] {row['reason'] or ''}"
        for row in rows.iter_rows(named=True)
    ]
    return f"{len(shown)} wrong\n" + "\n".join(shown[:40])
