"""The store of people's work, opened by its URL."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from types import TracebackType

from argon2 import PasswordHasher

from fdm.people.accounts import Accounts
from fdm.people.books import Books
from fdm.people.database import Database
from fdm.people.errors import PeopleError
from fdm.people.jobs import Jobs
from fdm.people.ledger import Ledger
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.reviews import Reviews
from fdm.people.roles import Actor, require
from fdm.people.texts import clean
from fdm.people.times import Clock, utc_now
from fdm.people.upgrading import open_store


class People(Reviews):
    """Reviews; and `accounts`, `books`, `jobs` and the `audit` log. Safe to share between threads; close it at the end.

    url      see location.people_url; an empty or older store is brought up to date
    clock    the time now, with its zone
    pause    waits some seconds before a broken connection is tried again
    hasher   of passwords; for tests, which need a quick one
    raises   StoreError
    """

    def __init__(
        self,
        url: str,
        *,
        clock: Clock = utc_now,
        pause: Callable[[float], None] = time.sleep,
        hasher: PasswordHasher | None = None,
    ):
        self.database = Database(url, pause=pause)
        try:
            open_store(self.database)
        except BaseException:
            self.database.close()
            raise
        self.audit = Ledger(self.database, clock)
        self.accounts = Accounts(self.database, self.audit, clock, hasher)
        self.books = Books(self.database, self.audit)
        self.jobs = Jobs(self.database, self.audit, clock)
        super().__init__(self.database, self.audit, clock)

    def reveal(
        self,
        kind: str,
        pseudonym: str,
        candidates: Iterable[str],
        pseudonyms: Pseudonyms,
        *,
        by: Actor,
        reason: str,
    ) -> str:
        """The identity behind a pseudonym, for an officer who says why. The log keeps the question, not the answer.

        kind          pseudonyms.KINDS
        candidates    every identity it may be, such as the archive's tails
        raises        NotAllowed; PeopleError without a reason or when none of the candidates has this pseudonym
        """
        require(by, "reveal")
        why = clean(reason, "the reason for the reveal", needed=True)
        found = pseudonyms.identity(kind, pseudonym, candidates)
        if found is None:
            raise PeopleError(
                "nothing in the archive has this pseudonym",
                source=pseudonym,
                cure="It may be of another key or archive.",
            )
        self.audit.record(by, "reveal", pseudonym, kind=kind, reason=why)
        return found

    def close(self) -> None:
        """Let go of every connection."""
        self.database.close()

    def __enter__(self) -> People:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
