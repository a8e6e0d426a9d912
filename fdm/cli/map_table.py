"""What `fdm check map` prints: one line for each parameter, then the doubts and what the rules lack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fdm.check import MapCheck
from fdm.needs import not_assessable
from fdm.proposing import ProposedMap
from fdm.proposing import table as proposal_table
from fdm.rulebook import RuleBook


def print_check(console: Console, check: MapCheck, book: RuleBook, reversers: Sequence[int]) -> None:
    """Print what a map makes of one flight."""
    rows = check.rows.to_dicts()
    silent = [name for name in check.found if name not in check.usable]
    besides = f", without a valid value: {', '.join(silent)}" if silent else ""
    text = f"{check.source}: {len(check.found)} of {len(rows)} parameters found{besides}"
    console.print(text, soft_wrap=True, style="bold")
    table = Table(box=None, padding=(0, 1), header_style="dim", collapse_padding=True)
    for head in ("Parameter", "Column"):
        table.add_column(head, no_wrap=True)
    for head in ("Hz", "Samples", "Missing", "Gap s"):
        table.add_column(head, justify="right", no_wrap=True)
    table.add_column("Range or states", no_wrap=True)
    for row in rows:
        table.add_row(*_cells(row))
    console.print(table)
    for row in rows:
        for remark in row["remarks"] if row["found"] else ():
            console.print(f"? {row['parameter']}: {remark}", soft_wrap=True)
    for text in check.notes:
        console.print(f"  {text}", soft_wrap=True)
    if check.unused:
        console.print(f"Not in the map: {', '.join(check.unused)}", soft_wrap=True)
    lacks = not_assessable(book, check.usable, reversers)
    console.print(f"{len(book.rules) - len(lacks)} of {len(book.rules)} rules can be assessed with these parameters.")
    for rule, missing in lacks.items():
        console.print(f"  {rule} lacks {', '.join(missing)}", soft_wrap=True)


def print_proposal(console: Console, proposed: ProposedMap, book: RuleBook) -> None:
    """Print a proposed map: each column with its reading and why, what was not recognised, what the rules lack."""
    count, all_ = len(proposed.used), len(proposed.proposals)
    text = f"{proposed.source}: {count} parameters proposed, {all_ - count} left for you to decide"
    console.print(text, soft_wrap=True, style="bold")
    table = Table(box=None, padding=(0, 1), header_style="dim", collapse_padding=True)
    for head in ("Column", "Parameter", "Read as", "Confidence"):
        table.add_column(head, no_wrap=True)
    table.add_column("Why", overflow="fold")
    for row in proposal_table(proposed).iter_rows():
        table.add_row(*(escape(cell) for cell in row))
    console.print(table)
    if proposed.unmatched:
        console.print(f"Not recognised: {escape(', '.join(proposed.unmatched))}", soft_wrap=True)
    lacks = proposed.lacking(book)
    console.print(f"{len(book.rules) - len(lacks)} of {len(book.rules)} rules can be assessed with these parameters.")
    for rule, missing in lacks.items():
        console.print(f"  {rule} lacks {', '.join(missing)}", soft_wrap=True)
    console.print("A proposal, not a map: confirm every line with what is known of the recorder.")


def _cells(row: dict[str, Any]) -> list[str]:
    if not row["found"]:
        return [row["parameter"], row["column"], "", "", "", "", "not found"]
    gap = "" if row["longest_gap_s"] is None else f"{row['longest_gap_s']:.1f}"
    counts = [f"{row['rate_hz']:g}", f"{row['samples']:,}", f"{row['missing']:,}" if row["missing"] else "", gap]
    return [row["parameter"], row["column"], *counts, _range(row)]


def _range(row: dict[str, Any]) -> str:
    if row["states"] is not None:
        return ", ".join(row["states"])
    return "" if row["lowest"] is None else f"{row['lowest']:.5g} to {row['highest']:.5g} {row['unit']}"
