"""check and compare: try a map, a rule book or a recording before relying on it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fdm.cli.console import note, out, progress
from fdm.cli.options import ARCHIVE
from fdm.errors import FdmError

if TYPE_CHECKING:
    import polars as pl

    from fdm.recording import Recording
    from fdm.rulebook import RuleBook

FILE = click.Path(path_type=Path)
RULES = click.option("--rules", type=FILE, metavar="DIR", help="Rule book; the shipped one when left out.")
VERBOSE = click.option("-v", "--verbose", is_flag=True, help="Say everything, not only what is wrong.")


@click.group()
def check() -> None:
    """Try a parameter map, a rule book or a recording before relying on it."""


@check.command("map")
@click.argument("map_file", type=FILE, metavar="[MAP]")
@click.argument("recording", type=FILE, required=False)
@click.option("--out", "target", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the proposed map.")  # fmt: skip
@RULES
@VERBOSE
def check_map(map_file: Path, recording: Path | None, target: Path | None, rules: Path | None, verbose: bool) -> int:
    """Try a parameter map on a recording: rate, range and gaps of each parameter, and what does not look right.

    A file with several flights is shown by its first one; --verbose shows them all.

    With a RECORDING alone, a starting map is proposed from its columns: names, units, ranges, and what changes around
    touchdown. It is to be confirmed by a person; what is of low confidence is written as a comment.
    """
    if recording is None:
        return _propose(map_file, target, rules)
    if target:
        raise click.UsageError("--out belongs to a proposal: give the recording alone, without a map.")
    from fdm.check import check_map as try_map
    from fdm.cli.map_table import print_check
    from fdm.parameter_map import load_map
    from fdm.rulebook import load_rule_book

    book, reversers = load_rule_book(rules), load_map(map_file).reversers
    checks = try_map(map_file, recording)
    for one in checks if verbose else checks[:1]:
        print_check(out(), one, book, reversers)
    if len(checks) > 1 and not verbose:
        out().print(f"The file holds {len(checks)} flights; --verbose shows them all.")
    return 0 if all(len(one.usable) == one.rows.height for one in checks) else 1


def _propose(recording: Path, target: Path | None, rules: Path | None) -> int:
    from fdm.cli.map_table import print_proposal
    from fdm.errors import RecordingError
    from fdm.proposing import propose
    from fdm.rulebook import load_rule_book

    book = load_rule_book(rules)
    if recording.suffix.lower() == ".toml":
        problem = "is a map; a recording to try it on is missing"
        raise RecordingError(problem, source=recording, cure="Give MAP RECORDING, or a recording alone for a proposal.")
    proposed = propose(recording)
    print_proposal(out(), proposed, book)
    if target:
        if target.exists():
            raise RecordingError("exists already", source=target, cure="Name another file; maps are not overwritten.")
        target.write_text(proposed.toml(), encoding="utf-8")
        note(f"Proposed map written to {target}; confirm it, then try it: fdm check map {target} {recording}")
    return 0 if proposed.used else 1


@check.command("rules")
@click.argument("folder", required=False, type=FILE, metavar="[DIR]")
@click.option("--archive", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Hold the limits against what the recorders of this archive can resolve.")  # fmt: skip
@VERBOSE
def check_rules(folder: Path | None, archive: Path | None, verbose: bool) -> int:
    """Read a rule book (the shipped one when no DIR is given), run its cases, and advise where it is poor."""
    from fdm.advice import advise, resolutions_of
    from fdm.archive import Archive
    from fdm.cases import run_cases
    from fdm.rulebook import load_rule_book

    book = load_rule_book(folder)
    results = run_cases(book)
    failed = [result for result in results if not result.passed]
    out().print(f"{book.label}: {len(book.rules)} rules, {len(results)} cases, {len(failed)} failed.")
    for result in failed:
        why = f" ({result.reason})" if result.reason else ""
        note(f"failed: {result.rule}: {result.case}: expected {result.expected}, got {result.got}{why}")
    store = Archive(archive) if archive else None
    remarks = advise(book, resolutions_of(store.landings(), store.measures()) if store else None)
    shown = [remark for remark in remarks if verbose or remark.level == "warning"]
    for remark in shown:
        out().print(f"{remark.level}: {remark.rule}: {remark.text}.", soft_wrap=True)
    if len(shown) < len(remarks):
        out().print(f"{len(remarks) - len(shown)} notes; --verbose lists them.")
    return 1 if failed else 0


@check.command("recording")
@click.argument("file", type=FILE)
@click.option("--map", "map_file", type=FILE, metavar="FILE", help="Parameter map, where no flights.csv names one.")
@RULES
@VERBOSE
def check_recording(file: Path, map_file: Path | None, rules: Path | None, verbose: bool) -> int:
    """Read a recording (or a folder) without storing it: its landings, its faults, and what the rules can assess."""
    from fdm.reading import Refusal, read
    from fdm.rulebook import load_rule_book

    book = load_rule_book(rules)
    fine = refused = 0
    for item in read([file], map_file):
        try:
            if isinstance(item, Refusal):
                raise item.error
            _tell_recording(item, book, verbose)
            fine += 1
        except FdmError as error:
            note(f"refused: {error}")
            refused += 1
    if not fine:
        return 2
    return 1 if refused else 0


def _tell_recording(recording: Recording, book: RuleBook, verbose: bool) -> None:
    """Print what one recording holds. RecordingError when no landing is in it."""
    from dashboard.words import count
    from fdm.measuring import measure_recordings

    landings, measured = measure_recordings([recording], book.settings)
    console = out()
    holds = f"{count(len(recording.samples), 'parameter')}, {count(landings.height, 'landing')}"
    console.print(f"{recording.source}: {holds}", soft_wrap=True)
    for text in recording.notes:
        console.print(f"  {text}", soft_wrap=True)
    for number, one in enumerate(measured):
        row = landings.slice(number, 1)
        console.print(f"  {_touchdown(row.row(0, named=True))}", soft_wrap=True)
        for text in [said for said in row.row(0, named=True)["quality"] or [] if said not in recording.notes]:
            console.print(f"    {text}", soft_wrap=True)
        for line in _assessed(book, one, row, verbose):
            console.print(f"    {line}", soft_wrap=True)


def _touchdown(row: dict[str, Any]) -> str:
    from dashboard.words import bounded, moment, quantity

    if row["touchdown_s"] is None:
        return f"{str(row['kind']).replace('_', ' ')}: no touchdown was found"
    when = bounded(row["touchdown_s"], row["touchdown_earliest_s"], row["touchdown_latest_s"], "s")
    speed = quantity(row["touchdown_ground_speed_kt"], "kt")
    date = f", {moment(row['touchdown_utc'])}" if row["touchdown_utc"] else ""
    kind = "flew again" if row["kind"] == "go_around" else row["kind"].replace("_", " ")
    return f"Touchdown at {when} of the recording{date}, by {row['touchdown_by']}, {speed}; {kind}"


def _assessed(book: RuleBook, measured: Any, landing: pl.DataFrame, verbose: bool) -> list[str]:
    """What the rules can say of a landing, and why the others cannot."""
    from fdm.judge import judge

    outcomes = judge(book, measured, landing).outcomes.to_dicts()
    silent = [row for row in outcomes if row["outcome"] == "not_assessed"]
    events = [row["rule"] for row in outcomes if row["outcome"] == "event"]
    can = f"{len(outcomes) - len(silent)} of {len(outcomes)} rules can be assessed"
    lines = [f"{can}; events: {', '.join(events) or 'none'}"]
    if verbose:
        lines += [f"within: {row['rule']}" for row in outcomes if row["outcome"] == "within"]
    by_reason: dict[str, list[str]] = {}
    for row in silent:
        by_reason.setdefault(row["reason"], []).append(row["rule"])
    return lines + [f"not assessed ({reason}): {', '.join(rules)}" for reason, rules in by_reason.items()]


@click.command()
@click.argument("rules_a", type=FILE)
@click.argument("rules_b", type=FILE)
@ARCHIVE
@click.option("--out", "target", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write every change as .parquet, .csv or .json.")  # fmt: skip
def compare(rules_a: Path, rules_b: Path, archive: Path, target: Path | None) -> int:
    """Which events rule book RULES_B adds, drops or judges otherwise than RULES_A, on the landings of an archive."""
    from fdm.comparing import compare as compare_books
    from fdm.comparing import tally
    from fdm.exporting import format_of, write_table

    if target:
        format_of(target)
    with progress("Judging") as report:
        changes = compare_books(archive, rules_a, rules_b, progress=report)
    if target:
        write_table(changes, target)
        note(f"{changes.height:,} changes written to {target}")
    if not changes.height:
        out().print("Both rule books say the same of every landing.")
        return 0
    kinds = ("gained", "lost", "raised", "lowered", "otherwise")
    console = out()
    console.print(f"{'Rule':<34}" + "".join(f"{kind:>11}" for kind in kinds))
    for row in tally(changes).iter_rows(named=True):
        console.print(f"{row['rule']:<34}" + "".join(f"{row[kind]:>11,}" for kind in kinds))
    console.print("otherwise: not an event before or after, but not assessed by only one of the two.")
    return 0


COMMANDS = (check, compare)
