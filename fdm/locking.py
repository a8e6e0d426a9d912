"""One writer at a time: a second load, detect or compact on the same archive is refused, or waits when asked to.

In a folder the system's own file lock is used, which ends with the process that holds it, however it ends. An object
store has none: there each writer puts an object of its own, then looks for others, and refuses when it finds one. Of
two writers at least one sees the other, since stores list what was put before. A writer that died leaves its object;
one that was not renewed for STALE_S, by the store's own clock, no longer counts. Before results are put in force a
writer makes sure that its object is still there.
"""

from __future__ import annotations

import getpass
import json
import os
import socket
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from fdm.errors import ArchiveError
from fdm.storage import Folder, ObjectStore, Storage

LOCK = "LOCK"
WRITERS = "writers"
RENEW_S = 60.0
STALE_S = 600.0

Held = Callable[[], None]  # raises ArchiveError when the lock was lost


@contextmanager
def writing(storage: Storage, what: str, *, wait: bool = False) -> Iterator[Held]:
    """The right to write into an archive, for as long as the block lasts.

    what    the verb, for whoever is refused meanwhile
    wait    wait for the other writer instead of refusing (folders only)
    raises  ArchiveError when another process is writing; OSError when the place cannot be written to
    """
    if isinstance(storage, Folder):
        with _file_lock(storage.path, what, wait):
            yield lambda: None
    elif isinstance(storage, ObjectStore):
        with _object_lock(storage, what) as held:
            yield held
    else:
        yield lambda: None


def _mine(what: str) -> dict[str, Any]:
    """Who is writing, in words for others."""
    with suppress(Exception):
        return {
            "doing": what,
            "by": f"{getpass.getuser()}@{socket.gethostname()}",
            "process": os.getpid(),
            "since_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        }
    return {"doing": what, "process": os.getpid()}


def _busy(address: str, content: bytes) -> ArchiveError:
    who: dict[str, Any] = {}
    with suppress(ValueError):
        who = dict(json.loads(content or b"{}"))
    doing = who.get("doing", "another command")
    told = ", ".join(
        f"{name.removesuffix('_utc')} {who[name]}" for name in ("by", "process", "since_utc") if name in who
    )
    return ArchiveError(
        f"{doing} is at work on this archive" + (f" ({told})" if told else ""),
        source=address,
        cure="Run this again when it has ended, or add --wait.",
    )


# a folder ------------------------------------------------------------------------------------------------------------


@contextmanager
def _file_lock(folder: Path, what: str, wait: bool) -> Iterator[None]:
    folder.mkdir(parents=True, exist_ok=True)
    with open(folder / LOCK, "a+b") as file:
        if not _take(file, wait):
            file.seek(0)
            raise _busy(str(folder), file.read())
        try:
            file.truncate(0)
            file.write(json.dumps(_mine(what)).encode())
            file.flush()
            yield
        finally:
            with suppress(OSError):
                file.truncate(0)
            _give_back(file)


if os.name == "posix":
    import fcntl

    def _take(file: IO[bytes], wait: bool) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            return False
        return True

    def _give_back(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)

else:  # pragma: no cover
    import msvcrt

    FAR = 2**30  # a byte beyond the text, so that others can still read who holds the lock

    def _take(file: IO[bytes], wait: bool) -> bool:
        file.seek(FAR)
        while True:
            with suppress(OSError):  # LK_LOCK itself tries for ten seconds
                msvcrt.locking(file.fileno(), msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
                return True
            if not wait:
                return False

    def _give_back(file: IO[bytes]) -> None:
        file.seek(FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]


# an object store -----------------------------------------------------------------------------------------------------


@contextmanager
def _object_lock(store: ObjectStore, what: str) -> Iterator[Held]:
    mine = f"{WRITERS}/{uuid.uuid4().hex}.json"
    content = json.dumps(_mine(what)).encode()
    store.write(mine, content)
    done = threading.Event()
    try:
        other = _another(store, mine)
        if other is not None:
            raise _busy(store.address, other)
        renewing = threading.Thread(target=_renew, args=(store, mine, content, done), daemon=True)
        renewing.start()
        try:
            yield lambda: _still_there(store, mine)
        finally:
            done.set()
            renewing.join()
    finally:
        with suppress(OSError):
            store.remove(mine)


def _another(store: ObjectStore, mine: str) -> bytes | None:
    """What another writer that is alive says of itself; the objects of dead ones are removed."""
    put = store.ages(WRITERS)
    now = max(put.values(), default=0.0)  # our own object is the newest
    for name, when in put.items():
        key = f"{WRITERS}/{name}"
        if key == mine:
            continue
        if now - when <= STALE_S:
            with suppress(OSError):
                return store.read(key)
        else:
            store.remove(key)
    return None


def _renew(store: ObjectStore, mine: str, content: bytes, done: threading.Event) -> None:
    while not done.wait(RENEW_S):
        with suppress(OSError):
            if not store.exists(mine):
                return  # taken for dead: `_still_there` will say so
            store.write(mine, content)


def _still_there(store: ObjectStore, mine: str) -> None:
    if not store.exists(mine):
        raise ArchiveError(
            "another command took this one for dead and is writing now",
            source=store.address,
            cure="Nothing was changed. Run this again when the other has ended.",
        )
