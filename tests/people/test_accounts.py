"""Accounts and sessions: who comes in, for how long, and what the log keeps of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from argon2 import PasswordHasher, extract_parameters
from sqlalchemy import select

from fdm.people.accounts import DAY, IDLE, NOBODY
from fdm.people.errors import AccountError, NotAllowed
from fdm.people.roles import MAY, ROLES, Actor, at_this_machine, require
from fdm.people.store import People
from fdm.people.tables import sessions, users

from .conftest import ADMINISTRATOR, OFFICER, Watch

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "seven swans over Korsby"
DESK = "192.0.2.7"


@pytest.fixture
def office(url: str, opened: Callable[..., People]) -> People:
    """A store with one account, Ines's, and a quick hash."""
    people = opened(url, hasher=QUICK)
    people.accounts.add("Ines", "officer", PASSWORD, by=ADMINISTRATOR)
    return people


def test_a_session_is_who_and_as_what(office: People) -> None:
    session = office.accounts.log_in(" INES ", PASSWORD, where=DESK)
    assert session.actor == Actor("ines", "officer", DESK)
    assert office.accounts.who(session.token, where=DESK) == session.actor
    assert office.accounts.who("guess", where=DESK) is None


@pytest.mark.parametrize("password", ["", PASSWORD.upper(), PASSWORD[:-1], PASSWORD + " ", "half \ud83d", "x" * 10_000])
def test_a_wrong_password_and_an_unknown_user_sound_the_same(office: People, password: str) -> None:
    said = set()
    for name in ("ines", "nobody", "'; DROP TABLE users", "a" * 500):
        with pytest.raises(AccountError) as caught:
            office.accounts.log_in(name, password, where=DESK)
        said.add(str(caught.value))
    assert said == {"the user name or the password is wrong"}
    log = office.audit.entries(act="failed login")
    assert log["who"].to_list() == [NOBODY] * 3 + ["ines"]
    assert set(log["came_from"]) == {DESK}
    assert "DROP" not in str(log.to_dicts())


def test_nothing_kept_gives_a_password_or_a_session_away(office: People) -> None:
    session = office.accounts.log_in("ines", PASSWORD, where=DESK)
    kept = office.database.read(lambda c: [*c.execute(select(users)).all(), *c.execute(select(sessions)).all()])
    assert PASSWORD not in str(kept)
    assert session.token not in str(kept)
    assert session.token not in str(office.audit.entries().to_dicts())
    assert "$argon2id$" in str(kept)


def test_passwords_that_look_the_same_are_the_same(office: People) -> None:
    office.accounts.add("zoe", "captain", "Flugh\u00f6he null, bitte", by=ADMINISTRATOR)
    assert office.accounts.is_right("zoe", "Flugho\u0308he null, bitte")


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("fourteen chars", "14 characters"),
        ("x" * 257, "257 characters"),
        ("aaaaaaaaaaaaaaaabbbb", "easy to guess"),
        ("my name is Jorge, hi", "easy to guess"),
    ],
)
def test_poor_passwords_are_refused(office: People, password: str, says: str) -> None:
    with pytest.raises(AccountError, match=says):
        office.accounts.add("jorge", "captain", password, by=ADMINISTRATOR)
    assert office.accounts.list()["name"].to_list() == ["ines"]


@pytest.mark.parametrize("name", ["", "a b", "-x", "x" * 65, "näme", "a\0"])
def test_what_cannot_be_a_user_name(office: People, name: str) -> None:
    with pytest.raises(AccountError, match="cannot be a user name"):
        office.accounts.add(name, "captain", PASSWORD, by=ADMINISTRATOR)


def test_a_taken_name_a_strange_role_an_unknown_user(office: People) -> None:
    with pytest.raises(AccountError, match="taken"):
        office.accounts.add("ines", "captain", PASSWORD, by=ADMINISTRATOR)
    with pytest.raises(AccountError, match=r"no role 'ofcer'\. Did you mean 'officer'"):
        office.accounts.add("jorge", "ofcer", PASSWORD, by=ADMINISTRATOR)
    with pytest.raises(AccountError, match=r"no such user\. Did you mean 'ines'"):
        office.accounts.disable("inez", by=ADMINISTRATOR)


def test_only_administrators_change_accounts(office: People) -> None:
    for call in (
        lambda: office.accounts.add("jorge", "administrator", PASSWORD, by=OFFICER),
        lambda: office.accounts.change_role("ines", "administrator", by=OFFICER),
        lambda: office.accounts.disable("ines", by=OFFICER),
        lambda: office.accounts.set_password("ines", "x" * 20, by=Actor("jorge", "officer")),
    ):
        with pytest.raises(NotAllowed):
            call()
    assert office.audit.entries(newest=1)["act"].to_list() == ["user added"]


def test_everybody_may_change_their_own_password(office: People) -> None:
    office.accounts.set_password("ines", "eleven herons at Nordvik", by=Actor("ines", "officer"))
    assert office.accounts.is_right("ines", "eleven herons at Nordvik")
    assert not office.accounts.is_right("ines", PASSWORD)


@pytest.mark.parametrize("change", ["disable", "change_role", "set_password", "end_sessions"])
def test_a_changed_account_ends_its_sessions(office: People, change: str) -> None:
    session = office.accounts.log_in("ines", PASSWORD, where=DESK)
    more = {"change_role": ["captain"], "set_password": ["eleven herons at Nordvik"]}.get(change, [])
    getattr(office.accounts, change)("ines", *more, by=ADMINISTRATOR)
    assert office.accounts.who(session.token, where=DESK) is None


def test_a_disabled_account_does_not_come_in_until_enabled(office: People) -> None:
    office.accounts.disable("ines", by=ADMINISTRATOR)
    with pytest.raises(AccountError, match="wrong"):
        office.accounts.log_in("ines", PASSWORD, where=DESK)
    assert office.accounts.list()["disabled_utc"].null_count() == 0
    office.accounts.enable("ines", by=ADMINISTRATOR)
    assert office.accounts.log_in("ines", PASSWORD, where=DESK).actor.role == "officer"


def test_a_session_ends_after_a_pause_and_at_the_end_of_its_day(office: People, watch: Watch) -> None:
    session = office.accounts.log_in("ines", PASSWORD, where=DESK)
    begun = watch.at
    while watch.at + IDLE / 2 < begun + DAY:
        watch.at += IDLE / 2
        assert office.accounts.who(session.token, where=DESK), watch.at
    watch.at = begun + DAY
    assert office.accounts.who(session.token, where=DESK) is None
    second = office.accounts.log_in("ines", PASSWORD, where=DESK)
    watch.at += IDLE - timedelta(seconds=30)
    assert office.accounts.who(second.token, where=DESK)
    watch.at += IDLE
    assert office.accounts.who(second.token, where=DESK) is None


def test_ended_sessions_are_not_kept(office: People, watch: Watch) -> None:
    office.accounts.log_in("ines", PASSWORD, where=DESK)
    watch.at += DAY
    office.accounts.log_in("ines", PASSWORD, where=DESK)
    assert len(office.database.read(lambda c: c.execute(select(sessions)).all())) == 1


def test_logging_out_ends_this_session_only(office: People) -> None:
    first, second = (office.accounts.log_in("ines", PASSWORD, where=DESK) for _ in range(2))
    office.accounts.log_out(first.token, where=DESK)
    office.accounts.log_out(first.token, where=DESK)
    assert office.accounts.who(first.token, where=DESK) is None
    assert office.accounts.who(second.token, where=DESK)
    assert office.audit.entries()["act"].to_list() == ["logout", "login", "login", "user added"]


def test_an_account_without_a_password_is_opened_by_none(office: People) -> None:
    office.accounts.add("zoe", "captain", None, by=ADMINISTRATOR)
    for password in ("", "None", PASSWORD):
        with pytest.raises(AccountError):
            office.accounts.log_in("zoe", password, where=DESK)
    assert office.accounts.log_in_proved("zoe", where=DESK, by="https://login.example.org").actor.role == "captain"
    assert "none" in office.audit.entries(act="user added")["detail"][0]


def test_a_name_proved_elsewhere_begins_a_session_and_the_log_says_by_whom(office: People) -> None:
    session = office.accounts.log_in_proved("ines", where=DESK, by="https://login.example.org")
    assert office.accounts.who(session.token, where=DESK) == Actor("ines", "officer", DESK)
    (entry,) = office.audit.entries(act="login").to_dicts()
    assert (entry["who"], entry["came_from"]) == ("ines", DESK)
    assert "https://login.example.org" in entry["detail"]


@pytest.mark.parametrize("name", ["nobody", "Ines", " ines", "ines ", "\u0131nes", "", "ines\n", "x" * 500])
def test_a_proved_name_that_is_no_account_letter_for_letter_makes_none(office: People, name: str) -> None:
    with pytest.raises(AccountError, match="there is no account"):
        office.accounts.log_in_proved(name, where=DESK, by="https://login.example.org")
    assert office.accounts.list().height == 1
    (entry,) = office.audit.entries(act="failed login").to_dicts()
    assert (entry["who"], entry["came_from"]) == (NOBODY, DESK)
    assert "no such account" in entry["detail"]


def test_a_proved_name_does_not_open_a_shut_account(office: People) -> None:
    office.accounts.disable("ines", by=ADMINISTRATOR)
    with pytest.raises(AccountError, match="the account 'ines' is shut"):
        office.accounts.log_in_proved("ines", where=DESK, by="https://login.example.org")
    (entry,) = office.audit.entries(act="failed login").to_dicts()
    assert (entry["who"], "the account is shut" in entry["detail"]) == ("ines", True)


def test_a_password_is_hashed_anew_when_the_cost_rises(office: People, url: str, opened: Callable[..., People]) -> None:
    dearer = opened(url, hasher=PasswordHasher(time_cost=2, memory_cost=16, parallelism=1))
    dearer.accounts.log_in("ines", PASSWORD, where=DESK)
    kept = dearer.database.read(lambda c: c.scalar(select(users.c.password_hash)))
    assert extract_parameters(str(kept)).memory_cost == 16
    assert dearer.accounts.is_right("ines", PASSWORD)


def test_before_the_first_account_there_is_none(people: People, office: People) -> None:
    assert not people.accounts.none_yet()
    people.accounts.disable("ines", by=ADMINISTRATOR)
    assert not people.accounts.none_yet()


def test_whatever_is_not_listed_is_refused() -> None:
    for role in (*ROLES, "", "root"):
        with pytest.raises(NotAllowed, match="for nobody"):
            require(Actor("x", role), "anything else")
    assert {role for may in MAY.values() for role in may} <= {*ROLES, ""}
    assert at_this_machine("administrator").role == "administrator"
