"""The week at a glance: what was flown and assessed, and how many events of each severity, with rates."""

from __future__ import annotations

from markupsafe import Markup

from dashboard import marks, words
from dashboard.query import ALL_WEEKS, Query
from dashboard.queue import Coverage, Tile, coverage, tiles
from dashboard.store import Held


def summary(held: Held, query: Query) -> Markup:
    """Landings, and the three severities with rates."""
    return _coverage(coverage(held, query), query) + marks.joined(_tile(tile) for tile in tiles(held, query))


def _coverage(found: Coverage, query: Query) -> Markup:
    span = "in all weeks" if query.week == ALL_WEEKS else "this week"
    rows = [
        ("Recorded", found.landings, found.landings, ""),
        (
            "Assessed",
            found.assessed,
            found.landings,
            _missing(found.landings - found.assessed, "not assessed"),
        ),
        (
            "By every rule",
            found.complete,
            found.landings,
            _missing(found.assessed - found.complete, "in part"),
        ),
    ]
    body = marks.joined(
        Markup(
            '<tr><th scope="row">{}</th><td class="num">{:,}</td><td class="bar">{}</td><td class="soft">{}</td></tr>'
        ).format(name, n, marks.share_bar(n, whole), note)
        for name, n, whole, note in rows
    )
    reasons = "; ".join(f"{reason} {n:,}" for reason, n in found.reasons)
    return Markup(
        '<div class="tile coverage"><h2><b>Landings</b> <span class="soft">{}</span></h2><table>{}</table>'
        '<p class="soft reasons">{}</p></div>'
    ).format(span, body, reasons)


def _missing(n: int, what: str) -> str:
    return f"{n:,} {what}" if n else ""


def _tile(tile: Tile) -> Markup:
    possible = tile.events - tile.certain
    sure = f"{tile.certain:,} certain, {possible:,} possible" if tile.events else "none"
    return Markup(
        '<div class="tile"><h2>{}</h2><p class="count">{:,}</p><p>{}</p><p class="soft">{}</p>{}</div>'
    ).format(
        marks.severity_words(tile.severity),
        tile.events,
        sure,
        words.rate(tile.rate),
        marks.rate_weeks(tile.severity, tile.weeks),
    )
