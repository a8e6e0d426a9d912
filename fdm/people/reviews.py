"""Reviews: decide, assign, refer, release, debrief, snooze, comment, reopen, take back; and what stands now."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from sqlalchemy import Connection, func, select

from fdm.people.acts import Act, Judged, acts_query, found, newest, newest_ids
from fdm.people.database import Database
from fdm.people.errors import AlreadyDecided, ReviewError
from fdm.people.ledger import Deed, Ledger
from fdm.people.roles import Actor
from fdm.people.rows import next_id
from fdm.people.standing import read_current
from fdm.people.tables import CONTEXT, VERDICTS, acts
from fdm.people.texts import LINE, NOTE, clean
from fdm.people.times import Clock, to_text

REFERRED = ("maintenance", "training")
LONGEST_ASIDE = timedelta(days=731)
IDENTITIES = {"tail", "flight", "departure"}  # never kept beside an event's id
_KEPT = ("state", "reason", "note", "until_utc", "rule_hash", "rule_book", "severity", "value", "limit_passed", "unit")


@dataclass(frozen=True)
class Bulk:
    """What a decision on many events, or taking one back, came to.

    entry_id   names it, for undo
    done       events changed
    kept       ids of events left alone because somebody else had decided since
    """

    entry_id: int
    done: int
    kept: tuple[str, ...]


class Reviews:
    """Every method that changes something takes `by`, is refused to roles that may not (NotAllowed), and accepts a
    `token`: the same token sent twice does it once. StoreError when the store cannot do it.
    """

    def __init__(self, database: Database, ledger: Ledger, clock: Clock):
        self._database = database
        self._ledger = ledger
        self._clock = clock

    def decide(
        self,
        event: Judged,
        verdict: str,
        *,
        by: Actor,
        seen: int | None,
        reason: str = "",
        note: str = "",
        token: str | None = None,
    ) -> Act:
        """Decide an event valid, nuisance or false (the last two with a reason).

        seen      act_id of the decision that the person saw, None when they saw none
        raises    AlreadyDecided when another decision stands by now
        """
        said = _verdict(verdict, reason, note)

        def work(connection: Connection) -> Deed:
            _as_seen(connection, event.event_id, seen)
            row = {**event.columns(), **said, "topic": "decision", "supersedes": seen}
            return _deed(connection, event.event_id, {"verdict": verdict, "rule_hash": event.rule_hash}, [row])

        return self._done(by, "decision", work, token)

    def reopen(self, event_id: str, *, by: Actor, seen: int | None, reason: str, token: str | None = None) -> Act:
        """Say that a decided event is to be decided again. `seen` as in decide."""
        said = {"state": None, "reason": clean(reason, "the reason", needed=True)}

        def work(connection: Connection) -> Deed:
            stands = _as_seen(connection, event_id, seen)
            if stands is None or stands.state is None:
                raise ReviewError("this event is not decided", source=event_id)
            row = {"event_id": event_id, "topic": "decision", "supersedes": seen, **said}
            return _deed(connection, event_id, {}, [row])

        return self._done(by, "reopening", work, token)

    def assign(self, event_id: str, to: str | None, *, by: Actor, note: str = "", token: str | None = None) -> Act:
        """Give an event to somebody to look at; None takes it from them."""
        state = clean(to, "the person's name", 100)
        return self._set(by, "assignment", event_id, "assignment", token, state=state, note=note)

    def refer(
        self, event_id: str, to: str, *, by: Actor, note: str = "", closed: bool = False, token: str | None = None
    ) -> Act:
        """Refer an event to maintenance or training, or note their answer and close the referral."""
        if to not in REFERRED:
            raise ReviewError(f"events are not referred to {to!r}", cure=f"Say {' or '.join(REFERRED)}.")
        state = "closed" if closed else "open"
        return self._set(by, "referral", event_id, to, token, state=state, note=note)

    def release(
        self, event_id: str, *, by: Actor, note: str = "", shows: Iterable[str] = (), token: str | None = None
    ) -> Act:
        """Release an event, decided valid, to debriefing. Taking it back is undo.

        shows    what of the landing goes with it (tables.CONTEXT); nothing of it when left out
        """
        shown = sorted(set(shows))
        strange = [one for one in shown if one not in CONTEXT]
        if strange:
            raise ReviewError(f"{strange[0]!r} is not released with an event", cure=f"Say {' or '.join(CONTEXT)}.")

        def decided_valid(connection: Connection) -> None:
            stands = newest(connection, event_id, "decision")
            if stands is None or stands.state != "valid":
                raise ReviewError(
                    "only an event that was decided valid is released to debriefing",
                    source=event_id,
                    cure="Decide it first.",
                )

        return self._set(
            by,
            "release",
            event_id,
            "release",
            token,
            state="released",
            note=note,
            reason=" ".join(shown) or None,
            check=decided_valid,
        )

    def debriefed(
        self, event_ids: Sequence[str], *, by: Actor, done: bool = True, note: str = "", token: str | None = None
    ) -> Act:
        """Say that released events of one landing were debriefed, in one entry; `done` False opens them again.

        raises    ReviewError when one of them is not released to debriefing
        """
        said = {"state": "done" if done else None, "note": clean(note, "the note", NOTE)}

        def work(connection: Connection) -> Deed:
            rows = []
            for event_id in event_ids:
                _released(connection, event_id)
                before = newest(connection, event_id, "debrief")
                supersedes = before.act_id if before else None
                rows.append({"event_id": event_id, "topic": "debrief", "supersedes": supersedes, **said})
            if not rows:
                raise ReviewError("no event was named", cure="Load the page anew.")
            return _deed(connection, _subject(rows), {"topic": "debrief", "state": said["state"]}, rows)

        return self._done(by, "debriefing", work, token)

    def snooze(
        self, event_id: str, until: datetime | None, *, by: Actor, note: str = "", token: str | None = None
    ) -> Act:
        """Set an event aside until a time, later than today and within LONGEST_ASIDE; None brings it back now."""
        if until is not None:
            _later(until, self._clock(), event_id)
        state, text = (None, None) if until is None else ("snoozed", to_text(until))
        return self._set(by, "snooze", event_id, "snooze", token, state=state, until_utc=text, note=note)

    def comment(self, event_id: str, text: str, *, by: Actor, token: str | None = None) -> Act:
        """Say something about an event. Comments stand beside each other; none supersedes another."""
        note = clean(text, "the comment", NOTE, needed=True)

        def work(connection: Connection) -> Deed:
            return _deed(connection, event_id, {}, [{"event_id": event_id, "topic": "comment", "note": note}])

        return self._done(by, "comment", work, token)

    def bulk_decide(
        self,
        events: pl.DataFrame,
        verdict: str,
        *,
        count: int,
        chosen_by: Mapping[str, Any],
        by: Actor,
        reason: str = "",
        note: str = "",
        token: str | None = None,
    ) -> Bulk:
        """Decide many events alike, in one entry.

        events      event_id, decision_id (what the person saw, null for none) and the columns of Judged
        count       how many events the person confirmed; ReviewError when `events` holds another number
        chosen_by   the filter that chose them, for the log, which keeps no tail, flight or departure of it
        """
        if count != events.height or events["event_id"].n_unique() != count:
            many = {0: "No event is", 1: "1 event is"}.get(events.height, f"{events.height:,} events are")
            raise ReviewError(f"{many} left to decide; you were shown {count:,}. Nothing was decided")
        said = _verdict(verdict, reason, note)
        kept: list[str] = []

        def work(connection: Connection) -> Deed:
            stands = newest_ids(connection, events["event_id"].to_list(), "decision")
            kept.clear()
            rows = []
            for event in events.iter_rows(named=True):
                before = stands.get(event["event_id"])
                if before is not None and before != event["decision_id"]:
                    kept.append(event["event_id"])
                    continue
                rows.append({**Judged.of(event).columns(), **said, "topic": "decision", "supersedes": before})
            if not rows:
                raise ReviewError("every one of these events was decided since you looked", cure="Load the list anew.")
            filters = {name: value for name, value in chosen_by.items() if name not in IDENTITIES}
            detail = {"verdict": verdict, "count": len(rows), "kept": len(kept), "chosen_by": filters}
            return _deed(connection, _subject(rows), detail, rows)

        entry_id = self._ledger.perform(by, "decision", work, token=token)
        return Bulk(entry_id, self._count(entry_id), tuple(kept))

    def undo(self, entry_id: int, *, by: Actor, token: str | None = None) -> Bulk:
        """Take back what one entry did (Act.entry_id, Bulk.entry_id): what stood before stands again.

        Events on which somebody acted since are left alone and named. AlreadyDecided when that is the only one.
        """
        kept: list[str] = []

        def work(connection: Connection) -> Deed:
            rows, later = _taken_back(connection, entry_id)
            kept[:] = [act.event_id for act in later]
            if not rows and len(later) == 1 and later[0].topic == "decision":
                stands = newest(connection, later[0].event_id, "decision") or later[0]
                raise AlreadyDecided(stands, later[0].supersedes, undoing=True)
            if not rows:
                raise ReviewError(
                    "nothing of this can be taken back: it was done over since, or it is a comment",
                    source=f"entry {entry_id}",
                )
            return _deed(connection, _subject(rows), {"undoes": entry_id, "kept": len(kept)}, rows)

        done = self._ledger.perform(by, "undo", work, token=token)
        return Bulk(done, self._count(done), tuple(kept))

    def history(self, event_id: str) -> list[Act]:
        """Everything that was done about an event, oldest first; also of one that no longer fires."""
        query = acts_query().where(acts.c.event_id == event_id).order_by(acts.c.act_id)
        return self._database.read(lambda connection: found(connection, query))

    def decision(self, event_id: str) -> Act | None:
        """The act that stands on the decision of an event; its state is None after reopening."""
        return self._database.read(lambda connection: newest(connection, event_id, "decision"))

    def current(self, event_ids: Iterable[str] | None = None, *, since: int = 0) -> pl.DataFrame:
        """What stands (standing.CURRENT), a row for each event that anything was done about.

        event_ids   only these
        since       only events on which something was done after this act (see newest_act)
        """
        chosen = None if event_ids is None else list(event_ids)
        return self._database.read(lambda connection: read_current(connection, chosen, since))

    def newest_act(self) -> int:
        """The number of the newest act: while it stays, `current` stays."""
        return self._database.read(lambda connection: next_id(connection, acts) - 1)

    def _set(
        self,
        by: Actor,
        act: str,
        event_id: str,
        topic: str,
        token: str | None,
        *,
        check: Callable[[Connection], None] | None = None,
        note: str = "",
        **values: Any,
    ) -> Act:
        said = {**values, "note": clean(note, "the note", NOTE)}

        def work(connection: Connection) -> Deed:
            if check:
                check(connection)
            before = newest(connection, event_id, topic)
            row = {"event_id": event_id, "topic": topic, "supersedes": before.act_id if before else None, **said}
            told = {name: values[name] for name in ("state", "until_utc") if values.get(name) or name == "state"}
            return _deed(connection, event_id, {"topic": topic, **told}, [row])

        return self._done(by, act, work, token)

    def _done(self, by: Actor, act: str, work: Callable[[Connection], Deed], token: str | None) -> Act:
        entry_id = self._ledger.perform(by, act, work, token=token)
        query = acts_query().where(acts.c.entry_id == entry_id)
        return self._database.read(lambda connection: found(connection, query)[0])

    def _count(self, entry_id: int) -> int:
        query = select(func.count()).where(acts.c.entry_id == entry_id)
        return self._database.read(lambda connection: int(connection.scalar(query) or 0))


def _later(until: datetime, now: datetime, event_id: str) -> None:
    """ReviewError unless a time until which to set an event aside is one to come back at."""
    if until <= now:
        raise ReviewError("the day until which to set this aside must be later than today", source=event_id)
    if until > now + LONGEST_ASIDE:
        raise ReviewError("an event is set aside for two years at most", source=event_id, cure="Choose an earlier day.")


def _as_seen(connection: Connection, event_id: str, seen: int | None) -> Act | None:
    """The decision that stands, which is the one that was seen."""
    stands = newest(connection, event_id, "decision")
    if stands is not None and stands.act_id != seen:
        raise AlreadyDecided(stands, seen)
    if stands is None and seen is not None:
        raise ReviewError(
            "the decision you saw is not in the store any more", source=event_id, cure="Load the page anew."
        )
    return stands


def _released(connection: Connection, event_id: str) -> None:
    """ReviewError unless an event is released, and still decided valid."""
    release, decision = (newest(connection, event_id, topic) for topic in ("release", "decision"))
    if release is None or release.state is None or decision is None or decision.state != "valid":
        raise ReviewError(
            "this event is not released to debriefing now", source=event_id, cure="Ask the safety officer."
        )


def _verdict(verdict: str, reason: str, note: str) -> dict[str, Any]:
    if verdict not in VERDICTS:
        raise ReviewError(f"{verdict!r} is not a verdict", cure=f"Say {', '.join(VERDICTS)}.")
    needed = verdict != "valid"
    return {
        "state": verdict,
        "reason": clean(reason, f"the reason for '{verdict}'", needed=needed),
        "note": clean(note, "the note", NOTE),
    }


def _subject(rows: Sequence[Mapping[str, Any]]) -> str:
    return str(rows[0]["event_id"]) if len(rows) == 1 else f"{len(rows)} events"


def _deed(connection: Connection, subject: str, detail: Mapping[str, Any], rows: list[dict[str, Any]]) -> Deed:
    """Rows of acts, numbered, every column named."""
    for row in rows:
        event_id = row["event_id"]
        if not (event_id and len(event_id) <= LINE and event_id.isprintable()):
            raise ReviewError("is not an event's id", source=repr(event_id))
    first = next_id(connection, acts)
    empty = {column.name: None for column in acts.c if column.name != "entry_id"}
    numbered = [{**empty, **row, "act_id": first + place} for place, row in enumerate(rows)]
    return Deed(subject, detail, acts, numbered)


def _taken_back(connection: Connection, entry_id: int) -> tuple[list[dict[str, Any]], list[Act]]:
    """Rows that put back what stood before an entry, and the acts since that are in the way."""
    own = acts.c.entry_id == entry_id
    mine = found(connection, acts_query().where(own, acts.c.topic != "comment"))
    earlier, later = acts.alias("earlier"), acts.alias("later")
    said = select(acts.c.act_id, *(earlier.c[name] for name in _KEPT)).where(own)
    rows_before = connection.execute(said.join(earlier, acts.c.supersedes == earlier.c.act_id))
    before = {row.act_id: row._asdict() for row in rows_before}
    over = acts_query().where(acts.c.supersedes.in_(select(later.c.act_id).where(later.c.entry_id == entry_id)))
    since = {act.supersedes: act for act in found(connection, over)}
    rows = [
        {
            "event_id": act.event_id,
            "topic": act.topic,
            **{name: before[act.act_id][name] if act.act_id in before else None for name in _KEPT},
            "supersedes": act.act_id,
            "undoes": act.act_id,
        }
        for act in mine
        if act.act_id not in since
    ]
    return rows, list(since.values())
