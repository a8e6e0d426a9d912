"""The captain's desk: what is released, what is shown of it, and what is not."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import polars as pl
import pytest
from conftest import text_of
from dash import no_update
from invented_archive import RULES, FakeArchive
from scipy import integrate, stats

from dashboard import debriefing, exemplars, expected, samples
from dashboard.access import acting, viewer
from dashboard.desk import Desk
from dashboard.pages import debrief, landing
from dashboard.standing_marks import percentile
from dashboard.standings import CARD_RULES, one_each, shares_below, standing, standings
from dashboard.steps import At, StepRow, step_rows
from dashboard.store import Store
from fdm import schemas
from fdm.archive import Trace
from fdm.people.acts import Judged
from fdm.people.errors import StoreError
from fdm.people.roles import CAPTAIN, OFFICER, Actor
from fdm.people.store import People

VERA = Actor("vera", OFFICER)


@pytest.fixture
def kept(tmp_path):
    return str(tmp_path / "rollouts.people.sqlite")


@pytest.fixture
def desk_store(archive: FakeArchive, kept):
    desk = Desk(lambda: People(kept), lambda: VERA)
    yield Store(archive, lambda _run: RULES, desk=desk)
    desk.close()


def release(store: Store, *event_ids: str) -> None:
    def both(people: People, _by: Actor) -> None:
        for event_id in event_ids:
            people.decide(Judged.of(store.event(event_id)), "valid", by=VERA, seen=None)
            people.release(event_id, by=VERA)

    store.desk.ask(both)


def two_events(store: Store) -> tuple[str, list[str]]:
    """A landing with several events, and their ids, worst first."""
    many = store.held().events.group_by("landing_id").len().filter(pl.col("len") > 1).sort("landing_id")
    landing_id = many.item(0, "landing_id")
    return landing_id, store.events_of(landing_id)["event_id"].to_list()


def blocks(component: Any) -> dict[str, str]:
    """Markup by id of every block of a page."""
    found = {}
    for part in component._traverse():
        if getattr(part, "markup", None) is not None:
            found[part.id] = part.markup
    return found


def words_of(component: Any) -> str:
    return " ".join(text_of(markup) for markup in blocks(component).values())


def test_an_empty_list_says_how_something_comes_onto_it(desk_store):
    said = words_of(debrief.layout(desk_store, "", ""))
    assert "Nothing is released to debriefing." in said
    assert "once it is decided valid" in said


def test_a_store_that_fails_is_said_and_the_page_reads(archive):
    def broken() -> People:
        raise StoreError("the disk is gone", source="there")

    said = words_of(debrief.layout(Store(archive, lambda _run: RULES, desk=Desk(broken, lambda: VERA)), "", ""))
    assert "cannot be read now" in said
    assert "the disk is gone" in said
    said = words_of(debrief.layout(Store(archive, lambda _run: RULES), "", ""))
    assert "Decisions are not kept here" in said


def test_only_released_events_are_told(desk_store):
    _landing_id, ids = two_events(desk_store)
    release(desk_store, ids[0])
    (case,) = debriefing.cases(desk_store).cases
    assert [event["event_id"] for event in case.events] == ids[:1]
    said = words_of(debrief.layout(desk_store, case.key, ""))
    hidden = desk_store.event(ids[1])
    assert desk_store.event(ids[0])["title"] in said
    told = [m.lower() for m in re.findall(r"(?:Also: )([^.]*)", said)]
    assert not any(hidden["title"].lower() in each for each in told)
    assert f"{hidden['title']}, " not in said


def test_the_landing_leads_to_its_debrief_once_that_is_released(desk_store):
    key, events = two_events(desk_store)
    way = f'href="/debrief/{key}"'
    assert way not in blocks(landing.layout(desk_store, key, ""))["landing-head"]
    release(desk_store, events[0])
    assert way in blocks(landing.layout(desk_store, key, ""))["landing-head"]


def test_a_landing_that_is_not_released_is_not_shown(desk_store):
    landing_id, ids = two_events(desk_store)
    assert "not released" in words_of(debrief.layout(desk_store, landing_id, ""))
    assert debrief.rollout(desk_store, landing_id, "")[:3] == (no_update, no_update, no_update)
    release(desk_store, *ids)
    assert "not released" not in words_of(debrief.layout(desk_store, landing_id, ""))
    for event_id in ids:
        desk_store.desk.undo(desk_store.desk.past(event_id).acts[-1].entry_id, "")
    assert "not released" in words_of(debrief.layout(desk_store, landing_id, ""))


def test_nothing_the_flight_could_be_known_by_is_on_the_page(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, *ids)
    landing = desk_store.landing(landing_id)
    page = debrief.layout(desk_store, landing_id, "")
    figure, table, strip, beside = debrief.rollout(desk_store, landing_id, "0")
    shown = " ".join([*blocks(page).values(), str(figure), str(table), strip, beside])
    day = f"{landing['touchdown_utc']:%-d %b}"
    for told in (landing["tail"], landing["flight"], landing["departure"], landing["arrival"], day):
        assert told not in shown, told
    listed = words_of(debrief.list_page(desk_store))
    for told in (landing["tail"], landing["flight"], landing["departure"], landing["arrival"]):
        assert told not in listed, told
    assert "latitude" not in str(table)
    assert "heading" not in str(table)
    assert f"{landing['runway_length_m']:,.0f} m runway" in shown


@pytest.mark.parametrize("shows", [(), ("month",), ("airfield",), ("airfield", "month")])
def test_airfield_and_month_stand_there_only_when_released_whoever_looks(archive, kept, shows):
    desk = Desk(lambda: People(kept), viewer)
    store = Store(archive, lambda _run: RULES, desk=desk)
    landing_id, ids = two_events(store)

    def let_go(people: People, _by: Actor) -> None:
        people.decide(Judged.of(store.event(ids[0])), "valid", by=VERA, seen=None)
        people.release(ids[0], by=VERA, shows=shows)

    desk.ask(let_go)
    landing = store.landing(landing_id)
    names = set()
    for actor in (VERA, Actor("kaja", CAPTAIN)):
        with acting(actor):
            (case,) = debriefing.cases(store).cases
            said = words_of(debrief.layout(store, case.key, ""))
        names.add(case.name)
        assert (landing["place"] in said) == ("airfield" in shows)
        assert (f"{landing['touchdown_utc']:%B %Y}" in said) == ("month" in shows)
        assert landing["tail"] not in said
        assert (case.key == landing_id) == (actor is VERA)
    assert len(names) == 1  # both call it the same
    desk.close()


def test_done_goes_to_the_end_of_the_list_and_opens_again(desk_store):
    landing_id, ids = two_events(desk_store)
    others = desk_store.held().events.filter(pl.col("landing_id") != landing_id)["event_id"].to_list()
    release(desk_store, others[0], *ids)
    assert (
        debriefing.done(desk_store, {"act": "done", "key": landing_id, "note": "talked it through", "token": "a"}) == ""
    )
    last = debriefing.cases(desk_store).cases[-1]
    assert (last.key, last.done) == (landing_id, True)
    assert [case.done for case in debriefing.cases(desk_store).cases] == [False, True]
    said = text_of(debrief.listing(debriefing.cases(desk_store)))
    assert "1 landing to debrief, 1 done" in said
    assert "talked it through" in words_of(debrief.layout(desk_store, landing_id, ""))
    debriefing.done(desk_store, {"act": "open", "key": landing_id, "token": "b"})
    assert not debriefing.case_of(desk_store, landing_id).done


def test_a_note_is_kept_escaped_and_once(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, *ids)
    for _ in range(2):
        assert not debriefing.done(
            desk_store, {"act": "note", "key": landing_id, "note": "<b>firm</b>", "token": "same"}
        )
    case = debriefing.case_of(desk_store, landing_id)
    assert [act.note for act in debriefing.notes(desk_store, case)] == ["<b>firm</b>"]
    assert "&lt;b&gt;firm&lt;/b&gt;" in blocks(debrief.layout(desk_store, landing_id, ""))["debrief-notes"]


def test_an_empty_note_and_an_unknown_landing_are_said_in_words(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, *ids)
    assert "note is empty" in debriefing.done(desk_store, {"act": "note", "key": landing_id, "note": " "})
    assert "Ask the safety officer" in debriefing.done(desk_store, {"act": "done", "key": "elsewhere"})
    assert "something unknown" in debriefing.done(desk_store, {"act": "dance", "key": landing_id})


NOT_NOW = "this landing is not released to debriefing now. Ask the safety officer."


def test_what_is_asked_after_the_release_was_taken_back_is_refused_in_words_and_kept(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, ids[0])
    desk_store.desk.undo(desk_store.desk.past(ids[0]).acts[-1].entry_id, "")
    for act in ("note", "done", "open"):
        markup = debrief.written(desk_store, landing_id, {"act": act, "note": "armed late <b>", "token": act})
        assert f"Not saved: {NOT_NOW}" in text_of(markup)
        assert ">armed late &lt;b&gt;</textarea>" in markup
        assert "data-saved" not in markup
    assert f"Not laid over: {NOT_NOW}" in text_of(debrief.rollout(desk_store, landing_id, "0")[3])


def test_debriefed_in_two_tabs_is_recorded_once_and_no_note_is_lost(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, *ids)
    for token, note in (("a", ""), ("b", ""), ("c", "seen again")):
        assert debriefing.done(desk_store, {"act": "done", "key": landing_id, "note": note, "token": token}) == ""
    case = debriefing.case_of(desk_store, landing_id)
    assert case.done
    assert [(act.topic, act.note) for act in debriefing.notes(desk_store, case)] == [
        ("debrief", None),
        ("comment", "seen again"),
    ]
    for token in ("d", "e"):
        debriefing.done(desk_store, {"act": "open", "key": landing_id, "token": token})
    assert [act.topic for act in debriefing.notes(desk_store, case)] == ["debrief", "comment", "debrief"]


def test_which_landing_is_laid_over_is_said_for_paper(desk_store):
    landing_id, ids = two_events(desk_store)
    release(desk_store, *ids)
    alike = desk_store.alike_without_events(landing_id)
    for place, row in enumerate(alike):
        *_, strip, said = debrief.rollout(desk_store, landing_id, str(place))
        for told in (strip, said):
            assert f"{row['touchdown_ground_speed_kt']:.0f} kt at touchdown" in text_of(told)
    for nothing in ("", "3", "-1", "one", None):
        assert debrief.rollout(desk_store, landing_id, nothing)[3] == ""


def test_callbacks_are_open_to_captain_and_officer_alone(desk_store):
    from dashboard.access import ROLES_OF
    from dashboard.app import build

    app = build(desk_store)
    ours = [spec for output, spec in app.callback_map.items() if "debrief" in output and "callback" in spec]
    assert len(ours) == 2
    for spec in ours:
        assert getattr(spec["callback"].__wrapped__, ROLES_OF) == {CAPTAIN, OFFICER}


# the procedure beside the fact ----------------------------------------------------------------------------------------


def test_each_step_shows_the_procedure_of_the_rule_that_found_something_there(desk_store):
    late = desk_store.held().events.filter(pl.col("rule") == "late_spoilers").row(0, named=True)
    rows = step_rows(desk_store.instants_of(late["landing_id"]), [late], {}, 0)
    by_step = {row.step: row for row in rows}
    assert expected.procedures(by_step["spoilers_extended"], RULES) == [RULES["late_spoilers"].procedure]
    assert expected.procedures(by_step["touchdown"], RULES) == []


# where it stands ------------------------------------------------------------------------------------------------------


def fleet(values: list[float]) -> pl.DataFrame:
    ids = [f"l{i}" for i in range(len(values))]
    return pl.DataFrame({"landing_id": ids, "value": values}, schema={"landing_id": pl.String, "value": pl.Float64})


def measured(value: float, lower: float, upper: float) -> pl.DataFrame:
    row = {"measure": "spoiler_delay_s", "engine": None, "value": value, "lower": lower, "upper": upper, "reason": None}
    return pl.DataFrame([row], schema_overrides={"reason": pl.String})


def one_step(step: str, at_s: float | None, events: list[dict[str, Any]] | None = None) -> StepRow:
    times = () if at_s is None else (At(None, at_s, at_s - 0.5, at_s + 0.5, 100.0, None, None),)
    return StepRow(step, 1, times, tuple(events or ()))


def outcome(rule: str, said: str) -> pl.DataFrame:
    return pl.DataFrame([{"landing_id": "x", "rule": rule, "outcome": said, "reason": None}], schema=schemas.OUTCOMES)


def test_within_limits_is_not_said_of_what_never_happened():
    within = outcome("late_spoilers", "within")
    assert text_of(expected.said(one_step("spoilers_extended", 1.0), RULES, within)) == "Within limits"
    assert expected.said(one_step("spoilers_extended", None), RULES, within) == ""


def test_a_reason_that_silences_nearly_every_rule_is_not_repeated_at_each_step():
    frame = pl.concat([outcome(rule, "not_assessed").with_columns(reason=pl.lit("flew again")) for rule in RULES])
    assert expected.said(one_step("spoilers_extended", 1.0), RULES, frame) == ""
    one = frame.with_columns(
        outcome=pl.when(pl.col("rule") == "late_spoilers").then("outcome").otherwise(pl.lit("within"))
    )
    assert "Not assessed" in expected.said(one_step("spoilers_extended", 1.0), RULES, one)


def test_a_finding_that_was_not_released_is_not_told_and_not_denied():
    said = expected.said(one_step("spoilers_extended", 6.0), RULES, outcome("late_spoilers", "event"))
    assert text_of(said) == "Not part of this debrief"


def test_a_finding_that_was_at_another_time_than_its_step_says_when():
    event = {
        "rule": "late_spoilers", "title": "Ground spoilers late", "severity": "high", "certain": True, "value": 6.0,
        "lower": 5.5, "upper": 6.5, "unit": "s", "limit": 5.0, "at_s": 8.0, "ground_speed_kt": 103.0,
    }  # fmt: skip
    none = outcome("late_spoilers", "event")
    assert "at 8.0 s, 103 kt" in text_of(expected.said(one_step("spoilers_extended", 30.0, [event]), RULES, none))
    assert "at 8.0 s" not in text_of(expected.said(one_step("spoilers_extended", 7.8, [event]), RULES, none))
    whole = event | {"at_s": 0.0}  # a highest value has no time but that from which it was looked for
    assert "at 0.0 s" not in text_of(expected.said(one_step("spoilers_extended", None, [whole]), RULES, none))


def test_a_finding_just_beyond_its_limit_is_not_told_as_on_it():
    event = {
        "rule": "late_spoilers", "title": "Ground spoilers late", "severity": "high", "certain": True, "value": 5.04,
        "lower": 5.01, "upper": 5.3, "unit": "s", "limit": 5.0, "at_s": 5.04, "ground_speed_kt": 103.0,
    }  # fmt: skip
    said = expected.said(one_step("spoilers_extended", 5.04, [event]), RULES, outcome("late_spoilers", "event"))
    assert "Ground spoilers late, 5.04 s (5.01–5.30)" in text_of(said)


def test_half_a_fleet_of_one_value_is_not_a_range():
    values = fleet([0.0] * 160 + [0.02] * 160 + [5.0] * 80)  # both read 0.0 s
    found = standing(RULES["late_spoilers"], "Tern 200", measured(4.0, 3.9, 4.1), values)
    assert percentile(found).endswith("of 400 landings; most are 0.0 s.")


def test_the_percentile_and_its_bounds_are_those_of_scipy():
    rng = np.random.default_rng(4)
    values = rng.gamma(2.0, 1.0, 400).round(1)
    found = standing(RULES["late_spoilers"], "Tern 200", measured(2.3, 1.9, 2.9), fleet(values.tolist()))
    for share, x in zip(found.below, (2.3, 1.9, 2.9), strict=True):
        assert share == pytest.approx(stats.percentileofscore(values, x, kind="mean") / 100)
    assert found.quantiles == pytest.approx(np.quantile(values, [0.05, 0.25, 0.5, 0.75, 0.95]))
    assert found.n == 400


def test_nobody_reads_more_than_0_per_cent():
    values = fleet([0.5, *np.linspace(1.0, 3.0, 399)])  # one of 400 is below: a quarter of a per cent
    found = standing(RULES["late_spoilers"], "Tern 200", measured(0.8, 0.7, 0.9), values)
    assert percentile(found).startswith("Among the lowest 1 % of 400 landings; half lie")


def test_bounds_as_wide_as_the_fleet_place_a_landing_nowhere():
    values = fleet(np.linspace(1.0, 3.0, 400).tolist())
    found = standing(RULES["late_spoilers"], "Tern 200", measured(1.2, 0.5, 2.8), values)
    assert percentile(found).startswith("The bounds reach over 90 % of 400 landings: its place is not known; half lie")
    narrow = standing(RULES["late_spoilers"], "Tern 200", measured(1.2, 1.1, 1.9), values)
    assert percentile(narrow).startswith("More than 10 % (5–45) of 400 landings")


def test_nineteen_landings_are_too_few_and_twenty_are_not():
    few = standing(RULES["late_spoilers"], "Tern 200", measured(2.3, 1.9, 2.9), fleet([1.0] * 19))
    enough = standing(RULES["late_spoilers"], "Tern 200", measured(2.3, 1.9, 2.9), fleet([1.0] * 20))
    assert (few.few, few.below) == (True, None)
    assert (enough.few, enough.below) == (False, (1.0, 1.0, 1.0))


def test_a_landing_that_flew_again_is_not_measured_by_a_rollout_it_had_not(desk_store, monkeypatch):
    key, _ = two_events(desk_store)
    events = desk_store.events_of(key).rows(named=True)
    stopped = {found.card.name for found in standings(desk_store, key, events)}
    assert set(CARD_RULES) & set(RULES) <= stopped
    flew = desk_store.landing(key) | {"kind": "go_around"}
    monkeypatch.setattr(desk_store, "landing", lambda _key: flew)
    asked = {event["rule"] for event in events if not RULES[event["rule"]].yes_or_no}
    assert {found.card.name for found in standings(desk_store, key, events)} == asked


def test_a_landing_counts_once_by_its_engine_nearest_the_limits():
    values = pl.DataFrame({"landing_id": ["a", "a", "b", "b", "c"], "value": [1.0, 3.0, 2.0, float("nan"), None]})
    assert one_each(values, "above").tolist() == [2.0, 3.0]
    assert one_each(values, "below").tolist() == [1.0, 2.0]


def test_shares_of_a_value_without_bounds_are_its_own():
    among = np.array([1.0, 2.0, 3.0, 4.0])
    assert shares_below(among, 2.5, None, float("nan")) == (0.5, 0.5, 0.5)
    assert shares_below(among, 2.5, 2.4, float("inf")) == (0.5, 0.5, 1.0)


# a landing to lay over it ---------------------------------------------------------------------------------------------


def landings_of(*rows: dict[str, Any]) -> pl.DataFrame:
    usual = {
        "fleet": "Tern 200",
        "kind": "full_stop",
        "arrival": "Korsby",
        "runway": "09L",
        "assessed": 8,
        "high": 0,
        "medium": 0,
        "low": 0,
        "touchdown_ground_speed_kt": 136.0,
        "gross_weight_kg": 58000.0,
        "headwind_kt": 5.0,
        "touchdown_distance_m": 400.0,
    }
    return pl.DataFrame([usual | row for row in rows])


def test_the_nearest_three_without_events_the_same_runway_first():
    found = exemplars.nearest(
        landings_of(
            {"landing_id": "this", "high": 1},
            {"landing_id": "far, here", "touchdown_ground_speed_kt": 150.0},
            {"landing_id": "near, here", "touchdown_ground_speed_kt": 138.0},
            {"landing_id": "same, elsewhere", "runway": "27"},
            {"landing_id": "heavy, elsewhere", "runway": "27", "gross_weight_kg": 64000.0},
            {"landing_id": "with an event", "low": 1},
            {"landing_id": "assessed in part", "assessed": 7},
            {"landing_id": "went around", "kind": "go_around"},
            {"landing_id": "other type", "fleet": "Heron 90"},
        ),
        "this",
    )
    assert found["landing_id"].to_list() == ["near, here", "far, here", "same, elsewhere"]
    assert found["same_runway"].to_list() == [True, True, False]
    assert exemplars.in_words(found.row(0, named=True)) == "Same runway, 138 kt at touchdown, 58.0 t, 5 kt headwind"


def test_what_is_laid_over_tells_nothing_of_where_and_when(desk_store):
    landing_id, _ids = two_events(desk_store)
    other = desk_store.laid_over(landing_id, 0)
    assert {name.partition(".")[0] for name in other.traces} <= set(exemplars.DRAWN)
    assert "landing_id" not in other.instants.columns
    assert desk_store.laid_over(landing_id, 3) is None
    assert set(desk_store.alike_without_events(landing_id)[0]) == {*exemplars.ALIKE, "same_runway"}


# what is played -------------------------------------------------------------------------------------------------------


def trace(time_s, values, kind="analogue", step_s=1.0) -> Trace:
    return Trace(np.asarray(time_s, float), np.asarray(values), "", kind, step_s, 0.0)


def test_distance_is_the_integral_of_ground_speed():
    t = np.arange(-5, 40, 0.5)
    v = 136 - 2.5 * np.clip(t, 0, None)
    found = samples.distance({"ground_speed": trace(t, v, step_s=0.5)}, 35.0)
    outside = integrate.cumulative_trapezoid(v * 1852 / 3600, t, initial=0)
    outside -= np.interp(0.0, t, outside)
    at = dict(zip(found["t"], found["v"], strict=True))
    for when in (-2.0, 0.0, 10.5, 30.0):
        assert at[when] == pytest.approx(outside[np.flatnonzero(t == when)[0]], abs=0.05)


def test_distance_ends_where_speed_was_lost():
    t = np.concatenate([np.arange(-3, 10), np.arange(15, 30)]).astype(float)
    found = samples.distance({"ground_speed": trace(t, np.full(len(t), 100.0))}, 28.0)
    assert found["t"][-1] == 9.0
    assert samples.distance({}, 28.0) is None


def test_a_reverser_told_by_deployed_alone_is_never_called_stowed():
    t = np.arange(-3, 20, 1.0)
    out = trace(t, (t >= 4).astype(np.int8), "discrete")
    table = samples.table({"reverser_deployed.1": out}, [], None, 15.0)
    found = {tuple(stretch[2:]) for stretch in table["states"]["reverser.1"]}
    assert found == {(samples.NOT_DEPLOYED, True), (None, True), (samples.DEPLOYED, True)}
    (between,) = [stretch for stretch in table["states"]["reverser.1"] if stretch[2] is None]
    assert between[:2] == [3.0, 4.0]


def test_the_table_tells_the_gap_beyond_which_nothing_is_known():
    table = samples.table({"n1.1": trace(np.arange(-3, 20, 0.5), np.ones(46), step_s=0.5)}, [], None, 15.0)
    assert table["lines"]["n1.1"]["gap"] == pytest.approx(1.25)
    assert table["spoilers"] is None
