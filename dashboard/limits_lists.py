"""Landings that other limits judge otherwise, and rates by fleet, runway and month, before and after."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.limits_asked import IN_FORCE, Asked, direction, limits_now, movable, population
from dashboard.rule_card import RuleCard
from fdm.people.roles import ANALYST, OFFICER
from fdm.people.views import LEAST, without_small_counts
from fdm.rule import Limits
from fdm.statistics import rate_of_rule
from fdm.tuning import outcomes_by

LISTED, MORE = 12, 200
RANKS = {"not_for": 0, "not_assessed": 0, "within": 0, "low": 1, "medium": 2, "high": 3}
EVENTS = ("low", "medium", "high")
SPOKEN = {"within": "within", "not_assessed": "not assessed", "not_for": "left out"}
CHANGES = (
    ("gained", "New events"),
    ("raised", "Raised in severity"),
    ("lost", "No longer events"),
    ("lowered", "Lowered in severity"),
)
GROUPS = (("fleet", "Fleet"), ("place", "Runway"), ("month", "Month"))
LONGEST_TABLE = 14
HATCHED = Markup('<p class="soft note">Hatched: fewer than {} landings, or a number that would tell them.</p>').format(
    LEAST
)
NOT_TOLD = Markup(
    '<p class="soft note">Assessed in force is not told: fewer than {} landings would come out by it.</p>'
).format(LEAST)


def both_sides(chosen: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits) -> pl.DataFrame:
    """Landings of analysis.stood with what each `was`, by the limits and the condition in force, and is `now`, by the
    draft: low, medium, high, within, not_assessed, or not_for where the rule would not be for it."""
    way = direction(card)
    was = outcomes_by(chosen.with_columns(barred=pl.col("barred_now")), way, limits_now(card, wanted.fleet))
    said = chosen.with_columns(was=was, now=outcomes_by(chosen, way, limits))
    return said.with_columns(
        pl.when(not_for).then(pl.lit("not_for")).otherwise(side).alias(side)
        for side, not_for in (("was", "not_for_now"), ("now", "not_for"))
    )


def changes(found: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits) -> pl.DataFrame:
    """What is judged otherwise, worst first, with `was`, `now` (see both_sides), `change` and `certain`; `found` is
    analysis.stood. A change is gained, raised, lost or lowered, or "otherwise" where it is an event on neither side."""
    said = both_sides(population(found, card, wanted), card, wanted, limits)
    other = said.filter(pl.col("was") != pl.col("now"))
    sign = -1.0 if card.direction == "below" else 1.0
    steps = dict(zip(("low", "medium", "high"), limits.steps(direction(card)) * sign, strict=True))
    passed = pl.col("now").replace_strict(steps, default=None, return_dtype=pl.Float64)
    return other.with_columns(change=_change(), certain=(pl.col("sure") > passed).fill_null(True)).sort(
        "worst", "landing_id", descending=[True, False]
    )


def _change() -> pl.Expr:
    was, now = (pl.col(side).replace_strict(RANKS, return_dtype=pl.Int8) for side in ("was", "now"))
    return (
        pl.when(now > was)
        .then(pl.when(was > 0).then(pl.lit("raised")).otherwise(pl.lit("gained")))
        .when(now < was)
        .then(pl.when(now > 0).then(pl.lit("lowered")).otherwise(pl.lit("lost")))
        .otherwise(pl.lit("otherwise"))
    )


def lists(shown: pl.DataFrame, card: RuleCard, least: int = 0, *, covered: bool = False) -> Markup:
    """The landings that are an event on either side, by how they change, and how many others are judged otherwise.

    shown    `changes` as the viewer may see it
    least    numbers of landings below this are not told
    covered  how many others are left out is not told; see covers
    """
    if shown.is_empty():
        return Markup('<p class="soft tune-same">Every landing is judged as it is now.</p>')
    named = marks.joined(
        _list(rows, card, title)
        for change, title in CHANGES
        if (rows := shown.filter(pl.col("change") == change)).height
    )
    return named + _otherwise(shown.filter(pl.col("change") == "otherwise"), least, covered=covered)


def _otherwise(rows: pl.DataFrame, least: int, *, covered: bool) -> Markup:
    """How many landings change that are an event on neither side."""
    if rows.is_empty():
        return Markup("")
    counts = told_otherwise(rows, least, covered=covered)
    told = Markup("<br>").join(
        Markup("{} → {}: <b>{}</b>").format(
            SPOKEN[was].capitalize(), SPOKEN[now], marks.HATCH if n is None else f"{n:,}"
        )
        for was, now, n in counts.iter_rows()
    )
    return Markup(
        '<h2><b>Other landings</b> <span class="soft">without an event on either side</span></h2><p>{}</p>{}'
    ).format(told, HATCHED if counts["n"].null_count() else "")


def told_otherwise(rows: pl.DataFrame, least: int, *, covered: bool = False) -> pl.DataFrame:
    """How many landings `was` one thing and are `now` another, the most first. A small number `n` is null, and with it
    the next smallest that is the same now: how many are so altogether is told. What is null stands last, by name."""
    counts = rows.group_by("was", "now").agg(n=pl.len().cast(pl.Int64)).sort("was", "now")
    hidden = without_small_counts(counts, ["n"], ANALYST if least else OFFICER, least=least, total_over=["now"])
    if covered:
        hidden = hidden.with_columns(n=pl.when(pl.col("now") != "not_for").then(pl.col("n")))
    return hidden.sort("n", "was", "now", descending=[True, False, False], nulls_last=True)


def in_force_told(chosen: pl.DataFrame, card: RuleCard, wanted: Asked, least: int) -> bool:
    """Whether the number of landings assessed in force may be told beside the draft's: not where the condition that is
    tried makes of few landings without an event something else, as those would come out by subtraction."""
    if not least:
        return True
    cells = _otherwise_by_condition(chosen, card, wanted)
    return not (cells["len"] < least).any() or _covered(cells, least)


def covers(chosen: pl.DataFrame, card: RuleCard, wanted: Asked, least: int) -> bool:
    """Whether in_force_told depends on not telling which of the landings that are left out were assessed."""
    return least > 0 and _covered(_otherwise_by_condition(chosen, card, wanted), least)


def _covered(cells: pl.DataFrame, least: int) -> bool:
    """Few landings cannot be told any more. What is assessed in force less the draft's is they and those assessed that
    are left out; that these are many, with many others in one known number, keeps the few from being told."""
    few = cells.filter(pl.col("len") < least)
    left = cells.filter(pl.col("len") >= least, now="not_for")
    return few.height > 0 and set(few["now"]) == {"not_assessed"} and left.height == 2


def _otherwise_by_condition(chosen: pl.DataFrame, card: RuleCard, wanted: Asked) -> pl.DataFrame:
    """How many landings without an event the condition makes something else, with the limits in force."""
    said = both_sides(chosen, card, wanted, limits_now(card, wanted.fleet))
    no_event = ~pl.any_horizontal(pl.col("was", "now").is_in(EVENTS))
    return said.filter(pl.col("was") != pl.col("now"), no_event).group_by("was", "now").len()


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
        Markup("<th>{}</th>").format(head) for head in ("Change", "Value (bounds)", "Where, when", "Origin, decision")
    )
    return Markup('<table class="list-table tune-list"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>').format(
        heads, marks.joined(rows)
    )


def _row(row: dict[str, Any], card: RuleCard) -> Markup:
    when = day_or_month(row)
    return Markup(
        '<tr><td class="marks">{}<span class="soft">→</span>{}</td><td><a href="/landing/{}"><b>{}</b></a> '
        '<span class="soft">{}</span></td><td>{}, <span class="soft">{}</span></td><td>{}<span '
        'class="{}">{}</span></td></tr>'
    ).format(
        _mark(row["was"], certain=True),
        _mark(row["now"], certain=row["certain"]),
        row["landing_id"],
        words.quantity(row["value"], card.unit) if movable(card) else "yes" if row["value"] else "no",
        words.bounds(row["value"], row["lower"], row["upper"], card.unit) if movable(card) else "",
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


def breakdown(
    found: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits, role: str, now: str = IN_FORCE
) -> Markup:
    """Events per 1,000 with the limits and condition in force and with the draft, by fleet, runway and month.

    now    what stands over those in force (limits_asked.by_now)
    """
    chosen = population(found, card, wanted)
    said = both_sides(chosen, card, wanted, limits)
    told = in_force_told(chosen, card, wanted, 0 if role == OFFICER else LEAST)
    groups = marks.joined(_by(said, column, title, role, told=told, now=now) for column, title in GROUPS)
    return groups + (NOT_TOLD if groups and not told else "")


def counted(said: pl.DataFrame, column: str, role: str) -> pl.DataFrame:
    """Landings assessed and events on either side, by one column, the largest group first; months, the newest.

    For all but the officer small groups are taken out, those in which few landings are assessed on one side alone by
    the condition, and the next smallest where all of them less the others would tell one. They stand last, by name.
    """
    event = {side: pl.col(side).is_in(EVENTS) for side in ("was", "now")}
    assessed = {side: event[side] | (pl.col(side) == "within") for side in ("was", "now")}
    table = said.group_by(column).agg(
        assessed=assessed["now"].sum().cast(pl.Int64),
        assessed_before=assessed["was"].sum().cast(pl.Int64),
        before=event["was"].sum().cast(pl.Int64),
        after=event["now"].sum().cast(pl.Int64),
        moved=((assessed["was"] != assessed["now"]) & (pl.col("barred") != pl.col("barred_now"))).sum().cast(pl.Int64),
    )
    counts = ["assessed", "assessed_before", "moved"]
    table = without_small_counts(table.sort(column), counts, role, told_by=["before", "after"], total_over=())
    table = table.with_columns(
        pl.when(pl.col("moved").is_not_null()).then(pl.col("assessed_before")).alias("assessed_before")
    ).drop("moved")
    if column == "month":
        return table.sort(column, descending=True, nulls_last=True)
    shown = pl.when(pl.col("before").is_not_null()).then(pl.col("assessed"))
    return table.sort(shown, column, descending=[True, False], nulls_last=True)


def _by(said: pl.DataFrame, column: str, title: str, role: str, *, told: bool, now: str = IN_FORCE) -> Markup:
    if said.select(pl.col(column).n_unique()).item() < 2:
        return Markup("")
    table = counted(said, column, role)
    heads = (title, "Assessed" if told else "Assessed, draft", now)
    first, others = (
        _group_rows(part, column, heads, told=told) for part in (table[:LONGEST_TABLE], table[LONGEST_TABLE:])
    )
    left = table.height - LONGEST_TABLE
    more = (
        Markup('<details class="on-paper"><summary>{} more</summary>{}</details>').format(left, others)
        if left > 0
        else ""
    )
    hides = any(row["before"] is None or row["after"] is None for row in table.iter_rows(named=True))
    differ = table.filter(pl.col("assessed") != pl.col("assessed_before")).height
    notes = [
        "Assessed: in force → draft." if told and differ else "",
        f"Hatched: fewer than {LEAST} landings, or a group that would tell them." if hides else "",
    ]
    note = Markup('<p class="soft note">{}</p>').format(" ".join(filter(None, notes))) if any(notes) else ""
    return Markup(
        '<section><h2><b>By {}</b> <span class="soft">events per 1,000 (95 %)</span></h2>{}{}{}</section>'
    ).format(title.lower(), first, more, note)


def _group_rows(table: pl.DataFrame, column: str, heads: tuple[str, str, str], *, told: bool) -> Markup:
    body = marks.joined(_group_row(row, column, told=told) for row in table.iter_rows(named=True))
    return Markup(
        '<table class="list-table small"><thead><tr><th>{}</th><th class="num">{}</th><th class="num">{}</th>'
        '<th class="num">Draft</th></tr></thead><tbody>{}</tbody></table>'
    ).format(*heads, body)


def _group_row(row: dict[str, Any], column: str, *, told: bool) -> Markup:
    name = row[column]
    called = (month_name(name) if column == "month" else name) if name else "unknown"
    return Markup('<tr><td>{}</td><td class="num">{}</td><td class="num">{}</td><td class="num">{}</td></tr>').format(
        called,
        _assessed(row["assessed_before"] if told else row["assessed"], row["assessed"]),
        _rate(row["before"], row["assessed_before"]),
        _rate(row["after"], row["assessed"]),
    )


def _assessed(before: int | None, after: int | None) -> Markup | str:
    """1,199 → 631, or one number where they are equal."""
    if before is None and after is None:
        return marks.HATCH
    was, now = (marks.HATCH if n is None else f"{n:,}" for n in (before, after))
    return now if before == after else Markup('<span class="whole">{} → {}</span>').format(was, now)


def _rate(events: int | None, landings: int | None) -> Markup | str:
    return marks.HATCH if events is None or landings is None else words.rate_alone(rate_of_rule(events, landings))


def day_or_month(row: dict[str, Any]) -> str:
    """24 Nov 2026; or Nov 2026 to who may not know the day."""
    if row.get("touchdown_utc"):
        return f"{row['touchdown_utc']:%-d %b %Y}"
    return month_name(row["month"]) if row.get("month") else "date unknown"


def month_name(month: str) -> str:
    """Nov 2026"""
    return f"{datetime.strptime(month, '%Y-%m').replace(tzinfo=UTC):%b %Y}"
