"""What the commands print with: a console that knows terminals from pipes, and progress for both."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

Report = Callable[[int, int, str], None]  # done, in all, what is being worked on

PIPE_WIDTH = 120
LINES_OF_PROGRESS = 10


def out() -> Console:
    """Standard output. Colour only on a terminal without NO_COLOR; a pipe is 120 columns wide unless COLUMNS is set."""
    console = Console(file=sys.stdout, highlight=False, soft_wrap=False, emoji=False, markup=False)
    if not console.is_terminal and "COLUMNS" not in console._environ:
        console.width = PIPE_WIDTH
    return console


def note(text: str) -> None:
    """A line on standard error: for people, out of the way of data on standard output."""
    click.echo(text, err=True)


@contextmanager
def progress(verb: str) -> Iterator[Report]:
    """A bar on a terminal, about ten plain lines elsewhere; both on standard error."""
    console = Console(file=sys.stderr, highlight=False)
    if not console.is_terminal:
        yield _plain(verb)
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(verb, total=None)
        yield lambda done, total, _what: bar.update(task, completed=done, total=total)


def _plain(verb: str) -> Report:
    said = -1

    def report(done: int, total: int, _what: str) -> None:
        nonlocal said
        tenth = done * LINES_OF_PROGRESS // total if total else 0
        if done and tenth > said and total >= LINES_OF_PROGRESS:
            said = tenth
            note(f"{verb}: {done:,} of {total:,}")

    return report
