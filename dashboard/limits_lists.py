"""Landings that other limits judge otherwise, and rates by fleet, runway and month, before and after."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.limits_asked import Asked, direction, limits_now, population
from dashboard.rule_card import RuleCard
from fdm.people.views import LEAST, without_small_counts
from fdm.rule import Limits
from fdm.statistics import rate
from fdm.tuning import moved, outcomes_by

LISTED, MORE = 12, 200
RANKS = {"not_assessed": -1, "within": 0, "low": 1, "medium": 2, "high": 3}
SPOKEN = {"within": "within", "not_assessed": "not assessed"}
GROUPS = (("fleet", "Fleet"), ("place", "Runway"), ("month", "Month"))
LONGEST_TABLE = 14


def changes(found: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits) -> pl.DataFrame:
    """What is judged otherwise, worst first, with `was`, `now`, `up` and `certain`; `found` is analysis.stood."""
    chosen = population(found, card, wanted)
    other = moved(chosen, direction(card), limits_now(card, wanted.fleet), limits)
    sign = -1.0 if card.direction == "below" else 1.0
    steps = dict(zip(("low", "medium", "high"), limits.steps(direction(card)) * sign, strict=True))
    passed = pl.col("now").replace_strict(steps, default=None, return_dtype=pl.Float64)
    rank = [pl.col(side).replace_strict(RANKS, return_dtype=pl.Int8) for side in ("was", "now")]
    return other.with_columns(up=rank[1] > rank[0], certain=(pl.col("sure") > passed).fill_null(True)).sort(
        "worst", "landing_id", descending=[True, False]
    )


def lists(shown: pl.DataFrame, card: RuleCard) -> Markup:
    """The landings gained or raised, and those lost or lowered; `shown` as the viewer may see `changes`."""
    if shown.is_empty():
        return Markup('<p class="soft tune-same">Every landing is judged as it is now.</p>')
    return marks.joined(
        _list(shown.filter(pl.col("up") == up), card, title)
        for up, title in ((True, "Gained or raised"), (False, "Lost or lowered"))
    )


def _list(rows: pl.DataFrame, card: RuleCard, title: str) -> Markup:
    head = Markup('<h2><b>{}</b> <span class="soft">{}</span></h2>').format(title, words.count(rows.height, "landing"))
    if rows.is_empty():
        return head
    found = [_row(row, card) for row in rows.head(LISTED + MORE).iter_rows(named=True)]
    table = _table(found[:LISTED])
    if rows.height <= LISTED:
        return head + table
    told = words.count(min(rows.height - LISTED, MORE), "more", "more")
    left = rows.height - LISTED - MORE
    rest = Markup('<p class="soft">{:,} more are not listed.</p>').format(left) if left > 0 else Markup("")
    return (
        head
        + table
        + Markup("<details><summary>Show {}</summary>{}{}</details>").format(told, _table(found[LISTED:]), rest)
    )


def _table(rows: list[Markup]) -> Markup:
    heads = marks.joined(
        Markup("<th>{}</th>").format(head) for head in ("Change", "Value (bounds)", "Where, when", "Origin")
    )
    return Markup('<table class="list-table tune-list"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>').format(
        heads, marks.joined(rows)
    )


def _row(row: dict[str, Any], card: RuleCard) -> Markup:
    when = f"{row['touchdown_utc']:%-d %b %Y}" if row.get("touchdown_utc") else row.get("month") or "date unknown"
    return Markup(
        '<tr><td class="marks">{}<span class="soft">→</span>{}</td><td><a href="/landing/{}"><b>{}</b></a> '
        '<span class="soft">{}</span></td><td>{} <span class="soft">{}</span></td><td>{}<span '
        'class="{}">{}</span></td></tr>'
    ).format(
        _mark(row["was"], certain=True),
        _mark(row["now"], certain=row["certain"]),
        row["landing_id"],
        words.quantity(row["value"], card.unit),
        words.bounds(row["value"], row["lower"], row["upper"], card.unit),
        row["place"] or "Runway unknown",
        when,
        marks.origin(row["origin"], row["origin_confidence"]) if row["origin"] else "",
        "" if row["verdict"] else "soft",
        names.VERDICT.get(row["verdict"], "undecided" if row["origin"] else "–").lower(),
    )


def _mark(what: str, *, certain: bool) -> Markup:
    if what in SPOKEN:
        return Markup('<span class="soft">{}</span>').format(SPOKEN[what])
    said = f"{names.SEVERITY[what]}{'' if certain else ', possible'}"
    return Markup('<span title="{0}" aria-label="{0}" role="img">{1}</span>').format(
        said, marks.severity(what, certain=certain)
    )


def breakdown(found: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits, role: str) -> Markup:
    """Events per 1,000 with the limits in force and with the draft, by fleet, runway and month."""
    chosen = population(found, card, wanted)
    sides = {"before": limits_now(card, wanted.fleet), "after": limits}
    said = chosen.with_columns(outcomes_by(chosen, direction(card), some).alias(name) for name, some in sides.items())
    return marks.joined(_by(said, column, title, role) for column, title in GROUPS)


def counted(said: pl.DataFrame, column: str, role: str) -> pl.DataFrame:
    """Landings assessed and events on either side, by one column; small numbers taken out for all but the officer."""
    event = {side: pl.col(side).is_in(["low", "medium", "high"]) for side in ("before", "after")}
    table = said.group_by(column).agg(
        assessed=(pl.col("after") != "not_assessed").sum().cast(pl.Int64),
        assessed_before=(pl.col("before") != "not_assessed").sum().cast(pl.Int64),
        before=event["before"].sum().cast(pl.Int64),
        after=event["after"].sum().cast(pl.Int64),
    )
    order = [column] if column == "month" else ["assessed", column]
    table = table.sort(*order, descending=[True] if column == "month" else [True, False], nulls_last=True)
    hidden = without_small_counts(table, ["assessed", "assessed_before"], role, told_by=["before", "after"])
    return without_small_counts(hidden, ["before", "after"], role)


def _by(said: pl.DataFrame, column: str, title: str, role: str) -> Markup:
    if said.select(pl.col(column).n_unique()).item() < 2:
        return Markup("")
    table = counted(said, column, role)
    body = marks.joined(_group_row(row, column) for row in table.head(LONGEST_TABLE).iter_rows(named=True))
    left = table.height - LONGEST_TABLE
    more = Markup('<p class="soft">and {} more</p>').format(left) if left > 0 else Markup("")
    hides = any(row["before"] is None or row["after"] is None for row in table.iter_rows(named=True))
    small = f'<p class="soft note">Hatched: fewer than {LEAST}, not shown.</p>' if hides else ""
    return Markup(
        '<section><h2><b>By {}</b> <span class="soft">events per 1,000 (95 %)</span></h2><table '
        'class="list-table small"><thead><tr><th>{}</th><th class="num">Assessed</th><th class="num">In force</th>'
        '<th class="num">Draft</th></tr></thead><tbody>{}</tbody></table>{}{}</section>'
    ).format(title.lower(), title, body, more, Markup(small))


def _group_row(row: dict[str, Any], column: str) -> Markup:
    name = row[column]
    called = (month_name(name) if column == "month" else name) if name else "unknown"
    return Markup('<tr><td>{}</td><td class="num">{}</td><td class="num">{}</td><td class="num">{}</td></tr>').format(
        called,
        marks.HATCH if row["assessed"] is None else f"{row['assessed']:,}",
        _rate(row["before"], row["assessed_before"]),
        _rate(row["after"], row["assessed"]),
    )


def _rate(events: int | None, landings: int | None) -> Markup | str:
    return marks.HATCH if events is None or landings is None else words.rate_alone(rate(events, landings))


def month_name(month: str) -> str:
    """Nov 2026"""
    return f"{datetime.strptime(month, '%Y-%m').replace(tzinfo=UTC):%b %Y}"
