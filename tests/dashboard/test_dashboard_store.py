"""The store: what pages read is what the archive says, and a new judgement is seen."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from invented_archive import RULES, FakeArchive

from dashboard.held import can
from dashboard.pages import evidence, limits
from dashboard.query import Query
from dashboard.store import Store
from fdm import schemas


def test_weeks_are_iso_weeks(held):
    for utc, week in held.landings.select("touchdown_utc", "week").iter_rows():
        year, number, _ = utc.isocalendar()
        assert week == f"{year}-W{number:02d}"


def test_each_landing_knows_which_rules_could_be_assessed(held, archive):
    said = {
        (r["landing_id"], r["rule"]): r["outcome"] != "not_assessed" for r in archive.outcomes().iter_rows(named=True)
    }
    for row in held.landings.iter_rows(named=True):
        known = [said[row["landing_id"], rule] for rule in RULES]
        assert [row[can(rule)] for rule in RULES] == known
        assert (row["judged"], row["assessed"]) == (len(RULES), sum(known))


def test_usual_values_are_quantiles_of_the_fleet_as_judged(store, archive):
    spread = store.spread("spoiler_delay_s", "Tern 200")
    said = archive.outcomes().filter(pl.col("rule") == "late_spoilers", pl.col("outcome") != "not_assessed")
    fleet = set(archive.landings().filter(pl.col("fleet") == "Tern 200")["landing_id"]) & set(said["landing_id"])
    rows = archive.measures().filter(pl.col("measure") == "spoiler_delay_s").iter_rows(named=True)
    values = [r["value"] for r in rows if r["landing_id"] in fleet and not np.isnan(r["value"])]
    assert spread["n"] == len(values)
    assert spread["mid"] == pytest.approx(np.median(values))
    assert np.mean(np.array(values) <= spread["low"]) == pytest.approx(0.05, abs=0.01)
    assert np.mean(np.array(values) <= spread["high"]) == pytest.approx(0.95, abs=0.01)


def test_a_handful_of_landings_has_no_usual_value():
    few = Store(FakeArchive(landings=15), lambda _run: RULES)
    assert few.spread("spoiler_delay_s", "Tern 200") is None


def test_an_archive_judged_anew_is_read_anew():
    archives = [FakeArchive(landings=30, seed=1), FakeArchive(landings=50, seed=2)]
    current = archives[0]
    store = Store(archives[0], lambda _run: RULES, reopen=lambda: current)
    assert store.held().landings.height == 30
    assert store.held() is store.held()
    current = archives[1]
    assert store.held().landings.height == 50
    assert store.instants_of("000001").height > 0


def test_a_landing_is_read_once_for_several_questions_and_again_when_judged_anew():
    class Counting(FakeArchive):
        reads = 0

        def traces(self, landing_id):
            self.reads += 1
            return super().traces(landing_id)

    first, second = Counting(landings=20, seed=1), Counting(landings=20, seed=2)
    current = first
    store = Store(first, lambda _run: RULES, reopen=lambda: current)
    for _ in range(3):
        store.traces_of("000001")
    assert first.reads == 1
    current = second
    store.traces_of("000001")
    assert (first.reads, second.reads) == (1, 1)


def test_what_does_not_exist_is_none(store):
    assert store.event("no-such") is None
    assert store.landing("no-such") is None


def test_limits_of_a_fleet_replace_the_others():
    card = RULES["late_spoilers"]
    assert card.limits_for("Heron 90") == {"low": 2, "medium": 3, "high": 6}
    assert card.limits_for("Tern 200") == {"low": 2, "medium": 3, "high": 5}
    assert card.limits_for(None) == {"low": 2, "medium": 3, "high": 5}


def test_a_rule_changed_since_is_noticed(archive):
    from dataclasses import replace

    changed = RULES | {"late_spoilers": replace(RULES["late_spoilers"], hash="another")}
    assert Store(archive, lambda _run: changed).held().changed_rules == ["late_spoilers"]


def test_an_event_of_a_changed_rule_stands_on_no_scale_of_other_limits(archive, store):
    """Its finding tells the limit that it was judged by; a scale beside it would tell another."""
    from dataclasses import replace

    changed = replace(RULES["late_spoilers"], hash="another", limits={"low": 3, "medium": 5, "high": 19})
    later = Store(archive, lambda _run: RULES | {"late_spoilers": changed})
    event = store.held().events.filter(rule="late_spoilers").row(0, named=True)["event_id"]
    other = store.held().events.filter(pl.col("rule") == "late_reverse").row(0, named=True)["event_id"]
    warning = "Changed since this archive was judged: Ground spoilers late. Run fdm detect to judge anew."
    said = evidence.shown(later, Query(event=event))[0]
    assert warning in said
    assert 'class="scale"' not in said
    for there, one in ((store, event), (later, other)):
        said = evidence.shown(there, Query(event=one))[0]
        assert "Changed since" not in said
        assert 'class="scale"' in said
    assert warning in str(limits.layout(later, "late_spoilers", ""))
    assert "Changed since" not in str(limits.layout(later, "late_reverse", ""))


class Empty(FakeArchive):
    """Judged, and without a landing."""

    def __init__(self) -> None:
        self.run = {"detected_utc": datetime(2026, 11, 24, tzinfo=UTC), "rule_book_hash": "0"}
        self._landings = pl.DataFrame(schema=dict(schemas.LANDINGS))
        self._events = pl.DataFrame(schema=dict(schemas.EVENTS))
        self._outcomes = pl.DataFrame(schema=dict(schemas.OUTCOMES))
        self._measures = pl.DataFrame(schema=dict(schemas.MEASURES))


@pytest.fixture
def empty():
    return Store(Empty(), lambda _run: RULES)


def test_an_archive_without_a_landing_is_read(empty):
    held = empty.held()
    assert held.weeks == ()
    assert held.landings.height == held.events.height == 0
    assert empty.spread("spoiler_delay_s", None) is None
