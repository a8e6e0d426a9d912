"""What the reader asked for, as it stands in the address: every view can be linked to and gone back to."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from urllib.parse import parse_qs, urlencode

LEVELS = ("high", "medium", "low")
SORTS = ("worst", "newest", "event", "aircraft", "place")
REPEATS = "repeats"  # every one of them, above the list of events
SHOWS = ("events", "none", "part", "missing", REPEATS)
ALL_WEEKS = "all"
LONGEST = 120
LONGEST_NOTE = 2000
DECIDED = ("no", "yes")
PASSED = ("assigned", "maintenance", "training", "released", "snoozed", "any")
NOT_LOGGED = ("page", "event", "sort", "text", "tail")
GIVEN_TO = "to:"  # before a name in `passed`
LINES = ("together", "place", "rule", "single")
_WEEK = re.compile(r"[0-9]{4}-(W[0-9]{2}|0[1-9]|1[0-2])\Z")  # a month for who may not see weeks
_PAGE = re.compile(r"[1-9][0-9]{0,6}\Z")


@dataclass(frozen=True)
class Query:
    """Filters, order and place in a list. Empty means no filter; an empty `week` means the newest.

    passed    where an event was passed on to (PASSED), or "to:" and a name; empty leaves out what is set aside
    """

    week: str = ""
    severity: str = ""
    fleet: str = ""
    runway: str = ""
    tail: str = ""
    rule: str = ""
    origin: str = ""
    text: str = ""
    sort: str = "worst"
    lines: str = "together"
    show: str = ""
    decided: str = ""
    passed: str = ""
    new: str = ""
    page: int = 1
    event: str = ""

    @property
    def facts(self) -> Query:
        """The same view of everything that happened, whatever people did about it."""
        return replace(self, decided="", passed="any")

    @property
    def told(self) -> dict[str, str]:
        """The filters as the log keeps them, without what may name somebody and what only says where in a list."""
        kept = [f for f in fields(self) if f.name not in NOT_LOGGED]
        return {f.name: getattr(self, f.name) for f in kept if getattr(self, f.name) != f.default}

    def link(self, **changes: object) -> str:
        """The address of this view with some things changed; going elsewhere starts at the first page."""
        if changes and "page" not in changes and set(changes) - {"event"}:
            changes["page"] = 1
        wanted = replace(self, **changes)  # type: ignore[arg-type]
        standing = {f.name: getattr(wanted, f.name) for f in fields(wanted) if getattr(wanted, f.name) != f.default}
        return f"?{urlencode(standing)}"


def parse(search: str | None) -> Query:
    """The query in an address. What cannot be understood is left out rather than refused: links age."""
    given = {key: values[-1][:LONGEST] for key, values in parse_qs((search or "").lstrip("?")).items()}
    week = given.get("week", "")
    return Query(
        week=week if week == ALL_WEEKS or _WEEK.match(week) else "",
        severity=_one_of(given.get("severity", ""), LEVELS, ""),
        fleet=given.get("fleet", ""),
        runway=given.get("runway", ""),
        tail=given.get("tail", ""),
        rule=given.get("rule", ""),
        origin=given.get("origin", ""),
        text=given.get("text", "").strip(),
        sort=_one_of(given.get("sort", ""), SORTS, "worst"),
        lines=_one_of(given.get("lines", ""), LINES, "together"),
        show=_one_of(given.get("show", ""), SHOWS, ""),
        decided=_one_of(given.get("decided", ""), DECIDED, ""),
        passed=_passed(given.get("passed", "")),
        new=_one_of(given.get("new", ""), ("yes",), ""),
        page=int(given["page"]) if _PAGE.match(given.get("page", "")) else 1,
        event=given.get("event", ""),
    )


def _passed(value: str) -> str:
    return value if value.startswith(GIVEN_TO) else _one_of(value, PASSED, "")


def _one_of(value: str, valid: tuple[str, ...], default: str) -> str:
    return value if value in valid else default
