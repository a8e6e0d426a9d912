"""What a database driver's error means to the person at work, and whether trying again may help."""

from __future__ import annotations

from typing import Any

from sqlalchemy.exc import DBAPIError

from fdm.people.errors import StoreError, StoreUnavailable

FULL = ("the disk is full", "Free some space, then do it again.")
GONE = ("the store does not answer", "See that it runs and can be reached, then do it again.")
MISSING = ("the store's file is missing or cannot be opened", "Put it back, or restore a backup: fdm restore.")
BUSY = ("the store is busy with somebody else's work", "Do it again in a moment.")
DAMAGED = ("the store is damaged", "Stop work on it and restore a backup: fdm restore.")
UNWRITABLE = ("the store may not be written", "Give this user the right to write it.")
REFUSED = ("the store refuses this user or password", "Correct the address or the rights.")
UNKNOWN_NAME = ("there is no such database", "Make it first: createdb NAME.")

# By the start of SQLite's error name; (what, may trying again help).
_SQLITE = (
    ("SQLITE_FULL", FULL, False),
    ("SQLITE_BUSY", BUSY, True),
    ("SQLITE_LOCKED", BUSY, True),
    ("SQLITE_CANTOPEN", MISSING, True),
    ("SQLITE_READONLY_DBMOVED", MISSING, True),
    ("SQLITE_READONLY", UNWRITABLE, False),
    ("SQLITE_PERM", UNWRITABLE, False),
    ("SQLITE_CORRUPT", DAMAGED, False),
    ("SQLITE_NOTADB", DAMAGED, False),
    ("SQLITE_IOERR", ("the disk cannot be read or written", "See to the disk, then do it again."), True),
)
# By the start of SQLSTATE, from PostgreSQL's appendix of error codes.
_POSTGRESQL = (
    ("53100", FULL, False),
    ("53", GONE, True),  # too many connections, out of memory
    ("08", GONE, True),
    ("57P", GONE, True),  # shut down, crashed, starting
    ("55P03", BUSY, True),
    ("40", BUSY, True),  # serialization failure, deadlock
    ("58", ("the server's disk cannot be read or written", "See to the server, then do it again."), True),
    ("XX", DAMAGED, False),
    ("25006", UNWRITABLE, False),
    ("42501", UNWRITABLE, False),
    ("28", REFUSED, False),
    ("3D000", UNKNOWN_NAME, False),
)


def as_store_error(error: DBAPIError, store: str, *, write: bool, committing: bool) -> StoreError:
    """The error in words, saying truthfully whether anything was saved."""
    (problem, cure), again = _meaning(error)
    if committing and again:
        saved = ". It is not known whether this was saved; look before you repeat it"
    else:
        saved = ". Nothing was saved" if write else ""
    kind = StoreUnavailable if again else StoreError
    return kind(f"{problem}{saved}", source=store, cure=cure)


def _meaning(error: DBAPIError) -> tuple[tuple[str, str], bool]:
    driver: Any = error.orig
    state = getattr(driver, "sqlstate", None)
    code, table = (state, _POSTGRESQL) if state else (getattr(driver, "sqlite_errorname", None), _SQLITE)
    for start, meaning, again in table:
        if code and code.startswith(start):
            return meaning, again
    if _lost(error, driver):
        return _without_state(str(driver))
    first_line = str(driver).strip().splitlines()[0] if str(driver).strip() else type(driver).__name__
    return (f"the database refused this ({first_line})", "Nothing else was touched."), False


def _lost(error: DBAPIError, driver: Any) -> bool:
    """A connection that never came about, or broke, has no SQLSTATE."""
    from_sqlite = hasattr(driver, "sqlite_errorname")
    return error.connection_invalidated or (type(driver).__name__ == "OperationalError" and not from_sqlite)


def _without_state(said: str) -> tuple[tuple[str, str], bool]:
    """libpq reports a refused connection in words only."""
    if "authentication failed" in said or "no pg_hba.conf entry" in said or "no password supplied" in said:
        return REFUSED, False
    if "database" in said and "does not exist" in said:
        return UNKNOWN_NAME, False
    return GONE, True
