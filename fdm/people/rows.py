"""Rows of the store as frames and dictionaries, and the next number of a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import polars as pl
from sqlalchemy import Connection, Row, Select, Table, func, select

from fdm.people.database import Database
from fdm.schemas import UTC


def as_frame(rows: Sequence[Row[Any]], schema: Mapping[str, Any]) -> pl.DataFrame:
    """Rows as a frame of a schema; its times are read from the store's texts."""
    raw = {name: pl.String if kind == UTC else kind for name, kind in schema.items()}
    frame = pl.DataFrame([tuple(row) for row in rows], schema=raw, orient="row")
    times = [name for name, kind in schema.items() if kind == UTC]
    return frame.with_columns(pl.col(times).str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", time_zone="UTC"))


def read_frame(database: Database, query: Select[Any], schema: Mapping[str, Any]) -> pl.DataFrame:
    """What a query finds, as a frame."""

    def rows(connection: Connection) -> Sequence[Row[Any]]:
        return connection.execute(query).all()

    return as_frame(database.read(rows), schema)


def dicts(connection: Connection, query: Select[Any]) -> Iterator[dict[str, Any]]:
    """What a query finds, a dictionary for each row."""
    return (row._asdict() for row in connection.execute(query))


def next_id(connection: Connection, table: Table) -> int:
    """The next number of a table; safe because there is one writer."""
    (key,) = table.primary_key
    return int(connection.scalar(select(func.coalesce(func.max(key), 0))) or 0) + 1
