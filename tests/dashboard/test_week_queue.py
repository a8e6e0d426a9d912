"""The queue and the counts above it, held against plain Python over the same events."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

import polars as pl
import pytest
from conftest import text_of
from invented_archive import RULES, FakeArchive
from scipy.stats import binomtest, poisson

from dashboard import queue
from dashboard.novelty import news
from dashboard.pages import evidence, lines, week
from dashboard.query import Query
from dashboard.store import Store

EVERYTHING = Query(week="all", lines="single")


def lines_of(held, query):
    return [line for group in queue.groups(held, query) for line in group.lines]


def all_lines(held, query):
    found, page = [], 1
    while rows := lines_of(held, replace(query, page=page)):
        found += rows
        page += 1
    return found


def test_every_event_stands_in_the_list_once(held, archive):
    shown = [line.event["event_id"] for line in all_lines(held, EVERYTHING)]
    assert Counter(shown) == Counter(archive.events()["event_id"].to_list())


def test_worst_comes_first(held):
    ranks = {"low": 1, "medium": 2, "high": 3}
    keys = [
        (ranks[e["severity"]], e["severity_lowest"] == e["severity"], e["at"])
        for e in (line.event for line in all_lines(held, EVERYTHING))
    ]
    assert keys == sorted(keys, reverse=True)


@pytest.mark.parametrize(("sort", "column"), [("event", "title"), ("aircraft", "tail"), ("place", "place")])
def test_other_orders_keep_severity_first(held, sort, column):
    events = [line.event for line in all_lines(held, replace(EVERYTHING, sort=sort))]
    ranks = {"low": 1, "medium": 2, "high": 3}
    keys = [(-ranks[e["severity"]], e[column]) for e in events]
    assert keys == sorted(keys)


def test_newest_first(held):
    events = [line.event for line in all_lines(held, replace(EVERYTHING, sort="newest"))]
    for severity in ("high", "medium", "low"):
        times = [e["touchdown_utc"] for e in events if e["severity"] == severity]
        assert times == sorted(times, reverse=True)


@pytest.mark.parametrize(
    ("query", "keep"),
    [
        (Query(week="2026-W46"), lambda e: e["touchdown_utc"].isocalendar()[:2] == (2026, 46)),
        (Query(week="all", severity="high"), lambda e: e["severity"] == "high"),
        (Query(week="all", fleet="Heron 90"), lambda e: e["fleet"] == "Heron 90"),
        (Query(week="all", runway="Korsby 09L"), lambda e: (e["arrival"], e["runway"]) == ("Korsby", "09L")),
        (Query(week="all", rule="slow_transit"), lambda e: e["rule"] == "slow_transit"),
        (Query(week="all", origin="crew"), lambda e: e["origin"] == "crew"),
        (Query(week="all", text="engine 2"), lambda e: e["engine"] == 2),
        (Query(week="all", text="Engine  1 slow"), lambda e: e["engine"] == 1 and e["rule"] == "slow_transit"),
        (Query(week="all", text="engine"), lambda e: e["engine"] is not None),
        (Query(week="all", text="possible"), lambda e: e["severity"] != e["severity_lowest"]),
        (
            Query(week="all", text="certain QQ-L"),
            lambda e: e["severity"] == e["severity_lowest"] and "QQ-L" in e["tail"],
        ),
        (Query(week="all", text="sandmark SPOILERS"), lambda e: e["arrival"] == "Sandmark" and "spoilers" in e["rule"]),
    ],
    ids=lambda x: x.link() if isinstance(x, Query) else "",
)
def test_a_filter_leaves_what_it_says(held, archive, query, keep):
    wanted = {e["event_id"] for e in archive.events().iter_rows(named=True) if keep(e)}
    shown = {line.event["event_id"] for line in all_lines(held, replace(query, lines="single"))}
    assert shown == wanted
    assert wanted


@pytest.mark.parametrize(
    ("together", "common"),
    [("together", ("rule", "tail", "engine")), ("place", ("rule", "arrival", "runway")), ("rule", ("rule",))],
)
def test_repeats_stand_together_with_their_worst(held, archive, together, common):
    lines = all_lines(held, Query(week="all", lines=together))
    events = archive.events().to_dicts()

    def key(e):
        return (e["severity"], e["severity_lowest"] == e["severity"], *(e[name] for name in common))

    counts = Counter(map(key, events))
    tails = {k: {e["tail"] for e in events if key(e) == k} for k in counts}
    for line in lines:
        k = key(line.event)
        assert line.tails == len(tails[k])
        assert line.repeats == counts.pop(k)
        same = [e["event_id"] for e in held.events.iter_rows(named=True) if key(e) == k]
        assert line.event["event_id"] == same[0]
    assert not counts


def mondays(utc):
    return (utc.date() - date(2026, 1, 5)).days // 7


def test_what_is_new_came_on_several_landings_after_eight_weeks_without():
    """Against a walk in plain Python; twenty weeks, so that what was forgotten becomes new again."""
    archive = FakeArchive(landings=400, weeks=20, seed=6)
    held = Store(archive, lambda _run: RULES).held()
    events = [e | {"place": (e["arrival"], e["runway"])} for e in archive.events().iter_rows(named=True)]
    first = min(mondays(utc) for utc in archive.landings()["touchdown_utc"])
    found = dict(held.events.select("event_id", "new").iter_rows())
    looked_at = dict(held.events.select("event_id", "weeks_before").iter_rows())
    keys, told = (("aircraft", "tail"), ("runway", "place")), Counter()
    for e in events:
        now = mondays(e["touchdown_utc"])
        alike = [o for o in events if o["rule"] == e["rule"]]
        before = [o for o in alike if now - 8 <= mondays(o["touchdown_utc"]) < now]
        lately = [o for o in alike if mondays(o["touchdown_utc"]) == now]
        fresh = [
            name
            for name, key in keys
            if all(o[key] != e[key] for o in before) and len({o["landing_id"] for o in lately if o[key] == e[key]}) >= 2
        ]
        want = None if now < first + 4 or not fresh else fresh[0] if len(fresh) == 1 else "both"
        assert found[e["event_id"]] == want
        assert looked_at[e["event_id"]] == min(8, now - first)
        told[want] += 1
    assert len(told) == 4


def test_what_is_new_says_how_many_weeks_were_before_it(held):
    """The archive begins in week 40: week 44 has four weeks before it."""
    event = held.events.filter(pl.col("week") == "2026-W44", pl.col("new") == "aircraft").row(0, named=True)
    assert news(event) == "On several landings this week and on none in the 4 weeks before, on this aircraft"


def test_groups_count_events_and_lines_of_all_pages(held, archive):
    groups = queue.groups(held, EVERYTHING)
    counts = Counter(archive.events()["severity"].to_list())
    assert {g.severity: (g.events, g.total) for g in groups} == {s: (n, n) for s, n in counts.items()}
    assert sum(len(g.lines) for g in groups) == min(queue.LINES_PER_PAGE, sum(counts.values()))


def test_without_a_week_the_newest_is_meant(held):
    assert queue.week_of(held, Query()) == "2026-W47"
    assert queue.week_of(held, Query(week="2026-W44")) == "2026-W44"


def in_week(row, week):
    return row["touchdown_utc"].isocalendar()[:2] == (2026, week)


def test_rates_count_events_over_assessed_landings(held, archive):
    outcomes = archive.outcomes().filter(pl.col("outcome") != "not_assessed")
    assessed = set(outcomes["landing_id"].to_list())
    landings = [r for r in archive.landings().iter_rows(named=True) if in_week(r, 45) and r["landing_id"] in assessed]
    for tile in queue.tiles(held, Query(week="2026-W45")):
        events = [
            e for e in archive.events().iter_rows(named=True) if in_week(e, 45) and e["severity"] == tile.severity
        ]
        assert (tile.events, tile.rate.landings) == (len(events), len(landings))
        assert tile.certain == sum(e["severity_lowest"] == e["severity"] for e in events)
        assert tile.weeks[-1] == ("2026-W45", tile.rate)
        assert [week for week, _ in tile.weeks] == [f"2026-W{w}" for w in range(40, 46)]


def test_the_rate_of_one_rule_counts_only_landings_on_which_it_was_assessed(held, archive):
    outcomes = archive.outcomes().filter(pl.col("rule") == "slow_transit", pl.col("outcome") != "not_assessed")
    tile = queue.tiles(held, Query(week="all", rule="slow_transit"))[0]
    assert tile.rate.landings == outcomes.height


def test_intervals_are_exact(held):
    """Exact: as many or more is 2.5 % likely at the lower end, as few or fewer at the upper (Garwood 1936)."""
    for tile in queue.tiles(held, Query(week="all")):
        n, rate = tile.events, tile.rate
        low, high = (x * rate.landings / 1000 for x in (rate.lower, rate.upper))
        assert poisson.sf(n - 1, low) == pytest.approx(0.025)
        assert poisson.cdf(n, high) == pytest.approx(0.025)


def test_the_interval_of_one_rule_is_that_of_a_share(held):
    """A landing has at most one event of a rule: Clopper and Pearson's, by SciPy, never past all landings."""
    rules, tails = (held.events[name].unique().sort().to_list() for name in ("rule", "tail"))
    queries = [Query(week="2026-W47", rule=rule, tail=tail) for rule in rules for tail in ("", *tails)]
    tiles = [tile for query in queries for tile in queue.tiles(held, query)]
    rates = {rate for tile in tiles for rate in (tile.rate, *(found for _, found in tile.weeks)) if rate.landings}
    assert any(rate.events and rate.landings < 4 for rate in rates)  # Garwood's would end above 1,000
    for rate in rates:
        wanted = binomtest(rate.events, rate.landings).proportion_ci(method="exact")
        assert (rate.lower, rate.upper) == pytest.approx((1000 * wanted.low, 1000 * wanted.high), rel=1e-6)
        assert rate.upper <= 1000


def test_beside_an_event_the_rate_of_its_rule_has_the_interval_of_a_share(store, held):
    """Counted once more over the aircraft and over its fleet; Clopper and Pearson's interval by SciPy."""
    (rule, tail), _ = Counter(held.events.select("rule", "tail").iter_rows()).most_common(1)[0]
    event = held.events.filter(rule=rule, tail=tail).row(0, named=True)
    can = f"can {event['rule']}"

    def said(key):
        of = sum(r[can] for r in held.landings.iter_rows(named=True) if r[key] == event[key])
        n = sum(e["rule"] == event["rule"] for e in held.events.iter_rows(named=True) if e[key] == event[key])
        low, high = (1000 * x for x in binomtest(n, of).proportion_ci(method="exact"))
        assert 1000 * n / of >= 30  # shown without decimals
        return f"{1000 * n / of:.0f} per 1,000 ({low:.0f}–{high:.0f}), {n} such event{'s' * (n != 1)} in {of} landings"

    assert f"{said('tail')}; fleet {said('fleet')}." in text_of(evidence.event_markup(store, event, Query()))


def test_coverage_tells_what_could_not_be_assessed_and_why(held, archive):
    found = queue.coverage(held, Query(week="all"))
    by_landing: dict[str, list] = {}
    for row in archive.outcomes().iter_rows(named=True):
        by_landing.setdefault(row["landing_id"], []).append(row["outcome"])
    silent = sum(all(o == "not_assessed" for o in said) for said in by_landing.values())
    complete = sum(all(o != "not_assessed" for o in said) for said in by_landing.values())
    assert (found.landings, found.assessed, found.complete) == (400, 400 - silent, complete)
    assert found.reasons == [("the time of touchdown is not known well enough", silent)]


@pytest.mark.parametrize("together", ["together", "place", "rule", "single"])
def test_every_event_of_a_list_knows_its_line_and_page(held, monkeypatch, together):
    monkeypatch.setattr(queue, "LINES_PER_PAGE", 20)
    query = Query(week="all", lines=together, severity="low", sort="newest")
    lines = all_lines(held, query)
    common = {"together": ("rule", "tail", "engine"), "place": ("rule", "place"), "rule": ("rule",)}
    same = ("event_id",) if together == "single" else ("certain", *common[together])
    low = [e for e in held.events.iter_rows(named=True) if e["severity"] == "low"]
    for event in low:
        place = queue.place_of(held, query, event)
        line = lines[place.line - 1]
        assert all(line.event[name] == event[name] for name in same)
        assert place.lines == len(lines)
        assert line.event in [one.event for one in lines_of(held, replace(query, page=place.page))]
    high = next(e for e in held.events.iter_rows(named=True) if e["severity"] == "high")
    assert queue.place_of(held, query, high) is None


def test_past_the_last_page_the_last_one_is_shown(held, store):
    last = -(-held.events.height // queue.LINES_PER_PAGE)
    on_last = text_of(lines.queue_list(held, replace(EVERYTHING, page=last)))
    past = replace(EVERYTHING, page=99)
    assert text_of(lines.queue_list(held, past)) == on_last
    first = held.events["event_id"][(last - 1) * queue.LINES_PER_PAGE]
    assert evidence.event_of(store, past)["event_id"] == first


@pytest.mark.parametrize("asked", ["2026-W99", "2026-W50", "2019-W01"])
def test_a_week_without_landings_is_said_to_be_none_with_the_way_to_the_newest(held, asked):
    markup = lines.queue_list(held, Query(week=asked, decided="no"), decides=True)
    said = f"No landing of week {int(asked[-2:])} of {asked[:4]} is in this archive."
    assert text_of(markup) == f"{said} Show the newest, week 47, 16–22 Nov 2026"
    assert 'href="?decided=no"' in str(markup)
    assert f'value="{asked}" selected' in str(week.week_picker(held, asked))


def test_the_weeks_of_a_tile_end_with_the_one_that_is_asked_for(held):
    """Week 48 has no landing: none of week 47's rates stands in its place."""
    for tile in queue.tiles(held, Query(week="2026-W48")):
        assert [name for name, _ in tile.weeks] == [f"2026-W{w}" for w in range(40, 49)]
        assert (tile.weeks[-1][1].landings, tile.weeks[-1][1].per_1000) == (0, None)
