"""The store of people's work, opened by its URL."""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType

from fdm.people.database import Database
from fdm.people.ledger import Ledger
from fdm.people.reviews import Reviews
from fdm.people.times import Clock, utc_now
from fdm.people.upgrading import open_store


class People(Reviews):
    """Reviews, and under their own names: `audit`. Safe to share between threads; close it at the end.

    url      see location.people_url; an empty or older store is brought up to date
    clock    the time now, with its zone
    pause    waits some seconds before a broken connection is tried again
    raises   StoreError
    """

    def __init__(self, url: str, *, clock: Clock = utc_now, pause: Callable[[float], None] = time.sleep):
        self.database = Database(url, pause=pause)
        try:
            open_store(self.database)
        except BaseException:
            self.database.close()
            raise
        self.audit = Ledger(self.database, clock)
        super().__init__(self.database, self.audit, clock)

    def close(self) -> None:
        """Let go of every connection."""
        self.database.close()

    def __enter__(self) -> People:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
