"""The audit log, and the one way to change anything a person answers for: the act and its entry in one transaction.

Each entry carries a hash over the entry before it, so changing, removing or slipping in one shows in all that follow.
What an act wrote beside its entry is hashed into the entry too. Entries cut off the end leave a chain that still
holds: keep the head (`fdm audit verify` prints it) somewhere else and check against it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any
from uuid import uuid4

import polars as pl
from sqlalchemy import Connection, Table, insert, select

from fdm.people.database import Database
from fdm.people.errors import PeopleError
from fdm.people.roles import Actor, require
from fdm.people.rows import dicts, read_frame
from fdm.people.tables import acts, audit, book_versions
from fdm.people.times import Clock, to_text
from fdm.schemas import UTC

START = "0" * 64
_JSON = json.JSONEncoder(sort_keys=True, separators=(",", ":"))
WRITTEN: tuple[Table, ...] = (acts, book_versions)  # history that entries answer for
AUDIT: dict[str, Any] = {
    "entry_id": pl.Int64,
    "at_utc": UTC,
    "who": pl.String,
    "role": pl.String,
    "act": pl.String,
    "subject": pl.String,
    "detail": pl.String,
    "came_from": pl.String,
    "hash": pl.String,
}


@dataclass(frozen=True)
class Deed:
    """What an act did: to what, in detail, and the rows of history it writes into one table.

    The rows come without entry_id; detail must be JSON.
    """

    subject: str
    detail: Mapping[str, Any] = field(default_factory=dict)
    table: Table = acts
    rows: Sequence[Mapping[str, Any]] = ()


@dataclass(frozen=True)
class Verified:
    """What a check of the whole log found: how many entries, the newest one's hash, and every fault in words."""

    entries: int
    head: str
    faults: tuple[str, ...]


class Ledger:
    """The audit log of one store."""

    def __init__(self, database: Database, clock: Clock):
        self._database = database
        self._clock = clock

    def perform(self, actor: Actor, act: str, work: Callable[[Connection], Deed], *, token: str | None = None) -> int:
        """Do `work` and write its entry, both or neither; the entry's number.

        act      one of roles.MAY
        token    names this doing: sent twice, it is done once. A new one for each call when None
        raises   NotAllowed, StoreError, and what `work` raises
        """
        require(actor, act)
        key = token or uuid4().hex

        def once(connection: Connection) -> int:
            known = connection.execute(select(audit).where(audit.c.token == key)).first()
            if known is None:
                return self.enter(connection, actor, act, work(connection), token=key)
            if (known.who, known.act) != (actor.name, act):
                raise PeopleError("this token was used for something else", cure="Load the page anew.")
            return int(known.entry_id)

        return self._database.write(once)

    def enter(self, connection: Connection, actor: Actor, act: str, deed: Deed, *, token: str | None = None) -> int:
        """Write an entry and its rows in a transaction that is open; its number."""
        number, before = head(connection)
        detail = dict(deed.detail)
        if deed.rows:
            detail |= {"rows": len(deed.rows), "rows_hash": rows_hash(deed.table, deed.rows)}
        entry = {
            "entry_id": number + 1,
            "token": token or uuid4().hex,
            "at_utc": to_text(self._clock()),
            "who": actor.name,
            "role": actor.role,
            "act": act,
            "subject": deed.subject,
            "detail": canonical(detail),
            "came_from": actor.where,
        }
        connection.execute(insert(audit), entry | {"hash": entry_hash(before, entry)})
        if deed.rows:
            connection.execute(insert(deed.table), [{**row, "entry_id": number + 1} for row in deed.rows])
        return number + 1

    def record(self, actor: Actor, act: str, subject: str, **detail: Any) -> int:
        """An entry for something that changes nothing in the store: an export, a login, a backup."""
        return self.perform(actor, act, lambda _connection: Deed(subject, detail))

    def entries(self, *, newest: int | None = None, act: str | None = None, who: str | None = None) -> pl.DataFrame:
        """The log (AUDIT), newest first; only the `newest` ones, one act, one person when asked."""
        query = select(*(audit.c[name] for name in AUDIT)).order_by(audit.c.entry_id.desc()).limit(newest)
        if act is not None:
            query = query.where(audit.c.act == act)
        if who is not None:
            query = query.where(audit.c.who == who)
        return read_frame(self._database, query, AUDIT)

    def entry(self, entry_id: int) -> dict[str, Any]:
        """The detail of one entry."""
        query = select(audit.c.detail).where(audit.c.entry_id == entry_id)
        return dict(json.loads(self._database.read(lambda connection: connection.scalar(query)) or "{}"))

    def verify(self, *, expected: Mapping[int, str] | None = None) -> Verified:
        """Go through the whole log and everything it answers for.

        expected    hashes that were kept elsewhere, by entry number
        """
        return self._database.read(lambda connection: verified(connection, expected or {}))


def canonical(value: Any) -> str:
    """One text for one value: JSON, sorted, without spaces."""
    return _JSON.encode(value)


def head(connection: Connection) -> tuple[int, str]:
    """Number and hash of the newest entry; 0 and START before the first."""
    newest = connection.execute(select(audit).order_by(audit.c.entry_id.desc()).limit(1)).first()
    return (newest.entry_id, newest.hash) if newest else (0, START)


def entry_hash(before: str, entry: Mapping[str, Any]) -> str:
    """SHA-256 over the hash before and everything an entry says."""
    said = {name: value for name, value in entry.items() if name != "hash"}
    return hashlib.sha256(f"{before}\n{canonical(said)}".encode()).hexdigest()


def rows_hash(table: Table, rows: Iterable[Mapping[str, Any]]) -> str:
    """SHA-256 over rows of history in their order: what each says, without entry_id and what it leaves empty."""
    total = hashlib.sha256(table.name.encode())
    for row in rows:
        said = {name: value for name, value in row.items() if value is not None and name != "entry_id"}
        total.update(b"\n" + canonical(said).encode())
    return total.hexdigest()


def verified(connection: Connection, expected: Mapping[int, str]) -> Verified:
    """Ledger.verify within a transaction."""
    faults: list[str] = []
    claims: dict[int, Mapping[str, Any]] = {}
    number, before = 0, START
    for entry in dicts(connection, select(audit).order_by(audit.c.entry_id)):
        if entry["entry_id"] != number + 1:
            faults.append(_missing(number + 1, entry["entry_id"] - 1))
        number = entry["entry_id"]
        if entry["hash"] != entry_hash(before, entry):
            faults.append(f"entry {number} or one before it was changed or removed")
        if number in expected and expected[number] != entry["hash"]:
            faults.append(f"entry {number} is not the one whose hash was kept")
        before = entry["hash"]
        detail = json.loads(entry["detail"])
        if "rows_hash" in detail:
            claims[number] = detail
    faults += [f"entry {kept} is missing; its hash was kept" for kept in expected if kept > number]
    faults += _row_faults(connection, claims)
    return Verified(number, before, tuple(faults))


def _missing(first: int, last: int) -> str:
    return f"entry {first} is missing" if first == last else f"entries {first} to {last} are missing"


def _row_faults(connection: Connection, claims: dict[int, Mapping[str, Any]]) -> Iterator[str]:
    found: dict[int, str] = {}
    for table in WRITTEN:
        key = next(iter(table.primary_key))
        rows = dicts(connection, select(table).order_by(table.c.entry_id, key))
        for entry_id, group in groupby(rows, key=lambda row: row["entry_id"]):
            found[entry_id] = rows_hash(table, group)
    for entry_id in sorted(found.keys() | claims.keys()):
        if entry_id not in claims:
            yield f"rows say they belong to entry {entry_id}, which says it wrote none"
        elif found.get(entry_id) != claims[entry_id]["rows_hash"]:
            yield f"what entry {entry_id} wrote was changed or removed"
