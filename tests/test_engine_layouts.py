"""Three and four engines, inboard reversers only, EPR instead of N1, levers absent: from files to outcomes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import polars as pl

from fdm.engine import detect, load, table
from fdm.parameters import PARAMETERS
from fdm.recording import Recording
from tests.handmade import POWER, landing
from tests.making import Truth, line, switch

SLOW = switch(0, (2.6, 1), (8.6, 2), (25, 1), (28, 0))
HELD_BACK = line((-4, 55), (0, 25), (9, 25), (13, 70), (18, 70), (24, 25))  # its interlock let go when it was out
STUCK = switch(0, (2.6, 1), (26, 0))
HELD = line((-4, 55), (0, 25))


def _epr(power: Truth) -> Truth:
    """EPR that grows as the square of N1, to 1.6 at 100 %."""
    return lambda t: 1 + 0.6 * (power(t) / 100) ** 2


def _outcomes(
    folder: Path, changes: Mapping[str, Truth | None], engines: int, reversers: Sequence[int]
) -> pl.DataFrame:
    """Outcomes with severity and engine, by rule, of one landing written as a long table with its map."""
    recording = landing(changes, engines=engines, reversers=reversers, end_s=100.0)
    _write(folder, recording, engines, reversers)
    load([folder / "landing.parquet"], folder / "archive", map_file=folder / "map.toml")
    detect(folder / "archive")
    events = table(folder / "archive", "events").select("rule", "severity", "engine")
    return table(folder / "archive", "outcomes").join(events, on="rule", how="left")


def _write(folder: Path, recording: Recording, engines: int, reversers: Sequence[int]) -> None:
    rows = [
        pl.DataFrame({"time_s": s.time_s, "parameter": name, "value": np.asarray(s.values, float)})
        for name, s in recording.samples.items()
    ]
    pl.concat(rows).sort("time_s").write_parquet(folder / "landing.parquet")
    lines = ["[map]", 'name = "made"', 'fleet = "made"', f"engines = {engines}", f"reversers = {list(reversers)}"]
    states = 'states = { "0" = "stowed", "1" = "in_transit", "2" = "deployed" }'
    for name in recording.samples:
        kind = PARAMETERS[name].kind
        means = {"discrete": "true_when = [1]", "state": states}.get(kind, f'unit = "{PARAMETERS[name].unit}"')
        lines += [f'[parameter."{name}"]', f'column = "{name}"', means]
    (folder / "map.toml").write_text("\n".join(lines) + "\n")


def _of(outcomes: pl.DataFrame, rule: str) -> tuple[str, str | None, int | None]:
    return outcomes.filter(pl.col("rule") == rule).select("outcome", "severity", "engine").row(0)


def _silent(outcomes: pl.DataFrame) -> set[str]:
    return set(outcomes.filter(pl.col("outcome") == "not_assessed")["rule"])


def test_four_engines_with_inboard_reversers_only(tmp_path: Path) -> None:
    """Engines 1 and 4 come down to idle and have none; reverser 3 is six seconds in transit."""
    power: dict[str, Truth | None] = {f"n1.{e}": HELD for e in (1, 4)}
    slow: dict[str, Truth | None] = {"reverser_state.3": SLOW, "n1.3": HELD_BACK}
    outcomes = _outcomes(tmp_path, power | slow, 4, (2, 3))
    assert _of(outcomes, "slow_transit")[2] == 3
    assert _of(outcomes, "asymmetric_deployment")[0] == "event"
    assert _of(outcomes, "forward_power_with_reverser_out")[0] == "within"
    assert _of(outcomes, "slow_high_reverse")[0] == "within"


def test_an_outboard_engine_without_reverser_that_pushes_forward_is_told(tmp_path: Path) -> None:
    pushing = line((-4, 55), (0, 25), (8, 25), (10, 55), (16, 55), (18, 25))
    outcomes = _outcomes(tmp_path, {"n1.1": HELD, "n1.4": pushing}, 4, (2, 3))
    assert _of(outcomes, "forward_power_with_reverser_out")[0] == "event"


def test_four_engines_mirror_outer_and_inner(tmp_path: Path) -> None:
    """Reverser 4 slow: its mirror is 1, and the inner pair is even."""
    outcomes = _outcomes(tmp_path, {"reverser_state.4": SLOW, "n1.4": HELD_BACK}, 4, (1, 2, 3, 4))
    assert _of(outcomes, "asymmetric_deployment")[0] == "event"
    assert _of(outcomes, "slow_transit")[2] == 4


def test_three_engines_with_the_middle_one_unpaired(tmp_path: Path) -> None:
    outcomes = _outcomes(tmp_path, {"reverser_state.2": STUCK, "n1.2": HELD}, 3, (1, 2, 3))
    assert _of(outcomes, "asymmetric_deployment")[0] == "within"
    assert _of(outcomes, "reverser_not_deployed")[::2] == ("event", 2)


def test_epr_stands_for_n1(tmp_path: Path) -> None:
    """Power held to 8 kt on engine 2, seen in EPR alone."""
    late = line((-4, 55), (0, 25), (5, 25), (9, 75), (29, 75), (33, 25))
    changes: dict[str, Truth | None] = {"n1.1": None, "n1.2": None, "epr.1": _epr(POWER), "epr.2": _epr(late)}
    changes |= {"reverser_state.2": switch(0, (2.6, 1), (4.6, 2), (33, 1), (36, 0))}
    changes |= {"reverse_lever.2": line((1.9, 0), (2.4, 0.25), (5, 0.25), (5.5, 0.9), (29, 0.9), (29.5, 0.25), (33, 0))}
    outcomes = _outcomes(tmp_path, changes, 2, (1, 2))
    assert _of(outcomes, "slow_high_reverse")[::2] == ("event", 2)
    assert not _silent(outcomes) & {"slow_high_reverse", "unequal_reverse_power", "asymmetric_deployment"}


def test_without_levers_the_sleeves_tell_of_selection(tmp_path: Path) -> None:
    late = switch(0, (11.6, 1), (13.6, 2), (25, 1), (28, 0))
    gone: dict[str, Truth | None] = {f"reverse_lever.{e}": None for e in (1, 2)}
    outcomes = _outcomes(tmp_path, gone | {f"reverser_state.{e}": late for e in (1, 2)}, 2, (1, 2))
    assert _of(outcomes, "late_reverse")[0] == "event"
    assert _of(outcomes, "no_reverse")[0] == "within"
    assert _of(outcomes, "asymmetric_deployment")[0] == "within"


def test_spoilers_that_read_in_on_the_only_landing_are_a_possible_event(tmp_path: Path) -> None:
    """They did not come up, or their sensor is dead: nothing recorded tells."""
    _outcomes(tmp_path, {"spoiler_handle": line((0, 0))}, 2, (1, 2))
    event = table(tmp_path / "archive", "events").filter(pl.col("rule") == "late_spoilers").row(0, named=True)
    assert (event["severity"], event["severity_highest"]) == ("high", "high")
    assert event["severity_lowest"] == "within"
    assert "sensor" in str(event["evidence"])
