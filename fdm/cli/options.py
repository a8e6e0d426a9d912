"""Options that several commands share."""

from __future__ import annotations

import re
from pathlib import Path

import click

ARCHIVE = click.option(
    "--archive",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    envvar="FDM_ARCHIVE",
    show_envvar=True,
    metavar="DIR",
    help="Folder of the archive.",
)
PORT = click.option("--port", type=click.IntRange(1, 65535), default=8050, show_default=True, help="Port to serve on.")

_WEEK = re.compile(r"(\d{4})-W(\d{2})")


class Week(click.ParamType[str]):
    """An ISO 8601 week such as 2026-W47."""

    name = "week"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The week itself, when there is such a week."""
        from datetime import date

        found = _WEEK.fullmatch(str(value).strip().upper())
        try:
            if found is None:
                raise ValueError
            date.fromisocalendar(int(found[1]), int(found[2]), 1)
        except ValueError:
            self.fail(f"'{value}' is no ISO week. Write it as 2026-W47.", param, ctx)
        return found[0]


WEEK = click.option("--week", type=Week(), metavar="2026-W47", help="Only landings of this ISO week (UTC).")
