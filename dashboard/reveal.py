"""What a pseudonym stands for: a deliberate act of the officer, with a reason, in the log."""

from __future__ import annotations

import re
from dataclasses import dataclass

from dashboard import words
from dashboard.store import Store
from fdm.people.errors import PeopleError
from fdm.people.pseudonyms import KINDS
from fdm.people.roles import Actor, require
from fdm.people.store import People

CALLED = re.compile(r"(?:Landing )?([0-9A-Z]{4})\Z", re.IGNORECASE)
KEY = re.compile(r"([0-9A-Z]{20})(?:-[a-z][a-z0-9_]*)?\Z", re.IGNORECASE)


@dataclass(frozen=True)
class Revealed:
    """What was asked for, what it is in words, and the landing's id when it is one."""

    asked: str
    identity: str
    landing_id: str | None = None


def revealed(store: Store, people: People, asked: str, reason: str, by: Actor) -> Revealed:
    """The identity behind a pseudonym, or behind the key or the name of a landing.

    raises    NotAllowed for everybody but the officer; PeopleError without a reason, or when nothing is called so
    """
    require(by, "reveal")
    asked = asked.strip().rsplit("/", 1)[-1].split("?")[0]
    landings, names = store.whole().landings, store.names()
    kind = next((kind for kind, (word, _) in KINDS.items() if word and asked.startswith(word)), None)
    if kind:
        candidates = landings.get_column(kind).drop_nulls().unique().to_list()
        return Revealed(asked, people.reveal(kind, asked, candidates, names, by=by, reason=reason))
    ids = landings.get_column("landing_id").to_list()
    if match := CALLED.match(asked):
        released = store.released().get_column("landing_id").to_list()
        known = store.called(released)
        called = [one for one in released if known[one][0] == match.group(1).upper()]
        if len(called) != 1:
            raise PeopleError(
                f"{len(called)} released landings are called so",
                source=asked,
                cure="Give the whole key of the landing.",
            )
        key = names.of("landing_id", called[0])
    elif match := KEY.match(asked):
        key = match.group(1).upper()
    else:
        raise PeopleError("this is no pseudonym", source=asked, cure="Copy it as it was shown.")
    landing_id = people.reveal("landing_id", key, ids, names, by=by, reason=reason)
    landing = store.landing(landing_id) or {}
    parts = (
        landing.get("tail"),
        landing.get("flight"),
        landing.get("place"),
        words.moment(landing.get("touchdown_utc")),
    )
    return Revealed(asked, ", ".join(str(part) for part in parts if part), landing_id)
