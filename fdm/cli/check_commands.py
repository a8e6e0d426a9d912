"""check: try a map, a rule book or a recording before relying on it."""

from __future__ import annotations

import click


@click.group()
def check() -> None:
    """Try a parameter map, a rule book or a recording before relying on it."""


COMMANDS = (check,)
