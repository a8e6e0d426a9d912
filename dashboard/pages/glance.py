"""The week at a glance: what was flown and assessed, and how many events of each severity, with rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from dashboard import marks, officers, words
from dashboard.bookchanges import BookChange, ended
from dashboard.flown import so_far, with_recorded
from dashboard.held import Held
from dashboard.query import ALL_WEEKS, REPEATS, Query
from dashboard.queue import Coverage, Tile, coverage, matching, tiles, week_of
from dashboard.repeats import Together, landings_of, new, repeated
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.people.times import in_words

FLIGHT = ("source_file", "tail", "flight", "start_utc")  # the landings of one flight have these in common
NAMED = 3  # of what is new, and of what repeats


def shown(store: Store, query: Query) -> Markup:
    """Everything above the list."""
    held = store.reviewed()
    change = officers.book_change(store)
    return Markup('<div class="summary">{}</div>{}').format(
        summary(held, query, _flown(store, query)), strip(held, query, change)
    )


def summary(held: Held, query: Query, flown: Flown | str = "") -> Markup:
    """Landings, and the three severities with rates.

    flown    the flights flown, or why their list cannot be read; empty when there is no list
    """
    return _coverage(coverage(held, query), query, flown) + marks.joined(_tile(tile) for tile in tiles(held, query))


@dataclass(frozen=True)
class Flown:
    """Flights flown, how many of them have a recording, and how many flights the landings of the list are of."""

    flights: int
    recorded: int
    landed: int


def _flown(store: Store, query: Query) -> Flown | str:
    try:
        flights = store.flights_flown()
    except FdmError as error:
        return str(error)
    if flights is None:
        return ""
    if query.runway:
        return "The list of flights flown does not tell the runway."
    held = store.held()
    week, flights = week_of(held, query), with_recorded(so_far(flights, held.landings), held.landings)
    if week != ALL_WEEKS:
        flights = flights.filter(pl.col("week") == week)
    tails = matching(held.landings, Query(fleet=query.fleet, tail=query.tail)).select("tail").unique().collect()
    if query.fleet or query.tail:
        flights = flights.join(tails, on="tail", how="semi")
    landed = matching(held.landings, query, week=week).select(*FLIGHT).unique().collect().height
    return Flown(flights.height, int(flights["recorded"].sum()), landed)


def flights(store: Store, query: Query) -> int:
    """How many flights were flown under the filters, as far as that is told."""
    found = _flown(store, query)
    return found.flights if isinstance(found, Flown) else 0


def _coverage(found: Coverage, query: Query, flown: Flown | str) -> Markup:
    """Flights are compared with flights, landings with landings: one flight lands again after a go-around."""
    span = "in all weeks" if query.week == ALL_WEEKS else "this week"
    by = " by this rule" if query.rule else ""
    missing = _missing(found.missing, "not assessed")
    every = [("By every rule", found.complete, found.landings, _missing(found.assessed - found.complete, "in part"))]
    rows = [
        ("Recorded", found.landings, found.landings, ""),
        ("Assessed", found.assessed, found.landings - found.left_out, f"{missing}{by}".strip()),
        *([("Left out", found.left_out, found.landings, "the rule does not apply")] if found.left_out else []),
        *([] if query.rule else every),
    ]
    if isinstance(flown, Flown):
        rows = [*_of_flights(flown), ("Landings", found.landings, found.landings, _of(flown.landed)), *rows[1:]]
    body = marks.joined(
        Markup(
            '<tr class="{}"><th scope="row">{}</th><td class="num">{:,}</td><td class="bar">{}</td>'
            '<td class="soft">{}</td></tr>'
        ).format("assessed" if name == "Assessed" else "", name, n, marks.share_bar(n, whole), note)
        for name, n, whole, note in rows
    )
    said = [flown] if isinstance(flown, str) and flown else []
    reasons = "; ".join(f"{words.plain(reason)} {n:,}" for reason, n in found.reasons)
    said += [reasons[:1].upper() + reasons[1:]]
    return Markup(
        '<div class="tile coverage"><h2><b>Landings</b> <span class="soft">{}</span></h2><table>{}</table>'
        '<p class="soft reasons">{}</p></div>'
    ).format(span, body, " ".join(said))


def _of_flights(flown: Flown) -> list[tuple[str, int, int, str]]:
    missing = _missing(flown.flights - flown.recorded, "not recorded")
    share = f"{_share_pct(flown)} %" if flown.flights else ""
    return [
        ("Flown", flown.flights, flown.flights, "flights"),
        ("Recorded", flown.recorded, flown.flights, ", ".join(one for one in (share, missing) if one)),
    ]


def _share_pct(flown: Flown) -> int:
    """How many of a hundred flights are recorded; a hundred only when all are."""
    rounded = round(100 * flown.recorded / flown.flights)
    return min(rounded, 99) if flown.recorded < flown.flights else rounded


def _of(flights: int) -> str:
    return f"of {words.count(flights, 'flight')}"


def strip(held: Held, query: Query, change: BookChange | None) -> Markup:
    """What is new, what repeats, and what the rule book changed; nothing when there is none of it."""
    week = week_of(held, query)
    fresh = new(held, query) if week != ALL_WEEKS else []
    again = repeated(held, query)
    show = Markup('<a href="{}">Show</a>').format(query.link(new="yes", event=""))
    lines = [
        ("New", _new(held, fresh, query), show if fresh else ""),
        ("Repeats", _again(held, again, query), ""),
        ("Rule book", book_line(change), _compare(change)),
    ]
    rows = marks.joined(
        Markup("<p><b>{}</b><span>{}</span>{}</p>").format(name, said, more) for name, said, more in lines if said
    )
    return Markup('<div class="strip">{}</div>').format(rows) if rows else Markup("")


def _named(held: Held, found: list[Together], query: Query) -> Markup:
    return Markup("; ").join(_link(held, one, query) for one in found)


def _new(held: Held, found: list[Together], query: Query) -> Markup:
    """The first few, each a way to its events, and how many more, which are shown in the list."""
    more = len(found) - NAMED
    rest = Markup('; <span class="soft">and {:,} more new</span>').format(more) if more > 0 else ""
    return _named(held, found[:NAMED], query) + rest


def _again(held: Held, found: list[Together], query: Query) -> Markup:
    """The first few, each a way to its events, and a way to all of them; or all of them, and the way back."""
    every, more = query.show == REPEATS, len(found) - NAMED
    if more <= 0:
        return _named(held, found, query)
    link, said = ("", "fewer") if every else (REPEATS, f"and {words.count(more, 'more repeat')}")
    rest = Markup('; <a href="{}">{}</a>').format(query.link(show=link, page=query.page, event=""), said)
    return _named(held, found if every else found[:NAMED], query) + rest


def _link(held: Held, one: Together, query: Query) -> Markup:
    where = Markup('{} <span class="whole">{}</span>').format("on" if one.kind == "aircraft" else "at", one.name)
    engine = f" engine {one.engine}" if one.engine else ""
    of = "" if query.text else f"in {words.count(landings_of(held, query, one), 'landing')} assessed"
    often = Markup(' <b>×{:,}</b> <span class="soft">{}</span>').format(one.events, of)
    return Markup('{}<a href="{}">{} {}{}</a>{}').format(
        marks.severity(one.severity),
        query.link(rule=one.rule, lines="single", event="", **{one.key: one.name}),
        one.title,
        where,
        engine,
        often,
    )


def _compare(change: BookChange | None) -> Markup:
    if change is None or not change.before:
        return Markup("")
    return Markup('<a href="/compare?a={}">Compare</a>').format(change.before)


def book_line(change: BookChange | None) -> Markup:
    """ "Version 12, saved by vera on 12 Nov 2026: less noise at Korsby. Reverser slow: high limit 3.5 s → 4 s." """
    if change is None or not change.changes:
        return Markup("")
    moved = "; ".join(change.changes[:NAMED])
    more = f"; and {len(change.changes) - NAMED} more" if len(change.changes) > NAMED else ""
    newer = f" {_newer(change.newer)}" if change.newer else ""
    named = f"Version {change.version}" if change.version else "The version in use"
    saved = f"saved by {change.by}, {in_words(change.at_utc)}"
    told = Markup("{}, {}: {}{} {}{}.{}")
    return told.format(named, saved, ended(change.reason), _along(change.along), moved, more, newer)


def _along(along: Sequence[tuple[str, str, str]]) -> Markup:
    """The last version that came into use with the one in use, and how many before it."""
    if not along:
        return Markup("")
    name, by, why = along[0]
    more = len(along) - 1
    before = Markup(' (<a href="/versions">and {} before it</a>)').format(more) if more else ""
    return Markup(" With version {}, saved by {}: {}{}").format(name, by, ended(why), before)


def _newer(n: int) -> str:
    return (
        "A newer version was saved and is not in use."
        if n == 1
        else f"{n} newer versions were saved and are not in use."
    )


def _missing(n: int, what: str) -> str:
    return f"{n:,} {what}" if n else ""


def _tile(tile: Tile) -> Markup:
    possible = tile.events - tile.certain
    looked = tile.rate.landings > 0 or tile.events > 0
    none = "none" if looked else ""
    return Markup(
        '<div class="tile"><h2>{}</h2><p class="count">{}</p><p class="sure">{}</p><p class="soft">{}</p>{}</div>'
    ).format(
        marks.severity_words(tile.severity),
        f"{tile.events:,}" if looked else "–",
        f"{tile.certain:,} certain, {possible:,} possible" if tile.events else none,
        words.rate(tile.rate),
        marks.rate_weeks(tile.severity, tile.weeks),
    )
