"""What each role gets from the store and from the pages: nothing that leads to a flight, an aircraft or a day."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from invented_archive import RULES, FakeArchive
from plotly.utils import PlotlyJSONEncoder

from dashboard import access, words
from dashboard.desk import Desk
from dashboard.pages import landing, landings, not_assessed, rules
from dashboard.query import parse
from dashboard.queue import Tile
from dashboard.store import Store
from fdm.people.acts import Judged
from fdm.people.errors import NotAllowed
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER, Actor
from fdm.people.store import People
from fdm.people.views import LEAST, LEFT_OUT
from fdm.statistics import rate

VERA, KAI, ANA = Actor("vera", OFFICER), Actor("kai", CAPTAIN), Actor("ana", ANALYST)
NAMES = Pseudonyms(b"k" * 32)
TOLD = "the lever of QQ-LAA was changed"


class Telling(FakeArchive):
    """Sentences that name what a role may not know."""

    def landings(self):
        quality = pl.lit([TOLD, "reverser 1 discrete never changes on this tail since 12 November 2026"])
        return super().landings().with_columns(quality=quality)

    def outcomes(self, landing_id=None):
        reason = pl.when(pl.col("reason").is_not_null()).then(pl.lit("no lever recorded on VH123"))
        return super().outcomes(landing_id).with_columns(reason=reason)


@pytest.fixture
def people(tmp_path):
    with People(str(tmp_path / "people.sqlite")) as opened:
        yield opened


@pytest.fixture(scope="module")
def source():
    return Telling(landings=300)


@pytest.fixture
def store(source, people):
    return Store(source, lambda _run: RULES, desk=Desk(lambda: people, access.viewer), names=lambda: NAMES)


@pytest.fixture
def released(store, people):
    """Two landings with a released event each; a third event that was released and then found false."""
    chosen = store.held().events.unique("landing_id", maintain_order=True).head(3).to_dicts()
    for event in chosen:
        decided = people.decide(Judged.of(event), "valid", by=VERA, seen=None)
        people.release(event["event_id"], by=VERA)
    people.decide(Judged.of(event), "false", by=VERA, seen=decided.act_id, reason="sensor")
    return chosen


def identities(store) -> set[str]:
    """Every tail, flight, departure, landing id and moment there is."""
    frame = store.whole().landings
    said = {name for column in ("tail", "flight", "departure", "landing_id") for name in frame[column].unique()}
    said |= set(frame["touchdown_utc"].dt.strftime("%Y-%m-%d").unique())
    said |= set(frame["touchdown_utc"].dt.strftime("%-d %b").unique())
    return said | set(frame["touchdown_utc"].dt.strftime("%G-W%V").unique())


def found_in(text: str, said: set[str]) -> list[str]:
    return [one for one in said if one in text and re.search(rf"(?<![\w-]){re.escape(one)}(?![\w-])", text)]


def as_text(component) -> str:
    return json.dumps(component, cls=PlotlyJSONEncoder, ensure_ascii=False)


def test_an_analyst_gets_pseudonyms_and_months(store):
    whole = store.whole()
    with access.acting(ANA):
        held = store.held()
    assert (held.landings.height, held.events.height) == (whole.landings.height, whole.events.height)
    assert held.landings["tail"].n_unique() == whole.landings["tail"].n_unique()
    assert held.weeks == ("2026-09", "2026-10", "2026-11")
    assert held.landings["touchdown_utc"].null_count() == held.landings.height
    assert held.landings["quality"].to_list()[0] == [LEFT_OUT, LEFT_OUT]
    assert not found_in(
        str([frame.to_dicts() for frame in (held.landings, held.events, held.missing)]), identities(store)
    )


def test_the_order_of_a_month_does_not_tell_the_order_of_its_days(store):
    key_of = {one: NAMES.of("landing_id", one) for one in store.whole().landings["landing_id"]}
    with access.acting(ANA):
        seen = store.held().landings.filter(month="2026-11")["landing_id"].to_list()
    flown = [key_of[one] for one in store.whole().landings.filter(month="2026-11")["landing_id"]]
    assert sorted(seen) == sorted(flown)
    assert seen == sorted(seen, reverse=True)
    assert seen != flown


def test_a_captain_sees_released_landings_and_only_the_released_event(store, released):
    with access.acting(KAI):
        listed = store.released()
        held = store.held()
        assert listed.height == held.landings.height == 2
        assert held.events.height == 2
        keys = listed["landing_id"].to_list()
        assert keys == [NAMES.of("landing_id", event["landing_id"]) for event in released[1::-1]]
        assert listed["events"].to_list() == [[f"{k}-{e['rule']}"] for k, e in zip(keys, released[1::-1], strict=True)]
        for hidden in (
            "tail",
            "flight",
            "departure",
            "arrival",
            "runway",
            "touchdown_utc",
            "week",
            "month",
            "recorder",
        ):
            assert held.landings[hidden].null_count() == 2, hidden
        assert store.measures_of(keys[0]).height > 0
        assert store.measures_of(keys[0])["landing_id"].unique().to_list() == [keys[0]]


def test_another_landing_is_not_released(store, released):
    other = store.held().landings.filter(~pl.col("landing_id").is_in([e["landing_id"] for e in released]))
    for key in (other["landing_id"][0], NAMES.of("landing_id", other["landing_id"][0]), released[0]["landing_id"], "x"):
        with access.acting(KAI):
            assert store.landing(key) is None
            assert store.why_not(key) == "This landing is not released to debriefing."
            for ask in (store.traces_of, store.measures_of, store.instants_of, store.outcomes_of, store.landing_behind):
                with pytest.raises(NotAllowed, match="not released to debriefing"):
                    ask(key)
            with pytest.raises(NotAllowed, match="not released to debriefing"):
                store.event_behind(f"{key}-late_spoilers")


def test_what_is_taken_back_is_gone_at_once(store, released, people):
    with access.acting(KAI):
        before = store.released().height
    entry = people.history(released[0]["event_id"])[-1].entry_id
    people.undo(entry, by=VERA)
    with access.acting(KAI):
        assert store.released().height == before - 1


def test_nobody_and_administrators_get_nothing(store, released):
    with access.acting(Actor("root", ADMINISTRATOR)):
        held = store.held()
        assert held.landings.is_empty()
        assert held.events.is_empty()
        assert held.missing.is_empty()
        assert store.released().is_empty()
        with pytest.raises(NotAllowed):
            store.shown(store.whole().landings)
    with access.acting(access.NOBODY), pytest.raises(NotAllowed):
        store.held()


def test_traces_keep_their_times_and_lose_the_place(store, released):
    with access.acting(KAI):
        key = store.released()["landing_id"][0]
        seen = store.traces_of(key)
    flown = store.traces_of(released[1]["landing_id"])
    assert seen["ground_speed"].time_s.tolist() == flown["ground_speed"].time_s.tolist()
    rolling = (seen["heading_change"].time_s >= 0) & (seen["heading_change"].time_s <= 20)
    assert abs(np.median(seen["heading_change"].values[rolling])) < 0.5  # from the way the runway lies
    at = abs(flown["heading"].time_s).argmin()
    assert "heading" not in seen
    assert flown["heading"].values[at] == pytest.approx(88, abs=0.5)


def test_frames_made_elsewhere_are_disguised_alike(store):
    frame = (
        store.whole().landings.select("landing_id", "tail", "touchdown_utc", "week", "high").with_columns(n=pl.lit(1))
    )
    with access.acting(ANA):
        seen = store.shown(frame)
    assert seen.columns == frame.columns
    assert not found_in(str(seen.to_dicts()), identities(store))
    assert seen["n"].sum() == frame.height
    assert store.shown(frame).equals(frame)


@pytest.mark.parametrize("page", [landings, not_assessed, rules])
def test_no_page_of_an_analyst_tells_who_or_when(store, page):
    with access.acting(ANA):
        text = as_text(page.layout(store, "", ""))
        listing = str(page.listing(store.held(), parse(""))) if hasattr(page, "listing") else ""
    assert len(text + listing) > 1000
    assert not found_in(text + listing, identities(store))


def test_what_a_rule_found_among_many_landings_is_told_to_an_analyst_however_little(store):
    counts = store.held().events.group_by("rule", "severity").len()
    few = counts.filter(pl.col("len") < LEAST).row(0, named=True)
    with access.acting(ANA):
        assert store.held().landings.height >= LEAST
        listed, told = as_text(rules.layout(store, "", "")), as_text(rules.layout(store, few["rule"], ""))
    assert f"</svg> {few['len']}</span>" in listed
    assert f'<p class=\\"count\\">{few["len"]}</p>' in told


def test_few_landings_not_assessed_do_not_come_out_as_all_less_those_assessed(store):
    everything = store.held().landings.height
    assessed = everything - 2
    found = [Tile("high", 40, 40, rate(40, assessed), [])]
    counts = {"assessed": assessed, "missing": 2, "high": 40}
    with access.acting(ANA):
        told = str(rules._found(store.held(), found, parse("")))
        row = str(rules._row(store.held(), RULES["late_spoilers"], counts))
    assert f"{assessed:,} assessed" not in told
    assert f"of {everything:,}" not in row
    assert f"{assessed:,} assessed" in str(rules._found(store.held(), found, parse("")))
    assert f"of {everything:,}" in str(rules._row(store.held(), RULES["late_spoilers"], counts))


def test_what_is_usual_leaves_out_a_fleet_of_few_landings(store, monkeypatch):
    few = {"low": 1.0, "mid": 2.0, "high": 3.0, "n": LEAST - 1}
    monkeypatch.setattr(Store, "spread", lambda _self, _measure, _fleet: few)
    with access.acting(ANA):
        assert str(rules._usual(store, store.held(), RULES["late_spoilers"])) == ""
    assert f'<td class="num">{LEAST - 1}</td>' in str(rules._usual(store, store.held(), RULES["late_spoilers"]))


def test_an_analyst_reads_a_landing_by_its_key_alone(store):
    worst = store.held().events.row(0, named=True)
    with access.acting(ANA):
        key = store.held().events["landing_id"][0]
        text = as_text(landing.layout(store, key, "")) + as_text(landing.figure(store, key))
        assert "not in the archive" in as_text(landing.layout(store, worst["landing_id"], ""))
    assert "Reverse selected" in text
    assert "November 2026" in text or "October 2026" in text or "September 2026" in text
    assert not found_in(text, identities(store))


def test_a_filter_that_leaves_a_few_landings_shows_none_of_them(store):
    flights = store.held().landings.group_by("flight").len().filter(pl.col("len") < 5)
    with access.acting(ANA):
        said = str(landings.listing(store.held(), parse(f"text={NAMES.of('flight', flights['flight'][0])}")))
    assert "Fewer than 5 landings" in said
    assert "/landing/" not in said
    assert "/landing/" in str(landings.listing(store.held(), parse(f"text={flights['flight'][0]}")))


def test_periods_in_words():
    assert words.period("2026-W47") == "Week 47, 16–22 Nov 2026"
    assert words.period("2026-11") == "November 2026"
    at = {"touchdown_utc": datetime(2026, 11, 12, 6, 41, tzinfo=UTC), "month": "2026-11"}
    assert words.touched_down(at) == "Thu 12 Nov 2026, 06:41"
    assert words.touched_down(at | {"touchdown_utc": None}) == "November 2026"
    assert words.touched_down({"touchdown_utc": None, "month": None}) == ""


@pytest.mark.parametrize("shows", [(), ("month",), ("airfield",), ("airfield", "month")])
def test_a_captain_sees_of_month_and_airfield_what_was_released(store, people, shows):
    event = store.held().events.row(0, named=True)
    people.decide(Judged.of(event), "valid", by=VERA, seen=None)
    people.release(event["event_id"], by=VERA, shows=shows)
    with access.acting(KAI):
        seen = store.released().row(0, named=True)
        traces = store.traces_of(seen["landing_id"])
    assert seen["month"] == (event["month"] if "month" in shows else None)
    assert (seen["place"], seen["arrival"]) == (
        (event["place"], event["arrival"]) if "airfield" in shows else (None, None)
    )
    assert (seen["tail"], seen["flight"], seen["departure"], seen["touchdown_utc"]) == (None, None, None, None)
    assert (seen["fleet"], seen["runway_length_m"]) == (event["fleet"], event["runway_length_m"])
    assert ("heading" in traces) == ("airfield" in shows)
