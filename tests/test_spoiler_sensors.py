"""Spoiler sensors that died, are scaled or froze: told by a tail's landings and by the deceleration, or left open.

Drag and lift dump of ground spoilers slow an airliner by 0.04 g and more, felt at once (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from fdm.bounded import Measured
from fdm.tails import dead_discretes, seen_of, suspects_of, without_dead
from tests.handmade import SPOILERS, Made, landing, measured
from tests.making import Truth, line

DEAD, NOT_FELT = line((0, 0)), line((-30, -0.05), (0.2, -0.05), (0.5, -0.06))
FELT = line((-30, -0.05), (0.3, -0.05), (1.0, -0.1))


def part_way(to: float) -> Truth:
    return line((0.5, 0), (1.5, to), (29, to), (30, 0))


@dataclass(frozen=True)
class Tail:
    """Landings of one tail, a day apart, after what they tell together."""

    made: Made
    believed: Measured
    sentences: dict[int, str]
    suspected: bool

    def __call__(self, name: str, row: int = 0) -> tuple[float, float, float, str]:
        bounded = self.believed.values[name]
        value, lower, upper, why = (x[row] for x in (bounded.value, bounded.lower, bounded.upper, bounded.why))
        return float(value), float(lower), float(upper), self.believed.reasons[int(why)]

    def certain(self, name: str, row: int = 0) -> bool:
        """Nothing was changed about it."""
        given = self.made(name, row=row)
        return self(name, row)[:3] == (given.value, given.lower, given.upper)


def tail(*spoilers: Truth, rate_hz: float = 4.0, felt: Truth | None = None, named: bool = True, rolls: int = 9) -> Tail:
    """The last `rolls` landings are rollouts; before them it went around."""
    made = measured(
        [
            landing(
                {"spoiler_handle": truth, "longitudinal_acceleration": felt},
                rates={"spoiler_handle": rate_hz},
                content=str(number),
                facts={"start_utc": datetime(2026, 11, number + 1, 8, tzinfo=UTC)},
            )
            for number, truth in enumerate(spoilers)
        ]
    )
    landings = made.result.landings.with_columns(tail=pl.lit("QQ-AAA" if named else None, pl.String))
    around = pl.int_range(pl.len()) < len(spoilers) - rolls
    landings = landings.with_columns(kind=pl.when(around).then(pl.lit("go_around")).otherwise("kind"))
    seen = seen_of(made.measured, {name: when.best for name, when in made.result.instants.items()})
    dead = dead_discretes(landings, seen)
    believed = without_dead(made.measured, dead, made.reasons)
    rows = {key: n for n, key in enumerate(made.measured.landing_id)}
    sentences = {rows[key]: text for key, text in dead.select("landing_id", "sentence").iter_rows()}
    return Tail(made, believed.measured, sentences, bool(suspects_of(landings, seen)))


@pytest.mark.parametrize("named", [True, False])
def test_on_one_landing_alone_a_dead_sensor_is_not_ruled_out(named: bool) -> None:
    """It may never have come up, and may have been up on time."""
    given = tail(DEAD, named=named)
    value, lower, upper, _ = given("spoiler_delay_s")
    assert (value, lower, upper) == (pytest.approx(27.5, abs=0.5), 0.0, np.inf)
    assert given("spoiler_extension_max")[2] == 1.0
    assert given("spoiler_sensor_unproven")[0] == 1


def test_a_lift_dump_that_was_not_felt_makes_it_certain() -> None:
    given = tail(DEAD, felt=NOT_FELT)
    assert given.certain("spoiler_delay_s")
    assert given.certain("spoiler_extension_max")
    assert not tail(DEAD, felt=FELT).certain("spoiler_delay_s")


def test_a_sensor_that_lived_later_makes_it_certain_and_one_that_lived_before_does_not() -> None:
    given = tail(SPOILERS, DEAD, SPOILERS, DEAD)
    assert [given.certain("spoiler_delay_s", row) for row in range(4)] == [True, True, True, False]


def test_a_sensor_that_is_nought_on_three_landings_in_a_row_is_dead() -> None:
    given = tail(SPOILERS, DEAD, DEAD, DEAD)
    assert np.isnan(given("spoiler_delay_s", 1)[:3]).all()
    assert given("spoiler_delay_s", 3)[3] == "spoilers never move on this tail since 2 November 2026"
    assert given.certain("spoiler_delay_s", 0)


def test_spoilers_that_did_not_come_up_three_times_are_believed_where_nothing_was_felt() -> None:
    given = tail(DEAD, DEAD, DEAD, felt=NOT_FELT)
    assert all(given.certain("spoiler_delay_s", row) for row in range(3))


def test_spoilers_that_stayed_in_when_it_went_around_do_not_count() -> None:
    given = tail(DEAD, DEAD, DEAD, rolls=1)
    assert given("spoiler_delay_s", 2)[0] > 20
    assert list(given.sentences) == [2]


def test_part_of_the_way_on_one_landing_alone_may_be_the_scale() -> None:
    given = tail(part_way(0.65))
    value, lower, upper, _ = given("spoiler_extension_max")
    assert lower < value < 0.7
    assert upper == 1.0
    assert given("spoiler_delay_s")[1] < 1.0
    assert np.isposinf(given("spoiler_delay_s")[2])


def test_what_began_to_move_late_was_late_whatever_the_scale() -> None:
    assert tail(line((5.5, 0), (6.5, 0.65)))("spoiler_delay_s")[1] > 5.0


def test_part_of_the_way_is_certain_where_the_tail_reads_full_on_another_landing() -> None:
    given = tail(part_way(0.65), SPOILERS, part_way(0.4))
    assert all(given.certain(name, row) for name in ("spoiler_delay_s", "spoiler_extension_max") for row in range(3))


def test_the_same_plateau_on_every_landing_is_the_scale_of_the_sensor() -> None:
    given = tail(*(part_way(to) for to in (0.65, 0.655, 0.645)))
    assert given("spoiler_delay_s", 1)[3] == "spoilers stop at 65 % on each landing of this tail since 1 November 2026"
    assert np.isnan(given("spoiler_extension_max", 2)[:3]).all()
    apart = tail(*(part_way(to) for to in (0.65, 0.5, 0.75)))
    assert not np.isnan(apart("spoiler_extension_max", 1)[0])


def test_a_tail_whose_spoilers_come_up_is_not_suspected() -> None:
    given = tail(SPOILERS, SPOILERS)
    assert not given.suspected
    assert not given.sentences


# -- frozen, where all that was sampled is in or out -------------------------------------------------------------------

QUICK = line((0.5, 0), (0.8, 1), (29, 1), (29.3, 0))


def late(at_s: float) -> Truth:
    """In until then, and out in the next sample of one a second."""
    return lambda t: np.where((t > -2) & (t < at_s), 0.0, QUICK(t)).round()


def test_a_frozen_sensor_that_only_read_in_or_out_is_possible_on_one_landing() -> None:
    given = tail(late(6.0), rate_hz=1.0)
    value, lower, _, _ = given("spoiler_delay_s")
    assert value > 5
    assert lower <= 0.8


def test_it_is_not_assessed_where_the_tail_shows_spoilers_on_their_way() -> None:
    given = tail(SPOILERS, late(6.0), rate_hz=1.0)
    value, lower, upper, said = given("spoiler_delay_s", 1)
    assert np.isnan(value)
    assert lower <= 0.8
    assert upper >= 5.0
    assert "frozen or not yet out" in said
    assert not np.isnan(given("spoiler_extension_max", 1)[0])


def test_a_discrete_is_believed_where_no_landing_of_its_tail_shows_more_than_in_or_out() -> None:
    given = tail(*(lambda t: QUICK(t).round(),) * 5, late(6.0), rate_hz=1.0)
    assert given.certain("spoiler_delay_s", 5)


def test_a_late_discrete_whose_lift_dump_is_felt_is_certain() -> None:
    given = tail(late(6.0), rate_hz=1.0, felt=line((0, -0.1), (5.9, -0.1), (6.2, -0.17)))
    assert given.certain("spoiler_delay_s")
