"""Events as a table for reading: grouped by severity, worst first, as wide as the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from dashboard import names, words
from dashboard.held import Held, worst_first
from dashboard.query import LEVELS, Query
from dashboard.queue import coverage, tiles
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive

MARKS = {"high": ("◆", "◇"), "medium": ("▲", "△"), "low": ("●", "○")}  # certain, possible
STYLES = {"high": "bold red", "medium": "bold yellow", "low": "bold blue"}
SHORTEST_TITLE = 24
COST = ("extra_m", "extra_m_lower", "extra_m_upper")

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Column:
    """A column of the table: its head, and what stands in it for an event."""

    head: str
    cell: Callable[[Row], str]
    right: bool = False


COLUMNS = {
    "title": Column("Event", lambda row: row["title"]),
    "engine": Column("Eng", lambda row: str(row["engine"] or ""), right=True),
    "tail": Column("Tail", lambda row: row["tail"] or ""),
    "fleet": Column("Fleet", lambda row: row["fleet"] or ""),
    "when": Column("UTC", lambda row: row["when"]),
    "place": Column("Where", lambda row: row["place"] or ""),
    "value": Column("Measured", lambda row: _measured(row)),
    "limit": Column("Limit", lambda row: _limit(row), right=True),
    "speed": Column("Speed", lambda row: _speed(row), right=True),
    "cost": Column("Cost", lambda row: words.cost_short(row) if row["extra_m_lower"] is not None else "", right=True),
    "origin": Column("Origin", lambda row: "–" if row["origin"] in (None, "undetermined") else row["origin"]),
}
LEAST_IMPORTANT_FIRST = ("origin", "fleet", "speed", "cost", "engine", "limit", "place", "tail")


def read(archive: Path | str) -> Held:
    """The judged archive as the dashboard holds it, so that both say the same. ArchiveError, RuleError."""
    store = Archive(archive)
    store.landings()  # says what to do when nothing was detected yet
    return Store(store, load_rule_cards).held()


def print_events(
    console: Console, held: Held, week: str | None, severities: Sequence[str] = (), most: int | None = None
) -> None:
    """Print what was landed and assessed, then the events of a week (of all weeks when None), worst first.

    severities   only these; all when empty
    most         longest list under one heading; the rest is counted
    """
    events = worst_first(held.events.filter(pl.col("week") == week) if week else held.events)
    utc = pl.col("touchdown_utc").dt.strftime("%a %H:%M" if week else "%Y-%m-%d %H:%M")
    yes_or_no = [name for name, card in held.rules.items() if card.yes_or_no]
    events = events.with_columns(when=utc.fill_null("unknown"), yes_or_no=pl.col("rule").is_in(yes_or_no))
    events = events.join(held.costs.select("event_id", *COST), on="event_id", how="left", maintain_order="left")
    wanted = [level for level in LEVELS if not severities or level in severities]
    groups = {(level, sure): _group(events, level, sure) for level in wanted for sure in (True, False)}
    shown = {key: (frame.head(most) if most else frame).to_dicts() for key, frame in groups.items()}
    columns = fitting([row for rows in shown.values() for row in rows], console.width)
    lines = summary(held, week)
    lines += [Text(), Text(_heads(columns), "dim")] if columns else [Text(), Text("No event.")]
    for (level, sure), rows in shown.items():
        if rows:
            lines += [Text(), _group_line(level, sure, groups[level, sure].height)]
            lines += [_line(row, columns) for row in rows]
            hidden = groups[level, sure].height - len(rows)
            lines += [Text(f"  and {hidden:,} more", "dim")] if hidden else []
    for line in lines:
        console.print(line, no_wrap=True, overflow="ellipsis")


def _group(events: pl.DataFrame, level: str, sure: bool) -> pl.DataFrame:
    return events.filter(pl.col("severity") == level, pl.col("certain") == sure)


def summary(held: Held, week: str | None) -> list[Text]:
    """Landings, the share assessed, and each severity's rate per 1,000 landings."""
    query = Query(week=week or "all")
    found = coverage(held, query)
    share = f" ({100 * found.assessed / found.landings:.1f} %)" if found.landings else ""
    span = f"{words.week_name(week)}, {words.week_days(week)}" if week else "All weeks"
    head = Text(f"{span}: ", "bold")
    head.append(f"{words.count(found.landings, 'landing')}, {found.assessed:,} assessed{share}", "not bold")
    lines = [head]
    if found.reasons:
        lines.append(Text("Not assessed: " + "; ".join(f"{reason} ({n:,})" for reason, n in found.reasons), "dim"))
    for tile in tiles(held, query):
        line = Text.assemble((f"{MARKS[tile.severity][0]} {names.SEVERITY[tile.severity]:<7}", STYLES[tile.severity]))
        lines.append(line.append(f"{words.count(tile.events, 'event'):>12}   {words.rate(tile.rate)}"))
    return lines


def _group_line(level: str, sure: bool, events: int) -> Text:
    head = f"{_mark(level, sure)} {names.SEVERITY[level]}{'' if sure else ', possible'}"
    return Text.assemble((head, STYLES[level]), f"  {words.count(events, 'event')}")


def _mark(level: str, sure: bool) -> str:
    return MARKS[level][0 if sure else 1]


def fitting(rows: Sequence[Row], width: int) -> dict[str, int]:
    """The columns that say something and fit the width, with their widths; the title gives way before a column goes."""
    if not rows:
        return {}
    widths = {name: _width(name, rows) for name in COLUMNS if _says_something(name, rows)}
    for name in LEAST_IMPORTANT_FIRST:
        if _total(widths) - max(0, widths["title"] - SHORTEST_TITLE) <= width:
            break
        widths.pop(name, None)
    over = _total(widths) - width
    if over > 0:
        widths["title"] = max(SHORTEST_TITLE, widths["title"] - over)
    return widths


def _says_something(name: str, rows: Sequence[Row]) -> bool:
    if name == "origin":
        return any(row["origin"] not in (None, "undetermined") for row in rows)
    return any(COLUMNS[name].cell(row) for row in rows)


def _width(name: str, rows: Sequence[Row]) -> int:
    return max(cell_len(COLUMNS[name].head), *(cell_len(COLUMNS[name].cell(row)) for row in rows))


def _total(widths: Mapping[str, int]) -> int:
    return len("◆ ") + sum(widths.values()) + sum(len(_gap(name)) for name in list(widths)[1:])


def _gap(name: str) -> str:
    """Before a column; numbers keep their distance by themselves."""
    return " " if COLUMNS[name].right else "  "


def _heads(columns: Mapping[str, int]) -> str:
    return _join(columns, {name: COLUMNS[name].head for name in columns})


def _line(row: Row, columns: Mapping[str, int]) -> Text:
    mark = (_mark(row["severity"], row["certain"]), STYLES[row["severity"]])
    return Text.assemble(mark, _join(columns, {name: COLUMNS[name].cell(row) for name in columns})[1:])


def _join(columns: Mapping[str, int], cells: Mapping[str, str]) -> str:
    """One line, with two places in front for the mark."""
    padded = (_gap(name) + _pad(cells[name], width, COLUMNS[name].right) for name, width in columns.items())
    return "".join(padded).rstrip()


def _pad(text: str, width: int, right: bool) -> str:
    short = text if cell_len(text) <= width else text[: width - 1] + "…"
    space = " " * (width - cell_len(short))
    return space + short if right else short + space


def _measured(row: Row) -> str:
    return "yes" if row["yes_or_no"] else words.bounded(row["value"], row["lower"], row["upper"], row["unit"])


def _limit(row: Row) -> str:
    return "" if row["yes_or_no"] else words.quantity(row["limit"], row["unit"])


def _speed(row: Row) -> str:
    return "" if row["ground_speed_kt"] is None else words.quantity(row["ground_speed_kt"], "kt")
