"""Who may do what. Whatever is not listed here is refused."""

from __future__ import annotations

import getpass
from dataclasses import dataclass

from fdm.people.errors import NotAllowed

OFFICER, CAPTAIN, ANALYST, ADMINISTRATOR = "officer", "captain", "analyst", "administrator"
ROLES = (OFFICER, CAPTAIN, ANALYST, ADMINISTRATOR)
HERE = "this machine"

# Every kind of entry in the audit log, and the roles that may cause one.
MAY: dict[str, frozenset[str]] = {
    "decision": frozenset({OFFICER}),
    "reopening": frozenset({OFFICER}),
    "undo": frozenset({OFFICER}),
    "assignment": frozenset({OFFICER}),
    "referral": frozenset({OFFICER}),
    "release": frozenset({OFFICER}),
    "debriefing": frozenset({OFFICER, CAPTAIN}),
    "snooze": frozenset({OFFICER}),
    "comment": frozenset({OFFICER, CAPTAIN, ANALYST}),
    "reveal": frozenset({OFFICER}),
    "export": frozenset({OFFICER, ANALYST}),
    "rule book saved": frozenset({OFFICER, ANALYST}),
    "job asked": frozenset({OFFICER, ANALYST}),
    "job cancelled": frozenset({OFFICER, ANALYST}),
    "login": frozenset(ROLES),
    "failed login": frozenset({""}),
    "logout": frozenset(ROLES),
    "user added": frozenset({ADMINISTRATOR}),
    "user disabled": frozenset({ADMINISTRATOR}),
    "user enabled": frozenset({ADMINISTRATOR}),
    "role changed": frozenset({ADMINISTRATOR}),
    "password changed": frozenset(ROLES),
    "sessions ended": frozenset({ADMINISTRATOR}),
    "backup": frozenset({ADMINISTRATOR}),
    "restore": frozenset({ADMINISTRATOR}),
    "retention": frozenset({OFFICER, ADMINISTRATOR}),
    "audit read": frozenset({OFFICER, ADMINISTRATOR}),
}


@dataclass(frozen=True)
class Actor:
    """A person at work: user name, role, and where from (an address, or "this machine")."""

    name: str
    role: str
    where: str = HERE


def at_this_machine(role: str) -> Actor:
    """Whoever is logged in on this machine, acting in a role: one local user, or the command line."""
    try:
        name = getpass.getuser()
    except (KeyError, OSError):  # a user without a name, as in some containers
        name = "local"
    return Actor(name, role)


def require(actor: Actor, act: str) -> None:
    """NotAllowed unless the actor's role may do this."""
    if actor.role not in MAY.get(act, frozenset()):
        allowed = " or ".join(sorted(MAY.get(act, frozenset()))) or "nobody"
        raise NotAllowed(
            f"{actor.name} is {actor.role or 'not logged in'}; this ({act}) is for {allowed}",
            cure="Ask somebody who holds that role.",
        )
