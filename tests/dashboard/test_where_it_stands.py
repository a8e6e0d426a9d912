"""Among which landings a landing stands: those that the rule judged, and none where it did not judge this one."""

from __future__ import annotations

import polars as pl
import pytest
from conftest import text_of
from invented_archive import RULES, FakeArchive

from dashboard import standing_marks
from dashboard.standings import Standing, standings
from dashboard.store import Store
from fdm import schemas

DEAD = "engine 2: reverser 2 never reads deployed"


class Judged(FakeArchive):
    """60 landings of one type, each of them judged by every rule, until a test says otherwise."""

    def __init__(self) -> None:
        super().__init__(landings=60)
        self._landings = self._landings.with_columns(fleet=pl.lit("Tern 200"))
        self._measures = self._measures.with_columns(
            value=pl.col("value").fill_nan(1.0),
            lower=pl.col("lower").fill_nan(1.0),
            upper=pl.col("upper").fill_nan(1.0),
        )
        self._outcomes = self._outcomes.with_columns(outcome=pl.lit("within"), reason=pl.lit(None, pl.String))

    def not_assessed(self, rule: str, reason: str, *landing_ids: str) -> None:
        mine = (pl.col("rule") == rule) & pl.col("landing_id").is_in(list(landing_ids))
        self._outcomes = self._outcomes.with_columns(
            outcome=pl.when(mine).then(pl.lit("not_assessed")).otherwise("outcome"),
            reason=pl.when(mine).then(pl.lit(reason)).otherwise("reason"),
        )

    def measured(self, measure: str, value: float, *landing_ids: str) -> None:
        mine = (pl.col("measure") == measure) & pl.col("landing_id").is_in(list(landing_ids))
        kept = self._measures.filter(~mine)
        rows = [
            {"landing_id": one, "measure": measure, "value": value, "lower": value, "upper": value, "unit": "s"}
            for one in landing_ids
        ]
        self._measures = pl.concat([kept, pl.DataFrame(rows, schema=schemas.MEASURES)])

    def went_around(self, *landing_ids: str) -> None:
        mine = pl.col("landing_id").is_in(list(landing_ids))
        self._landings = self._landings.with_columns(
            kind=pl.when(mine).then(pl.lit("go_around")).otherwise("kind"),
        )


@pytest.fixture
def judged() -> Judged:
    return Judged()


def store_of(archive: FakeArchive) -> Store:
    return Store(archive, lambda _run: RULES)


def ids(archive: FakeArchive) -> list[str]:
    return archive.landings()["landing_id"].sort().to_list()


def of_rule(store: Store, key: str, rule: str) -> Standing:
    (found,) = (one for one in standings(store, key, [{"rule": rule}]) if one.card.name == rule)
    return found


def test_a_landing_stands_among_those_that_the_rule_judged(judged):
    """Of 60 landings 4 flew again, with values far above all others: a rule of the rollout did not judge them."""
    mine, *flew = ids(judged)[:5]
    judged.went_around(*flew)
    judged.not_assessed("spoilers_retracted_early", "go-around or touch-and-go: not judged as a rollout", *flew)
    judged.measured("spoiler_retract_speed_kt", 135.0, *flew)
    judged.measured("spoiler_retract_speed_kt", 101.0, mine)
    found = of_rule(store_of(judged), mine, "spoilers_retracted_early")
    assert found.n == 56
    assert max(found.tails) == 101.0
    assert standing_marks.percentile(found).startswith("More than 99.1 % of 56 landings")  # itself counts half


def test_what_no_rule_judges_is_told_among_full_stops(judged):
    judged.went_around(*ids(judged)[:7])
    judged.measured("touchdown_ground_speed_kt", 130.0, *ids(judged))
    assert store_of(judged).fleet_values("touchdown_ground_speed_kt", "Tern 200")["landing_id"].n_unique() == 53


def test_usual_values_are_of_landings_that_the_rule_judged(judged):
    judged.not_assessed("late_spoilers", "gap of 4 s in spoiler_handle", *ids(judged)[:9])
    assert store_of(judged).spread("spoiler_delay_s", "Tern 200")["n"] == 51


def test_a_landing_that_the_rule_did_not_assess_has_no_place_and_says_why(judged):
    """Engine 1 measured 0.0 s, engine 2 nothing: a missing engine never counts as within limits."""
    mine = ids(judged)[0]
    judged.not_assessed("slow_transit", DEAD, mine)
    judged.measured("deploy_transit_s", 0.0, mine)
    found = of_rule(store_of(judged), mine, "slow_transit")
    assert (found.value, found.below, found.n) == (None, None, 59)
    said = text_of(standing_marks.row(found))
    assert "Engine 2: reverser 2 never reads deployed." in said
    assert "0.0 s" not in said
    assert "%" not in said


def test_a_value_just_beyond_a_limit_is_not_told_as_on_it(judged):
    mine = ids(judged)[0]
    judged.measured("spoiler_delay_s", 5.04, mine)
    assert "5.04 s" in text_of(standing_marks.row(of_rule(store_of(judged), mine, "late_spoilers")))
    judged.measured("spoiler_delay_s", 4.96, mine)  # beyond 3.0 s, and not beyond 5.0 s
    assert "5.0 s" in text_of(standing_marks.row(of_rule(store_of(judged), mine, "late_spoilers")))


@pytest.mark.parametrize("rule", ["asymmetric_deployment", "late_reverser_stow"])
def test_a_landing_without_reverse_has_no_place_in_what_reverse_is_measured_by(judged, rule):
    mine, other = ids(judged)[:2]
    judged.measured("reverse_not_used", 1.0, mine)
    judged.measured(RULES[rule].measure, 0.0, mine)
    store = store_of(judged)
    found = of_rule(store, mine, rule)
    assert found.value is None
    said = standing_marks.row(found)
    assert "Does not apply: reverse was not used." in text_of(said)
    assert "hatch" not in said  # nothing is missing
    assert of_rule(store, other, rule).n == 59
    assert of_rule(store, other, "late_spoilers").n == 60
