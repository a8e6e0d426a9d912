"""What the officer sees above the list: flights flown, what is new, what repeats, and what the rule book changed."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from conftest import serving, text_of, watching
from invented_archive import RULES, FakeArchive
from playwright.sync_api import expect

import rules
from dashboard import access, bookchanges, flown, landing_list, officers, queue, recorder, repeats
from dashboard.desk import Desk
from dashboard.once import Once
from dashboard.pages import decision, evidence, glance, lines, no_longer, not_assessed, week
from dashboard.pages import rules as rules_page
from dashboard.query import Query, parse
from dashboard.reports import weekly
from dashboard.rule_moves import without_unmoved
from dashboard.store import Store
from fdm.amending import book_of
from fdm.errors import FactsError
from fdm.people.books import files_of
from fdm.people.roles import ANALYST, OFFICER, Actor
from fdm.people.store import People
from fdm.rulebook import load_rule_book

VERA = Actor("vera", OFFICER)
SHIPPED = Path(rules.__file__).parent


@pytest.fixture
def desk(tmp_path):
    made = Desk(lambda: People(str(tmp_path / "rollouts.people.sqlite")), lambda: VERA)
    yield made
    made.close()


# ── what is new, what repeats ─────────────────────────────────────────────────────────────────────────────────


def in_week(row, week):
    return row["touchdown_utc"].isocalendar()[:2] == (2026, week)


def test_repeats_are_counted_by_aircraft_with_engine_and_by_runway(held, archive):
    events = [e for e in archive.events().iter_rows(named=True) if in_week(e, 47)]
    wanted = Counter(("aircraft", e["rule"], e["tail"], e["engine"]) for e in events)
    wanted += Counter(("runway", e["rule"], f"{e['arrival']} {e['runway']}", None) for e in events)
    found = repeats.repeated(held, Query(week="2026-W47"))
    told = {(one.kind, one.rule, one.name, one.engine): one.events for one in found}
    assert told == {key: n for key, n in wanted.items() if n >= 3}
    assert told
    assert [one.events for one in found] == sorted(told.values(), reverse=True)


def test_a_repeat_says_in_how_many_assessed_landings(held, archive):
    said = {
        (o["landing_id"], o["rule"]) for o in archive.outcomes().iter_rows(named=True) if o["outcome"] != "not_assessed"
    }
    landings = [r for r in archive.landings().iter_rows(named=True) if in_week(r, 47)]
    for one in repeats.repeated(held, Query(week="2026-W47")):
        mine = [r for r in landings if one.name in (r["tail"], f"{r['arrival']} {r['runway']}")]
        assert repeats.landings_of(held, Query(week="2026-W47"), one) == sum(
            (r["landing_id"], one.rule) in said for r in mine
        )


def test_repeats_under_a_runway_are_of_its_landings_alone(held, archive):
    """On the aircraft and at the runway that hold the most events of one rule together."""
    events = list(archive.events().iter_rows(named=True))
    (rule, tail, arrival, runway), n = Counter(
        (e["rule"], e["tail"], e["arrival"], e["runway"]) for e in events
    ).most_common(1)[0]
    assert n >= 3
    said = {
        o["landing_id"]
        for o in archive.outcomes().iter_rows(named=True)
        if o["rule"] == rule and o["outcome"] != "not_assessed"
    }
    landings = [r for r in archive.landings().iter_rows(named=True) if r["tail"] == tail and r["landing_id"] in said]
    here = sum((r["arrival"], r["runway"]) == (arrival, runway) for r in landings)
    assert here < len(landings)
    query = Query(week="all", tail=tail, runway=f"{arrival} {runway}", rule=rule)
    one = next(one for one in repeats.repeated(held, query) if one.kind == "aircraft")
    assert repeats.landings_of(held, query, one) == here
    told = text_of(glance.strip(held, query, None))
    assert f"×{one.events} in {here} landing" in told
    assert " assessed" in told


def test_what_a_filter_leaves_on_one_landing_is_not_called_new(held, archive):
    """New on the aircraft means several landings; at a runway that had one of them, the list tells nothing new."""
    events = [e for e in archive.events().iter_rows(named=True) if in_week(e, 44)]
    rest = held.events.filter(pl.col("week") == "2026-W44", pl.col("new") == "aircraft").select("rule", "tail").unique()
    rows = [
        (e["rule"], e["tail"], f"{e['arrival']} {e['runway']}") for e in events if (e["rule"], e["tail"]) in rest.rows()
    ]
    rule, tail, place = next(key for key, n in Counter(rows).items() if n == 1)
    whole = repeats.new(held, Query(week="2026-W44", rule=rule))
    assert tail in [one.name for one in whole]
    left = repeats.new(held, Query(week="2026-W44", rule=rule, runway=place))
    assert tail not in [one.name for one in left]


def test_more_repeats_than_are_named_are_not_read_as_landings(held):
    found = repeats.repeated(held, Query(week="all"))
    assert len(found) > 4
    assert f"; and {len(found) - 3} more repeats" in text_of(glance.strip(held, Query(week="all"), None))


def test_what_is_new_is_listed_once_with_a_way_to_its_events(held):
    query = Query(week="2026-W44")
    found = repeats.new(held, query)
    assert found
    assert len({(one.rule, one.key, one.name) for one in found}) == len(found)
    ranks = {"high": 3, "medium": 2, "low": 1}
    for kind in ("aircraft", "runway"):
        severities = [ranks[one.severity] for one in found if one.kind == kind]
        assert severities == sorted(severities, reverse=True)
    markup = str(glance.strip(held, query, None))
    first = found[0]
    assert f"rule={first.rule}" in markup
    assert f"{first.title} on {first.name}" in text_of(markup)
    more = len(found) - 3
    assert (f"and {more} more new" in text_of(markup)) == (more > 0)
    chosen = held.events.filter(pl.col("week") == "2026-W44", pl.col("new").is_not_null())
    shown = text_of(lines.queue_list(held, parse("?week=2026-W44&new=yes&lines=single")))
    assert f" {chosen.height} events in " in shown


def test_an_event_names_the_others_of_its_line(store, held):
    query = Query(week="all")
    keys = ["rule", "tail", "engine"]
    counts = held.events.group_by(keys).len().filter(pl.col("len") == 4).row(0, named=True)
    same = held.events.filter(*(pl.col(k).eq_missing(pl.lit(counts[k])) for k in keys))
    event = same.row(0, named=True)
    markup = str(evidence.event_markup(store, event, query))
    for other in same["event_id"].to_list()[1:]:
        assert f"event={other}" in markup
    assert markup.count("week=all&amp;event=") == 3


def test_every_repeat_can_be_read(held):
    query = Query(week="all")
    found = repeats.repeated(held, query)
    markup = str(glance.strip(held, query, None))
    assert f'<a href="?week=all&amp;show=repeats">and {len(found) - 3} more repeats</a>' in markup
    every = glance.strip(held, parse("?week=all&show=repeats"), None)
    told = text_of(every).partition("Repeats")[2]
    assert told.count("×") == len(found)
    assert told.endswith("; fewer")
    assert '<a href="?week=all">fewer</a>' in str(every)


def test_a_search_finds_what_was_decided_and_where_it_was_passed_on(archive, desk):
    """Two decided, one of them given to Ines and to maintenance; the others say neither."""
    store = Store(archive, lambda _run: RULES, desk=desk)
    nuisance, valid = store.held().events.head(2).iter_rows(named=True)
    desk.decide(nuisance, "nuisance", seen=None, reason="Brief, and of no consequence")
    desk.decide(valid, "valid", seen=None)
    desk.ask(lambda people, by: people.assign(valid["event_id"], "ines", by=by))
    desk.ask(lambda people, by: people.refer(valid["event_id"], "maintenance", by=by))
    searched = {"nuisance": nuisance, "Nuis": nuisance, "valid": valid, "ines": valid, "maintenance": valid}
    for text, wanted in searched.items():
        found = queue.listed_events(store.reviewed(), Query(week="all", text=text))
        assert found["event_id"].to_list() == [wanted["event_id"]], text
    assert queue.listed_events(store.reviewed(), Query(week="all", text="nuisance valid")).is_empty()


# ── flights flown ─────────────────────────────────────────────────────────────────────────────────────────────

LIST = """tail,flight,start_utc,captain
QQ-LAA,VH1,2026-11-16T06:00:00Z,x
QQ-LAA,VH1,2026-11-17T06:00:00Z,x
QQ-LAA,VH2,2026-11-17 09:00:00,x
QQ-LAB,VH3,2026-11-23T01:00:00+00:00,x
QQ-LAB,VH3,2026-11-23T01:00:00+00:00,x
"""


def written(tmp_path, text):
    path = tmp_path / "rollouts.flown.csv"
    path.write_text(text)
    return path


def landing(tail, flight, *when):
    return {"tail": tail, "flight": flight, "touchdown_utc": datetime(2026, 11, *when, tzinfo=UTC)}


def test_flights_of_a_list_are_counted_once_and_by_week(tmp_path):
    frame = flown.read_flown(written(tmp_path, LIST))
    assert frame["week"].to_list() == ["2026-W47", "2026-W47", "2026-W47", "2026-W48"]
    assert "captain" not in frame.columns


def test_a_flight_is_recorded_when_its_own_landing_is_there(tmp_path):
    frame = flown.read_flown(written(tmp_path, LIST))
    landings = pl.DataFrame([landing("QQ-LAA", "VH1", 17, 8), landing("QQ-LAB", "VH2", 17, 10)])
    assert flown.recorded(frame, landings) == 1
    both = pl.DataFrame([landing("QQ-LAA", "VH1", 17, 8), landing("QQ-LAA", "VH1", 16, 7)])
    assert flown.recorded(frame, both) == 2


def test_a_flight_over_midnight_on_sunday_counts_in_the_week_of_its_landing(tmp_path):
    """16 Nov 2026 is a Monday: the first flight landed on it; the second, of the same Sunday, was not recorded."""
    text = "tail,flight,start_utc\nQQ-LAA,VH1,2026-11-15T23:00:00Z\nQQ-LAA,VH2,2026-11-15T23:30:00Z\n"
    frame = flown.with_recorded(
        flown.read_flown(written(tmp_path, text)), pl.DataFrame([landing("QQ-LAA", "VH1", 16, 1)])
    )
    assert frame.select("flight", "week", "recorded").rows() == [
        ("VH1", "2026-W47", True),
        ("VH2", "2026-W46", False),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tail,flight\nQQ-LAA,VH1\n", "has no column start_utc"),
        ("tail,flight,start_utc\nQQ-LAA,VH1,2026-11-16T06:00:00Z\nQQ-LAA,VH1,yesterday\n", "start_utc is not a time"),
    ],
)
def test_a_list_that_is_none_is_refused_in_words(tmp_path, text, said):
    with pytest.raises(FactsError, match=said):
        flown.read_flown(written(tmp_path, text))


def test_a_list_is_read_again_when_it_changes_and_none_is_no_list(tmp_path):
    import os

    listed = flown.FlightsFlown(tmp_path / "rollouts")
    assert listed() is None
    path = written(tmp_path, LIST)
    assert listed().height == 4
    path.write_text("\n".join(LIST.splitlines()[:2]) + "\n")
    os.utime(path, (1, 1))
    assert listed().height == 1


def test_flown_recorded_and_assessed_stand_above_the_list(archive, held):
    landings = held.landings.filter(pl.col("week") == "2026-W47")
    every = landings.select("tail", "flight", start_utc=pl.col("touchdown_utc") - pl.duration(hours=2), week="week")
    lost = every.head(7).with_columns(flight=pl.lit("VH999"))
    store = Store(archive, lambda _run: RULES, flown=lambda: pl.concat([every, lost]))
    said = text_of(glance.shown(store, Query()))
    n = landings.height
    share = f"{100 * n / (n + 7):.0f} %"
    assert f"Flown {n + 7} flights Recorded {n} {share}, 7 not recorded Landings {n} of {n} flights" in said
    fleet = landings.filter(pl.col("fleet") == "Heron 90")
    lost_of_fleet = lost.filter(pl.col("tail").is_in(fleet["tail"].implode())).height
    assert f"Flown {fleet.height + lost_of_fleet} " in text_of(glance.shown(store, Query(fleet="Heron 90")))
    at_runway = text_of(glance.shown(store, Query(runway="Korsby 09L")))
    assert "Flown" not in at_runway
    assert "The list of flights flown does not tell the runway." in at_runway


def test_landings_after_a_go_around_are_not_counted_as_flights(archive, held):
    """Of the newest aircraft's flights, the first landed twice, and one more was flown that has no recording."""
    rows = held.landings.filter(pl.col("week") == "2026-W47", pl.col("tail") == held.landings["tail"][0])
    again = rows.head(1).with_columns(
        landing_id=pl.lit("again"), touchdown_utc=pl.col("touchdown_utc") + pl.duration(minutes=9)
    )

    class Twice(FakeArchive):
        def __init__(self):
            self.__dict__ |= archive.__dict__
            self.run = dict(archive.run) | {"rule_book_hash": "twice"}
            self._landings = pl.concat([archive.landings(), again.select(archive.landings().columns)])

    every = rows.select("tail", "flight", start_utc=pl.col("touchdown_utc") - pl.duration(hours=2), week="week")
    lost = every.head(1).with_columns(flight=pl.lit("VH999"))
    store = Store(Twice(), lambda _run: RULES, flown=lambda: pl.concat([every, lost]))
    n = rows.height
    said = text_of(glance.shown(store, Query(tail=rows["tail"][0])))
    assert f"Flown {n + 1} flights Recorded {n} " in said
    assert f", 1 not recorded Landings {n + 1} of {n} flights" in said


def test_with_a_rule_chosen_coverage_is_that_of_the_rule(archive, held):
    """The landings assessed are those that rates divide by; the others are named below the list, with a way there."""
    lost = "spoiler lever not recorded from 2 s to 9 s after touchdown"
    rule = next(
        o["rule"]
        for o in archive.outcomes().iter_rows(named=True)
        if o["outcome"] == "not_assessed" and o["reason"] == lost
    )
    landings = {r["landing_id"] for r in archive.landings().iter_rows(named=True) if r["fleet"] == "Tern 200"}
    said = [o for o in archive.outcomes().iter_rows(named=True) if o["rule"] == rule and o["landing_id"] in landings]
    without = [o for o in said if o["outcome"] == "not_assessed"]
    assert 0 < len(without) < len(said)
    query = Query(week="all", fleet="Tern 200", rule=rule)
    tile = text_of(glance.summary(held, query))
    n = len(said) - len(without)
    assert f"Assessed {n} {len(without)} not assessed by this rule" in tile
    assert "By every rule" not in tile
    assert f"of {n} assessed" in tile
    markup = str(lines.queue_list(held, query))
    assert f"Not assessed {len(without)} landings by this rule. Show" in text_of(markup)
    assert f'href="/not-assessed?week=all&amp;fleet=Tern+200&amp;rule={rule}"' in markup
    page = text_of(not_assessed.listing(held, query))
    assert f"over {len(landings)} landings" in page
    assert all(held.titles[other] not in page for other in held.rules if other != rule)


MONDAY = datetime(2026, 11, 30, 8, tzinfo=UTC)


@pytest.fixture
def lost_week(archive, held, monkeypatch):
    """Every landing's flight, 121 flights of week 48 without a recording, and 30 that are yet to be flown."""
    monkeypatch.setattr(flown, "utc_now", lambda: MONDAY)
    every = held.landings.select("tail", "flight", "week", start_utc=pl.col("touchdown_utc") - pl.duration(hours=2))
    times = [datetime(2026, 11, 23 + n % 7, n % 24, tzinfo=UTC) for n in range(121)]
    times += [datetime(2026, 12, 1 + n % 10, 12, tzinfo=UTC) for n in range(30)]
    more = pl.DataFrame({"flight": [f"VH9{n:03}" for n in range(151)], "start_utc": times}).with_columns(
        tail=pl.lit(held.landings["tail"][0]),
        week=pl.Series([f"2026-W{at.isocalendar().week}" for at in times]),
        start_utc=pl.col("start_utc").cast(every.schema["start_utc"]),
    )
    return Store(archive, lambda _run: RULES, flown=lambda: pl.concat([every, more.select(every.columns)]))


def test_a_week_flown_but_not_recorded_is_the_newest_and_says_so(lost_week, held):
    assert flown.weeks(lost_week) == (*[f"2026-W{n}" for n in range(40, 48)], "2026-W48")
    asked = flown.asked(lost_week, Query())
    assert asked == Query(week="2026-W48")
    assert flown.asked(lost_week, Query(week="2026-W46")) == Query(week="2026-W46")
    said = text_of(glance.shown(lost_week, asked))
    assert "Flown 121 flights Recorded 0 0 %, 121 not recorded Landings 0 of 0 flights Assessed 0" in said
    assert "High – no landing assessed week 40 48 Medium – no landing assessed" in said
    assert " per 1,000 (" not in said.partition("Low")[2].partition("week 40")[0]
    tile = glance.tiles(held, asked)[0]
    assert [week for week, _ in tile.weeks] == [f"2026-W{n}" for n in range(40, 49)]
    assert tile.weeks[-1][1].landings == 0
    picker = str(week.week_picker(held, "2026-W48", flown.weeks(lost_week)))
    assert picker.index("2026-W48") < picker.index("2026-W47")
    assert text_of(picker).startswith("‹ Week 48, 23–29 Nov 2026, unrecorded Week 47, 16–22 Nov 2026 Week 46,")
    assert 'value="2026-W48" selected' in picker


@pytest.mark.parametrize(
    ("flights", "said"),
    [
        (121, "121 flights flown in week 48, none recorded."),
        (1, "1 flight flown in week 48, not recorded."),
        (0, "No flight of week 48 was recorded."),
    ],
)
def test_the_list_of_a_week_not_recorded_leads_to_the_newest_with_landings(held, flights, said):
    weeks = (*held.weeks, "2026-W48")
    markup = lines.queue_list(held, Query(week="2026-W48"), weeks=weeks, flights=flights)
    assert text_of(markup) == f"{said} Show the newest with landings, week 47, 16–22 Nov 2026"
    assert 'href="?week=2026-W47"' in str(markup)


def test_a_week_under_way_and_one_before_the_archive_are_no_lost_weeks(lost_week, archive, held, monkeypatch):
    monkeypatch.setattr(flown, "utc_now", lambda: datetime(2026, 11, 29, 23, 59, tzinfo=UTC))  # the Sunday of week 48
    assert flown.weeks(lost_week) == held.weeks
    monkeypatch.setattr(flown, "utc_now", lambda: MONDAY)
    early = held.landings.head(1).select(
        "tail", flight=pl.lit("VH901"), week=pl.lit("2026-W30"), start_utc=pl.lit(datetime(2026, 7, 22, tzinfo=UTC))
    )
    assert flown.weeks(Store(archive, lambda _run: RULES, flown=lambda: early)) == held.weeks


def test_a_flight_of_sunday_that_landed_on_monday_makes_no_week_of_its_own(archive, held, monkeypatch):
    monkeypatch.setattr(flown, "utc_now", lambda: MONDAY)
    first = held.landings.filter(pl.col("week") == "2026-W40").sort("touchdown_utc").head(1)
    sunday = first.select("tail", "flight", start_utc=pl.col("touchdown_utc") - pl.duration(hours=23)).with_columns(
        week=pl.lit("2026-W39")
    )
    assert flown.weeks(Store(archive, lambda _run: RULES, flown=lambda: sunday)) == held.weeks


def test_flights_that_are_yet_to_be_flown_are_not_missing(archive, held, monkeypatch):
    """On the evening of the newest landing, with five flights of the next morning in the list."""
    now = held.landings["touchdown_utc"].max()
    monkeypatch.setattr(flown, "utc_now", lambda: now)
    landings = held.landings.filter(pl.col("week") == "2026-W47")
    every = landings.select("tail", "flight", "week", start_utc=pl.col("touchdown_utc") - pl.duration(hours=2))
    later = every.head(5).with_columns(
        flight=pl.lit("VH999"), start_utc=pl.lit(now) + pl.duration(minutes=pl.int_range(1, 6))
    )
    store = Store(archive, lambda _run: RULES, flown=lambda: pl.concat([every, later]))
    n = landings.height
    assert f"Flown {n} flights Recorded {n} 100 % " in text_of(glance.shown(store, Query(week="2026-W47")))


def test_a_list_that_cannot_be_read_makes_no_week(archive, held):
    def broken():
        raise FactsError("has no column tail", source="rollouts.flown.csv")

    assert flown.weeks(Store(archive, lambda _run: RULES, flown=broken)) == held.weeks


@pytest.mark.browser
def test_on_monday_the_desk_opens_at_the_week_that_was_not_recorded(browser, lost_week):
    with serving(lost_week) as address, watching(browser, address) as watched:
        page = watched.open("/")
        expect(page.locator("#queue")).to_contain_text("121 flights flown in week 48, none recorded.")
        expect(page.locator("#week-summary")).to_contain_text("121 not recorded")
        expect(page.locator("select[name=week]")).to_have_value("2026-W48")
        expect(page.locator("#week-summary .tile.coverage")).to_be_visible()
        page.locator("[data-step-week='1']").click()
        expect(page.locator("select[name=week]")).to_have_value("2026-W47")
        expect(page.locator("a.row[data-event]").first).to_be_visible()


def test_a_list_that_cannot_be_read_is_said_and_the_rest_stands(archive):
    def broken():
        raise FactsError("has no column tail", source="rollouts.flown.csv")

    said = text_of(glance.shown(Store(archive, lambda _run: RULES, flown=broken), Query()))
    assert "has no column tail" in said
    assert "Recorded" in said


# ── what the rule book changed ────────────────────────────────────────────────────────────────────────────────


def test_what_changed_between_rule_books_in_words():
    """Against edits made by hand to the shipped files."""
    files = files_of(SHIPPED)
    shipped = load_rule_book(SHIPPED)
    slow, bounce = shipped.rules["slow_transit"], shipped.rules["bounce"]
    settings = files["settings.toml"].replace("taxi_speed_kt = 30", "taxi_speed_kt = 25")
    assert settings != files["settings.toml"]
    moved = files["slow_transit.toml"].replace(f"low = {slow.limits.low}", "low = 1.25", 1)
    now = {name: text for name, text in files.items() if name != "bounce.toml"}
    now |= {"slow_transit.toml": moved, "settings.toml": settings}
    assert list(bookchanges.differences(book_of(files), book_of(now))) == [
        "setting taxi speed kt 30 → 25",
        f"{bounce.title}: taken out",
        f"{slow.title}: low limit {slow.limits.low:g} s → 1.25 s",
    ]
    assert list(bookchanges.differences(book_of(now), book_of(files)))[1] == f"{bounce.title}: new rule"


def moved(limits: dict[str, float]) -> dict[str, str]:
    """The shipped files with the low limit of some rules moved by hand."""
    files = files_of(SHIPPED)
    book = load_rule_book(SHIPPED)
    for rule, low in limits.items():
        was = f"low = {book.rules[rule].limits.low}"
        assert was in files[f"{rule}.toml"]
        files[f"{rule}.toml"] = files[f"{rule}.toml"].replace(was, f"low = {low}", 1)
    return files


def glance_by(archive, desk, book_hash, before):
    """The officer's glance over the archive, judged by one rule book after another."""

    class Judged(FakeArchive):
        def __init__(self):
            self.__dict__ |= archive.__dict__
            self.run = dict(archive.run) | {"rule_book_hash": book_hash, "before": before}

    return str(glance.shown(Store(Judged(), lambda _run: RULES, desk=desk), Query()))


def test_the_officer_is_told_who_moved_which_limit_and_why(archive, desk):
    limit = load_rule_book(SHIPPED).rules["slow_transit"].limits.low
    shipped = {"rule_book_hash": load_rule_book(SHIPPED).hash, "rules": str(SHIPPED)}
    first = desk.ask(
        lambda people, by: people.books.save(moved({"slow_transit": round(limit + 0.1, 1)}), reason="Less noise", by=by)
    )
    said = text_of(glance_by(archive, desk, first.hash, shipped))
    assert "saved by vera," in said
    assert ": Less noise. " in said
    assert f"low limit {limit:g} s → {limit + 0.1:g} s" in said
    assert 'href="/compare?a=shipped"' in glance_by(archive, desk, first.hash, shipped)
    assert "Rule book" not in text_of(glance_by(archive, desk, "0" * 8, shipped))


def test_a_change_is_told_against_what_was_in_force_and_not_what_was_saved_before(archive, desk):
    def save(limits, reason):
        return desk.ask(lambda people, by: people.books.save(moved(limits), reason=reason, by=by))

    book = load_rule_book(SHIPPED)
    slow, bounce = (book.rules[name] for name in ("slow_transit", "bounce"))
    shipped = {"rule_book_hash": book.hash, "rules": str(SHIPPED)}
    one = save({"bounce": 0.75}, "Never in force")
    two = save({"slow_transit": 1.25}, "Brought into force")
    said = text_of(glance_by(archive, desk, two.hash, shipped))
    assert f"{slow.title}: low limit {slow.limits.low:g} s → 1.25 s." in said
    assert bounce.title not in said.partition("Rule book")[2]
    save({"slow_transit": 1.5}, "Later")
    save({"slow_transit": 1.75}, "Later still")
    back = text_of(glance_by(archive, desk, one.hash, {"rule_book_hash": two.hash, "rules": "/nowhere"}))
    assert f"{slow.title}: low limit 1.25 s → {slow.limits.low:g} s" in back
    assert "3 newer versions were saved and are not in use." in back


def test_what_comes_into_force_with_a_version_is_told_with_who_and_why(archive, desk):
    shipped = load_rule_book(SHIPPED)
    ana = Actor("ana", ANALYST)
    first = desk.ask(
        lambda people, _by: people.books.save(
            moved({"bounce": 0.75}), reason="Fewer bounces", by=ana, built_on=shipped.hash
        )
    )
    both = moved({"bounce": 0.75, "slow_transit": 1.25})
    second = desk.ask(lambda people, by: people.books.save(both, reason="Less noise.", by=by, built_on=first.hash))
    said = text_of(glance_by(archive, desk, second.hash, {"rule_book_hash": shipped.hash, "rules": str(SHIPPED)}))
    assert ": Less noise. With version 1.0, saved by ana: Fewer bounces. " in said
    from_first = {"rule_book_hash": first.hash, "rules": str(SHIPPED)}
    assert "With version" not in text_of(glance_by(archive, desk, second.hash, from_first))


def test_long_reasons_and_chains_of_versions_stay_short(archive, desk):
    shipped = load_rule_book(SHIPPED)
    before, long = shipped.hash, "We moved it again.\n\n" + "because " * 480
    for low in (0.75, 0.76, 0.77, 0.78, 0.79):
        saved = desk.ask(
            lambda people, by, low=low, before=before: people.books.save(
                moved({"bounce": low}), reason=long, by=by, built_on=before
            )
        )
        before = saved.hash
    line = glance_by(archive, desk, saved.hash, {"rule_book_hash": shipped.hash, "rules": str(SHIPPED)})
    said = text_of(line.partition("Rule book")[2])
    assert said.count("We moved it again. because because") == 2
    assert said.count("because…") == 2
    assert said.count("saved by") == 2
    assert "and 3 before it" in said
    assert '<a href="/versions">and 3 before it</a>' in line
    assert len(said) < 600


@pytest.mark.parametrize(("wrote", "told"), [("x" * 4000, "x" * 120 + "…"), ("Short.\nAnd plain", "Short. And plain")])
def test_a_reason_is_cut_also_where_it_has_no_words(wrote, told):
    assert bookchanges.in_short(wrote) == told


def test_no_change_is_told_when_what_was_in_force_is_not_known(archive, desk, tmp_path):
    saved = desk.ask(lambda people, by: people.books.save(moved({"bounce": 0.75}), reason="Why", by=by))
    assert "Rule book" not in text_of(glance_by(archive, desk, saved.hash, None))
    edited = tmp_path / "edited"
    edited.mkdir()
    for name, text in moved({"slow_transit": 1.25}).items():
        (edited / name).write_text(text, encoding="utf-8")
    lost = {"rule_book_hash": "0" * 20, "rules": str(edited)}
    assert "Rule book" not in text_of(glance_by(archive, desk, saved.hash, lost))


def test_a_rule_is_changed_for_the_fleet_whose_limits_moved_alone(desk, tmp_path):
    """Decided under the shipped book; then one fleet's low limit, and later everybody's condition, is another one."""
    shipped = load_rule_book(SHIPPED)
    files = files_of(SHIPPED)
    own = files | {"bounce.toml": files["bounce.toml"] + '\n[limits_by_fleet."Tern 200"]\nlow = 0.4\n'}
    assert book_of(own).rules["bounce"].limits_for("Tern 200").low == 0.4

    def changed_for(now: dict[str, str], judged_by: str) -> list[bool]:
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        folder.mkdir()
        for name, text in now.items():
            (folder / name).write_text(text, encoding="utf-8")
        book = load_rule_book(folder)
        ids = ["l1-bounce", "l2-bounce", "l3-bounce"]
        events = pl.DataFrame(
            {"event_id": ids, "rule": "bounce", "fleet": ["Tern 200", "Curlew 300", None]}
        ).with_columns(rule_hash=pl.lit(book.rules["bounce"].hash), rule_changed=pl.lit(True))
        current = pl.DataFrame({"event_id": ids}).with_columns(
            judged_rule_hash=pl.lit(shipped.rules["bounce"].hash), judged_rule_book=pl.lit(judged_by)
        )
        run = {"rules": str(folder), "rule_book_hash": book.hash}
        return without_unmoved(events, current, run, desk.books, Once(4))["rule_changed"].to_list()

    assert changed_for(own, shipped.label) == [True, False, False]
    assert changed_for(own, "Rollout rules 0 (00000000)") == [True, True, True], "not known what it was"
    elsewhere = own | {"bounce.toml": own["bounce.toml"].replace("\nunit", '\nwhere = "bounces > 1"\nunit', 1)}
    assert changed_for(elsewhere, shipped.label) == [True, True, True]
    taxi = {**own, "settings.toml": files["settings.toml"].replace("taxi_speed_kt = 30", "taxi_speed_kt = 25")}
    assert changed_for(taxi, shipped.label) == [True, True, True]


# ── events no longer ──────────────────────────────────────────────────────────────────────────────────────────


class Without(FakeArchive):
    """The archive judged anew without some events: the first is within limits now, the second not assessed."""

    def __init__(self, archive, gone):
        self.__dict__ |= archive.__dict__
        self.run = dict(archive.run) | {"detected_utc": datetime(2026, 12, 1, tzinfo=UTC)}
        self._events = archive.events().filter(~pl.col("event_id").is_in(gone))
        id_ = pl.format("{}-{}", "landing_id", "rule")
        kind = pl.when(id_ == gone[0]).then(pl.lit("within")).when(id_ == gone[1]).then(pl.lit("not_assessed"))
        why = pl.when(id_ == gone[1]).then(pl.lit("ground speed has a gap there")).otherwise("reason")
        self._outcomes = archive.outcomes().with_columns(outcome=kind.otherwise("outcome"), reason=why)


def test_what_was_decided_of_an_event_that_is_none_now_stays(archive, held, desk):
    events = [held.events.row(i, named=True) for i in (0, 1, 2)]
    before = Store(archive, lambda _run: RULES, desk=desk)
    for i, event in enumerate(events):
        asked = {"act": "decide", "event": event["event_id"], "verdict": "valid", "note": f"Note {i}", "token": f"t{i}"}
        assert decision.done(before, asked | {"seen": ""})["problem"] == ""
    assert officers.gone(before).is_empty()
    gone = [event["event_id"] for event in events[:2]]
    now = Store(Without(archive, gone), lambda _run: RULES, desk=desk)
    listed = lines.queue_list(now.reviewed(), Query(), decides=True, gone=officers.gone(now).height)
    assert "2 events that something was done about are none now. Show" in text_of(listed)
    page = no_longer.listing(now)
    said = text_of(page)
    assert "Within limits now." in said
    assert "Not assessed now (ground speed has a gap there)." in said
    for event in events[:2]:
        assert f'href="/landing/{event["landing_id"]}"' in page
        assert f"event={event['event_id']}" in page
    head = text_of(evidence.shown(now, Query(event=gone[0]))[0])
    assert "within limits now" in head.lower()
    assert "Note 0 (vera" in text_of(decision.of_gone(now, gone[0]))
    assert "data-decide" not in decision.of_gone(now, gone[0])


def test_nothing_is_gone_while_every_event_stands(archive, desk):
    store = Store(archive, lambda _run: RULES, desk=desk)
    assert "is still one" in text_of(no_longer.listing(store))


# ── below the list, and on paper ──────────────────────────────────────────────────────────────────────────────


def test_below_the_list_stand_what_was_decided_and_what_was_not_assessed(archive, held, desk):
    store = Store(archive, lambda _run: RULES, desk=desk)
    for i, verdict in enumerate(("nuisance", "nuisance", "valid")):
        event = held.events.row(i, named=True)
        asked = {"act": "decide", "event": event["event_id"], "verdict": verdict, "reason": "Brief", "token": f"t{i}"}
        assert decision.done(store, asked | {"seen": ""})["problem"] == ""
    said = text_of(lines.queue_list(store.reviewed(), Query(week="all"), decides=True))
    assert "Decided: 2 nuisance, 1 valid." in said
    outcomes = Counter()
    for row in archive.outcomes().iter_rows(named=True):
        outcomes[row["landing_id"]] += row["outcome"] != "not_assessed"
    none = sum(n == 0 for n in outcomes.values())
    part = sum(0 < n < len(RULES) for n in outcomes.values())
    assert f"Not assessed {none} landings by any rule, {part} in part." in said


def test_on_paper_a_list_says_of_when_and_under_which_filters(held):
    query = Query(week="2026-W46", fleet="Tern 200", severity="low")
    said = text_of(lines.queue_list(held, query))
    assert "Events, Week 46, 9–15 Nov 2026 (Low; Tern 200) Vesterhaven limits" in said


@pytest.mark.parametrize(
    ("recorded", "flights", "share"), [(2000, 2003, "99 %"), (2003, 2003, "100 %"), (1, 3, "33 %"), (2, 3, "67 %")]
)
def test_a_hundred_per_cent_is_all_of_them(held, recorded, flights, share):
    said = text_of(glance.summary(held, Query(week="all"), glance.Flown(flights, recorded, recorded)))
    assert f"Recorded {recorded:,} {share}" in said


# ── a rule that is not for every landing ──────────────────────────────────────────────────────────────────────


RULE, OTHER = "late_reverse", "late_spoilers"
CONDITION = "runway_length_m < 2600"


@pytest.fixture(scope="module")
def conditional(archive):
    """The invented archive with a rule under a condition, which holds on the two shorter of four runways; on one of
    the longer runways the length of some landings is missing."""
    unknown = archive.landings().filter(pl.col("arrival") == "Ilvesund")["landing_id"].to_list()[:3]
    longer = archive.landings().filter(pl.col("arrival").is_in(["Korsby", "Ilvesund"]))["landing_id"].to_list()

    class Conditional(FakeArchive):
        def __init__(self):
            self.__dict__ |= archive.__dict__
            self.run = dict(archive.run) | {"rule_book_hash": "conditional"}
            here = pl.col("rule") == RULE
            told = (
                pl.when(here & pl.col("landing_id").is_in(unknown))
                .then(pl.lit("cannot tell whether it applies: runway_length_m is unknown"))
                .when(here & pl.col("landing_id").is_in(longer))
                .then(pl.lit(f"does not apply: {CONDITION}"))
            )
            self._outcomes = archive.outcomes().with_columns(
                outcome=pl.when(told.is_null()).then("outcome").otherwise(pl.lit("not_assessed")),
                reason=pl.coalesce(told, "reason"),
            )
            judged = self._outcomes.filter(outcome="event").select("landing_id", "rule")
            self._events = archive.events().join(judged, on=["landing_id", "rule"], how="semi")

    return Store(Conditional(), lambda _run: RULES), set(longer) - set(unknown), set(unknown)


def test_a_landing_that_a_rule_is_not_for_is_no_landing_assessed_in_part(conditional, archive):
    store, out, unknown = conditional
    lost = {}
    for o in archive.outcomes().iter_rows(named=True):
        lost.setdefault(o["landing_id"], set()).update([o["rule"]] if o["outcome"] == "not_assessed" else [])
    for landing in out:
        lost[landing].discard(RULE)
    for landing in unknown:
        lost[landing].add(RULE)
    complete = sum(not rules for rules in lost.values())
    none = sum(rules >= set(RULES) - ({RULE} if landing in out else set()) for landing, rules in lost.items())
    partly = len(lost) - complete - none
    said = text_of(glance.summary(store.held(), Query(week="all")))
    assert f"By every rule {complete} {partly} in part" in said
    assert "Left out" not in said
    assert text_of(lines.queue_list(store.held(), Query(week="all"))).find(f"by any rule, {partly} in part.") > 0
    shown = [q.height for q in (landing_list.landings(store.held(), Query(week="all", show="part")),)]
    assert shown == [partly + none]


def test_with_the_rule_chosen_its_landings_left_out_are_told_apart_from_those_missing(conditional, archive):
    store, out, unknown = conditional
    said = {o["landing_id"]: o["outcome"] for o in archive.outcomes().filter(rule=RULE).iter_rows(named=True)}
    mine = set(said) - out
    missing = {one for one in mine if said[one] == "not_assessed"} | unknown
    query = Query(week="all", rule=RULE)
    tile = text_of(glance.summary(store.held(), query))
    n = len(mine) - len(missing)
    assert f"Assessed {n} {len(missing)} not assessed by this rule Left out {len(out)} the rule does not apply" in tile
    assert "does not apply: " not in tile.lower()
    assert f"Not assessed {len(missing)} landings by this rule." in text_of(lines.queue_list(store.held(), query))


def test_what_could_not_be_assessed_lists_no_landing_that_the_rule_is_not_for(conditional):
    store, out, unknown = conditional
    page = text_of(not_assessed.listing(store.held(), Query(week="all")))
    assert "oes not apply" not in page
    assert re.search(rf"Cannot tell whether it applies: runway_length_m is unknown\. {len(unknown)} ", page)
    only = replace(store.held(), missing=store.held().missing.filter(pl.col("rule") != RULE))
    n = store.held().landings.height - len(out)
    told = f"“{RULES[RULE].title}” was assessed on all {n} landings that it is for; it does not apply to {len(out)}."
    assert told in text_of(not_assessed.listing(only, Query(week="all", rule=RULE)))
    page = text_of(rules_page.layout(store, RULE, "").children.markup)
    assert "oes not apply" not in page


def test_of_a_parameter_that_is_missing_only_landings_count_that_the_rule_is_for(conditional):
    store, out, _ = conditional
    held = store.held()
    tail = held.landings.filter(pl.col("landing_id").is_in(list(out)))["tail"][0]
    mine = held.landings.filter(pl.col("tail") == tail).sort("touchdown_utc")
    first = next(one for one in mine["landing_id"] if one not in out)
    reason = "spoiler lever not recorded from 2 s to 9 s after touchdown"
    alone = pl.DataFrame({"landing_id": [first], "rule": [RULE], "reason": [reason]})
    (one,) = recorder.silences(replace(held, missing=alone), Query())
    since = mine["landing_id"].to_list()[mine["landing_id"].to_list().index(first) :]
    assert one.not_tried == len(set(since) & out) > 0
    assert one.of_landings == len(set(since) - out)


def test_the_digest_and_an_analyst_have_the_same_numbers(conditional):
    store, out, _ = conditional
    held = store.held()
    week = held.weeks[-1]
    tile = text_of(glance.summary(held, Query(week=week)))
    complete = weekly.counted(held, week).complete.part
    assert f"By every rule {complete} " in tile
    with access.acting(Actor("ana", ANALYST)):
        seen = store.held()
        assert seen.left_out.height == len(out)
        assert not set(seen.left_out["landing_id"]) & set(held.landings["landing_id"])
        assert "oes not apply" not in text_of(not_assessed.listing(seen, Query(week="all")))


def test_a_landing_that_no_rule_is_for_is_neither_assessed_nor_missing(conditional, archive):
    store, out, _ = conditional

    class Alone(FakeArchive):
        def __init__(self):
            self.__dict__ |= store.archive().__dict__
            self.run = dict(archive.run) | {"rule_book_hash": "alone"}
            self._outcomes = self._outcomes.filter(rule=RULE)
            self._events = self._events.filter(rule=RULE)

    held = Store(Alone(), lambda _run: {RULE: RULES[RULE]}).held()
    missing = held.missing.height
    n = held.landings.height - missing - len(out)
    said = text_of(glance.summary(held, Query(week="all")))
    assert f"Assessed {n} {missing} not assessed Left out {len(out)} the rule does not apply" in said
    assert landing_list.landings(held, Query(week="all", show="missing")).height == missing
