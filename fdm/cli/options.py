"""Options that several commands share."""

from __future__ import annotations

import os
import re
from pathlib import Path

import click


class Address(click.Path):
    """A folder as a Path, or an object store's address as it stands (s3://BUCKET/NAME, gs://, az://)."""

    name = "folder or address"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> str | bytes | os.PathLike[str]:
        """The folder or the address; whether there is such a kind of address is seen when it is opened."""
        return str(value) if "://" in str(value) else super().convert(value, param, ctx)  # type: ignore[arg-type]


ARCHIVE = click.option(
    "--archive",
    type=Address(path_type=Path, file_okay=False),
    required=True,
    envvar="FDM_ARCHIVE",
    show_envvar=True,
    metavar="DIR",
    help="Folder of the archive, or its address in an object store (s3://BUCKET/NAME, gs://, az://).",
)
WORKERS = click.option(
    "--workers", type=click.IntRange(1, 256), default=1, show_default=True, metavar="N",
    help="Processes of this machine that share the work.",
)  # fmt: skip
CLUSTER = click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler whose workers share the work, such as tcp://10.0.0.7:8786."
)
WAIT = click.option("--wait", is_flag=True, help="Wait when another command is writing, instead of refusing.")
PORT = click.option("--port", type=click.IntRange(1, 65535), default=8050, show_default=True, help="Port to serve on.")

_WEEK = re.compile(r"(\d{4})-W(\d{2})")


class Fact(click.ParamType[tuple[str, str]]):
    """A fact of a flight, as in tail=QQ-LMA."""

    name = "name=value"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, str]:
        """Name and value; whether there is such a fact is seen when recordings are loaded."""
        name, sign, text = str(value).partition("=")
        if not sign or not name.strip() or not text.strip():
            self.fail(f"'{value}' is not NAME=VALUE, as in tail=QQ-LMA", param, ctx)
        return name.strip(), text.strip()


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
