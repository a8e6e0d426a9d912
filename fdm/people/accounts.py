"""Accounts: who may come in, as what; and the sessions of those who did.

A password is kept as its argon2id hash, a session as the hash of its token. A session ends when it was not used for a
while, when its day is over, and when the account changes: password, role, disabled, or "end every session".
"""

from __future__ import annotations

import hashlib
import re
import secrets
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Connection, delete, func, insert, or_, select, update

from fdm.errors import nearest
from fdm.people.database import Database
from fdm.people.errors import AccountError, NotAllowed
from fdm.people.ledger import Deed, Ledger
from fdm.people.roles import ADMINISTRATOR, ROLES, Actor, require
from fdm.people.rows import read_frame
from fdm.people.tables import sessions, users
from fdm.people.times import Clock, to_text, to_time
from fdm.schemas import UTC

USER_NAME = re.compile(r"[a-z0-9][a-z0-9._@-]{0,63}")
SHORTEST = 15  # characters of a password that is the only proof: NIST SP 800-63B-4, 3.1.1.2 (from memory)
LONGEST = 256
DAY = timedelta(hours=12)  # the longest session
IDLE = timedelta(hours=2)  # the longest pause in one
NOTED_AFTER = timedelta(minutes=1)  # a use is written down once a minute at the most
NOBODY = "(no such user)"
USERS: dict[str, Any] = {
    "name": pl.String,
    "role": pl.String,
    "created_utc": UTC,
    "changed_utc": UTC,
    "disabled_utc": UTC,
}


@dataclass(frozen=True)
class Session:
    """Somebody logged in: the token for their browser, who they are, when it ends at the latest."""

    token: str
    actor: Actor
    ends_utc: datetime


class Accounts:
    """The accounts of one store. Changes are for administrators and stand in the audit log."""

    def __init__(self, database: Database, ledger: Ledger, clock: Clock, hasher: PasswordHasher | None = None):
        self._database = database
        self._ledger = ledger
        self._clock = clock
        self._hasher = hasher or PasswordHasher()
        self._decoy = ""  # the hash of nobody's password, made when first needed

    def add(self, name: str, role: str, password: str | None, *, by: Actor) -> None:
        """A new account; without a password it is for those whose name is proved elsewhere.

        raises    AccountError for a name that is taken or cannot be one, a role, or a poor password
        """
        require(by, "user added")
        name, role = _name(name), _role(role)
        # What nobody knows takes as long to refuse as any other password.
        hashed = self._hasher.hash(secrets.token_hex(32)) if password is None else self._hashed(password, name)
        detail = {"role": role} | ({"password": "none"} if password is None else {})

        def work(connection: Connection) -> Deed:
            if _row(connection, name) is not None:
                raise AccountError("this user name is taken", source=name, cure="Enable it, or choose another.")
            now = to_text(self._clock())
            said = {"name": name, "role": role, "password_hash": hashed, "epoch": 0}
            connection.execute(insert(users), said | {"created_utc": now, "changed_utc": now, "disabled_utc": None})
            return Deed(name, detail)

        self._ledger.perform(by, "user added", work)

    def disable(self, name: str, *, by: Actor) -> None:
        """Shut an account and end its sessions; what it did stays."""
        self._change(by, "user disabled", name, lambda now: {"disabled_utc": now})

    def enable(self, name: str, *, by: Actor) -> None:
        """Open a disabled account again."""
        self._change(by, "user enabled", name, lambda _now: {"disabled_utc": None})

    def change_role(self, name: str, role: str, *, by: Actor) -> None:
        """Give an account another role and end its sessions."""
        role = _role(role)
        self._change(by, "role changed", name, lambda _now: {"role": role}, role=role)

    def set_password(self, name: str, password: str, *, by: Actor) -> None:
        """A new password: for one's own account, or by an administrator. Its sessions end."""
        name = _name(name)
        if name != by.name and by.role != ADMINISTRATOR:
            raise NotAllowed("a password is changed by its owner or an administrator")
        hashed = self._hashed(password, name)
        self._change(by, "password changed", name, lambda _now: {"password_hash": hashed})

    def end_sessions(self, name: str, *, by: Actor) -> None:
        """End every session of an account."""
        self._change(by, "sessions ended", name, lambda _now: {})

    def _change(
        self, by: Actor, act: str, name: str, values: Callable[[str], Mapping[str, Any]], **detail: Any
    ) -> None:
        name = _name(name)

        def work(connection: Connection) -> Deed:
            _known(connection, name)
            now = to_text(self._clock())
            said = {**values(now), "changed_utc": now, "epoch": users.c.epoch + 1}
            connection.execute(update(users).where(users.c.name == name).values(said))
            return Deed(name, detail)

        self._ledger.perform(by, act, work)

    def list(self) -> pl.DataFrame:
        """Every account (USERS), by name."""
        query = select(*(users.c[column] for column in USERS)).order_by(users.c.name)
        return read_frame(self._database, query, USERS)

    def none_yet(self) -> bool:
        """True before the first account: one local user, on this machine alone."""
        query = select(func.count()).select_from(users)
        return self._database.read(lambda connection: connection.scalar(query)) == 0

    def is_right(self, name: str, password: str) -> bool:
        """Whether this is the account's password now; False also for an account that is disabled or not there."""
        row = self._database.read(lambda connection: _row(connection, name.strip().lower()))
        return self._matches(row, password)

    def log_in(self, name: str, password: str, *, where: str) -> Session:
        """A session for the right password; AccountError, which does not say what was wrong. The log keeps both."""
        asked = name.strip().lower()
        row = self._database.read(lambda connection: _row(connection, asked))
        if row is None or not self._matches(row, password):
            # What was typed as a name is not kept when it is none: it may be a password.
            self.refused(where=where, name=row["name"] if row else NOBODY)
            raise AccountError("the user name or the password is wrong")

        def hash_anew(connection: Connection) -> None:
            if self._hasher.check_needs_rehash(row["password_hash"]):
                stronger = self._hasher.hash(_normal(password))
                connection.execute(update(users).where(users.c.name == asked).values(password_hash=stronger))

        return self._begin(row, where, also=hash_anew)

    def log_in_proved(self, name: str, *, where: str, by: str) -> Session:
        """A session for somebody whose name was proved elsewhere, letter for letter that of an account here.

        by        who proved it; stands in the log
        raises    AccountError without such an account, or when it is shut. The log keeps both
        """
        row = self._database.read(lambda connection: _row(connection, name))
        if row is None:
            self.refused(where=where, by=by, why="no such account", named=name[:100])
            raise AccountError(f"there is no account '{name[:100]}' here", cure="Ask an administrator to make it.")
        if row["disabled_utc"] is not None:
            self.refused(where=where, name=name, by=by, why="the account is shut")
            raise AccountError(f"the account '{name}' is shut", cure="Ask an administrator to open it.")
        return self._begin(row, where, by=by)

    def refused(self, *, where: str, name: str = NOBODY, **why: str) -> None:
        """Write down that somebody was not let in.

        name    the account, when it is one of ours
        why     what goes into the entry
        """
        self._ledger.record(Actor(name, "", where), "failed login", "", **why)

    def _begin(
        self, row: Mapping[str, Any], where: str, *, also: Callable[[Connection], None] | None = None, **detail: str
    ) -> Session:
        """A session of an account that was read just now; nothing when it was changed meanwhile."""
        token, actor = secrets.token_urlsafe(32), Actor(row["name"], row["role"], where)
        started = self._clock()

        def work(connection: Connection) -> Deed:
            if _row(connection, actor.name) != row:
                raise AccountError("this account was changed just now", cure="Log in again.")
            if also:
                also(connection)
            self._forget_ended(connection)
            now = to_text(started)
            session = {"key": _key(token), "name": actor.name, "epoch": row["epoch"], "came_from": where}
            connection.execute(insert(sessions), session | {"created_utc": now, "seen_utc": now})
            return Deed(actor.name, detail)

        self._ledger.perform(actor, "login", work)
        return Session(token, actor, started + DAY)

    def known(self, name: str, *, where: str) -> Actor | None:
        """Somebody whose name was proved elsewhere, None when they have no account here, or a disabled one."""
        row = self._database.read(lambda connection: _row(connection, name.strip().lower()))
        return Actor(row["name"], row["role"], where) if row and row["disabled_utc"] is None else None

    def who(self, token: str, *, where: str) -> Actor | None:
        """Whose session this is, None when it has ended or never was."""
        now = self._clock()
        query = (
            select(sessions, users.c.role)
            .join(users, (sessions.c.name == users.c.name) & (sessions.c.epoch == users.c.epoch))
            .where(sessions.c.key == _key(token), users.c.disabled_utc.is_(None))
        )
        row = self._database.read(lambda connection: connection.execute(query).first())
        if row is None or now - to_time(row.created_utc) >= DAY or now - to_time(row.seen_utc) >= IDLE:
            return None
        if now - to_time(row.seen_utc) >= NOTED_AFTER:
            noted = update(sessions).where(sessions.c.key == row.key).values(seen_utc=to_text(now))
            self._database.write(lambda connection: connection.execute(noted))
        return Actor(row.name, row.role, where)

    def log_out(self, token: str, *, where: str) -> None:
        """End this session; nothing happens when it has ended."""
        actor = self.who(token, where=where)
        if actor is None:
            return

        def work(connection: Connection) -> Deed:
            connection.execute(delete(sessions).where(sessions.c.key == _key(token)))
            return Deed(actor.name)

        self._ledger.perform(actor, "logout", work)

    def _forget_ended(self, connection: Connection) -> None:
        now = self._clock()
        over = or_(sessions.c.created_utc <= to_text(now - DAY), sessions.c.seen_utc <= to_text(now - IDLE))
        connection.execute(delete(sessions).where(over))

    def _hashed(self, password: str, name: str) -> str:
        said = _normal(password)
        if not SHORTEST <= len(said) <= LONGEST:
            raise AccountError(
                f"the password has {len(said)} characters",
                cure=f"Use {SHORTEST} to {LONGEST}; a few words in a row are easy to keep in mind.",
            )
        if name in said.lower() or len(set(said)) < 5:
            raise AccountError("this password is easy to guess", cure="Use words that have nothing to do with you.")
        return self._hasher.hash(said)

    def _matches(self, row: Mapping[str, Any] | None, password: str) -> bool:
        """Takes as long for an account that is not there as for a wrong password."""
        self._decoy = self._decoy or self._hasher.hash(secrets.token_hex(16))
        try:
            self._hasher.verify(row["password_hash"] if row else self._decoy, _normal(password))
        except (VerificationError, InvalidHashError, UnicodeEncodeError):
            return False
        return row is not None and row["disabled_utc"] is None


def _normal(password: str) -> str:
    """One form for what looks the same, whichever keyboard typed it: NIST SP 800-63B-4, 3.1.1.2 (from memory)."""
    return unicodedata.normalize("NFC", password[: 4 * LONGEST])


def _key(token: str) -> str:
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


def _name(text: str) -> str:
    name = text.strip().lower()
    if not USER_NAME.fullmatch(name):
        raise AccountError(
            "this cannot be a user name",
            source=repr(text),
            cure="Use up to 64 letters a to z, digits, dots, hyphens, underscores or @.",
        )
    return name


def _role(text: str) -> str:
    if text not in ROLES:
        raise AccountError(f"there is no role {text!r}", cure=nearest(text, ROLES))
    return text


def _row(connection: Connection, name: str) -> Mapping[str, Any] | None:
    row = connection.execute(select(users).where(users.c.name == name)).first() if USER_NAME.fullmatch(name) else None
    return row._asdict() if row else None


def _known(connection: Connection, name: str) -> Mapping[str, Any]:
    row = _row(connection, name)
    if row is None:
        names = connection.execute(select(users.c.name)).scalars().all()
        raise AccountError("there is no such user", source=name, cure=nearest(name, names) if names else None)
    return row
