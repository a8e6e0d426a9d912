"""What the officer at this machine decided of events, and deciding. A store that fails keeps no page from reading."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
from sqlalchemy import func, select

from dashboard.access import viewer
from fdm.people.acts import Act, Judged
from fdm.people.errors import PeopleError
from fdm.people.location import people_url
from fdm.people.reviews import Bulk
from fdm.people.roles import OFFICER, Actor, at_this_machine
from fdm.people.standing import CURRENT, with_reviews
from fdm.people.store import People
from fdm.people.tables import acts

NOBODY: Any = pl.DataFrame(schema=CURRENT)


def officer() -> Actor:
    """Whoever is logged in on this machine."""
    return at_this_machine(OFFICER)


@dataclass(frozen=True)
class Verdicts:
    """What stands on events (standing.CURRENT), with a stamp that changes when it does, or why it cannot be read."""

    stamp: int
    current: pl.DataFrame
    problem: str = ""


@dataclass(frozen=True)
class Past:
    """Every decision on one event, also taken back, oldest first; `together`: how many events the last entry holds."""

    decisions: tuple[Act, ...] = ()
    together: int = 0
    problem: str = ""

    @property
    def last(self) -> Act | None:
        """What stands; its state is None when it was taken back."""
        return self.decisions[-1] if self.decisions else None

    @property
    def seen(self) -> int | None:
        """What `decide` wants to know of what the reader saw."""
        return self.last.act_id if self.last else None


class Desk:
    """Decisions of one archive. Safe to share between threads; opened at the first question.

    open_    opens the store; raises StoreError
    actor    who decides
    """

    def __init__(self, open_: Callable[[], People], actor: Callable[[], Actor] = officer) -> None:
        self._open = open_
        self._actor = actor
        self._lock = threading.Lock()
        self._people: People | None = None
        self._verdicts = Verdicts(0, NOBODY)

    def verdicts(self) -> Verdicts:
        """What stands on every event now; read again only when somebody did something."""
        try:
            people = self._store()
            newest = people.newest_act()
            with self._lock:
                known = self._verdicts
            if known.stamp != newest:
                known = Verdicts(newest, people.current())
                with self._lock:
                    self._verdicts = known
            return known
        except PeopleError as error:
            return Verdicts(-1, NOBODY, str(error))

    def past(self, event_id: str) -> Past:
        """What was decided of one event."""
        try:
            people = self._store()
            found = tuple(act for act in people.history(event_id) if act.topic == "decision")
            return Past(found, _together(people, found[-1].entry_id) if found else 0)
        except PeopleError as error:
            return Past(problem=str(error))

    def decide(self, event: Mapping[str, Any], verdict: str, *, seen: int | None, **said: str) -> int:
        """Decide an event; the number of the log's entry. `said`: reason, note, token. Raises PeopleError."""
        return self._store().decide(Judged.of(event), verdict, by=self._actor(), seen=seen, **said).entry_id

    def decide_all(
        self, events: pl.DataFrame, verdict: str, count: int, chosen_by: Mapping[str, Any], **said: str
    ) -> Bulk:
        """Decide many events alike, in one entry (Reviews.bulk_decide). Raises PeopleError."""
        by = self._actor()
        return self._store().bulk_decide(events, verdict, count=count, chosen_by=chosen_by, by=by, **said)

    def undo(self, entry_id: int, token: str) -> int:
        """Take back what an entry decided; how many events changed. Raises PeopleError."""
        return self._store().undo(entry_id, by=self._actor(), token=token).done

    def close(self) -> None:
        """Let go of the store."""
        with self._lock:
            if self._people:
                self._people.close()
            self._people = None

    def _store(self) -> People:
        with self._lock:
            if self._people is None:
                self._people = self._open()
            return self._people


def beside(archive: Path | str, actor: Callable[[], Actor] = viewer) -> Desk:
    """The decisions kept beside an archive (see people_url)."""
    return Desk(lambda: People(people_url(archive), pause=lambda _seconds: None), actor)


def with_verdicts(events: pl.DataFrame, found: Verdicts) -> pl.DataFrame:
    """The events with their `verdict` (null when there is none), `decision_id`, and `rule_changed` since."""
    own = events.drop("verdict", "decision_id", "rule_changed")
    return with_reviews(own, found.current, datetime.now(UTC)).select(events.columns)


def _together(people: People, entry_id: int) -> int:
    query = select(func.count()).where(acts.c.entry_id == entry_id)
    return people.database.read(lambda connection: int(connection.scalar(query) or 0))
