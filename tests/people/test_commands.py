"""user, audit, backup and restore at the command line."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import click
import pytest
from argon2 import PasswordHasher
from click.testing import CliRunner, Result

from fdm.people import accounts
from fdm.people.commands import COMMANDS
from fdm.people.errors import PeopleError
from fdm.people.store import People

from .conftest import OFFICER, event
from .test_accounts import PASSWORD


@click.group()
def program() -> None:
    """As the product's own program attaches them."""


for command in COMMANDS:
    program.add_command(command)


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    def quick() -> PasswordHasher:
        return PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)

    monkeypatch.setattr(accounts, "PasswordHasher", quick)
    for name in ("FDM_PEOPLE_URL", "FDM_ARCHIVE"):
        monkeypatch.delenv(name, raising=False)


def run(*arguments: Any, stdin: str | None = None) -> Result:
    return CliRunner().invoke(program, [str(word) for word in arguments], input=stdin, standalone_mode=False)


def said(*arguments: Any, stdin: str | None = None) -> str:
    """What a command that succeeds prints."""
    done = run(*arguments, stdin=stdin)
    assert done.exception is None, done.exception
    return done.output


def refused(*arguments: Any, stdin: str | None = None) -> str:
    """The one sentence of a command that fails."""
    done = run(*arguments, stdin=stdin)
    assert isinstance(done.exception, PeopleError | click.ClickException), done.exception
    return str(done.exception) if isinstance(done.exception, PeopleError) else done.exception.format_message()


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    (tmp_path / "fleet").mkdir()
    return tmp_path / "fleet"


def test_accounts_from_first_to_last(archive: Path) -> None:
    here = ("--archive", archive)
    assert (
        said("user", "add", "ines", "--role", "officer", *here, stdin=PASSWORD) == "ines may now log in as officer.\n"
    )
    with People(f"{archive}.people.sqlite") as people:
        assert people.accounts.is_right("ines", PASSWORD)
        assert not list(archive.iterdir())
    assert said("user", "role", "ines", "analyst", *here) == "ines is analyst from the next login on.\n"
    assert said("user", "password", "ines", *here, stdin="eleven herons at Nordvik\n") == "ines has a new password.\n"
    assert said("user", "disable", "ines", *here) == "ines can no longer log in.\n"
    listed = said("user", "list", *here)
    assert listed.startswith("ines  analyst        since 20")
    assert "disabled since 20" in listed
    said("user", "enable", "ines", *here)
    with People(f"{archive}.people.sqlite") as people:
        assert people.accounts.is_right("ines", "eleven herons at Nordvik")
        log = people.audit.entries()
    assert log["act"].to_list() == ["user enabled", "user disabled", "password changed", "role changed", "user added"]
    assert set(log["role"]) == {"administrator"}
    assert set(log["came_from"]) == {"this machine"}


def test_an_account_for_the_provider_alone_asks_for_no_password(archive: Path) -> None:
    here = ("--archive", archive)
    assert said("user", "add", "zoe", "--role", "captain", "--no-password", *here) == "zoe may now log in as captain.\n"
    with People(f"{archive}.people.sqlite") as people:
        assert not people.accounts.is_right("zoe", "")
        assert people.accounts.known("zoe", where="")


def test_a_password_is_never_an_argument(archive: Path) -> None:
    here = ("--archive", archive)
    assert "unexpected extra argument" in refused("user", "add", "ines", PASSWORD, "--role", "officer", *here).lower()
    assert "No such option" in refused("user", "add", "ines", "--password", PASSWORD, "--role", "officer", *here)
    assert "no password on standard input" in refused("user", "add", "ines", "--role", "officer", *here, stdin="")
    assert "14 characters" in refused("user", "add", "ines", "--role", "officer", *here, stdin="fourteen chars")


def test_looking_never_makes_a_store(archive: Path, tmp_path: Path) -> None:
    for arguments in (["user", "list"], ["audit", "list"], ["audit", "verify"], ["backup", "--out", tmp_path / "b"]):
        assert "no work of people is kept here yet" in refused(*arguments, "--archive", archive)
    assert "is not said" in refused("user", "list")
    assert sorted(tmp_path.iterdir()) == [archive]


def test_the_log_is_listed_and_verified(archive: Path) -> None:
    here, path = ("--archive", archive), f"{archive}.people.sqlite"
    with People(path) as people:
        people.decide(event(), "valid", by=OFFICER, seen=None)
        people.comment(event().event_id, "hm", by=OFFICER)
    lines = said("audit", "list", *here).splitlines()
    assert [line.split("\t")[4] for line in lines] == ["comment", "decision"]
    assert said("audit", "list", "--act", "reveal", *here) == ""
    done = run("audit", "verify", *here)
    assert done.return_value == 0
    head = done.output.split()[-1]
    assert run("audit", "verify", "--head", head, *here).return_value == 0
    connection = sqlite3.connect(path)
    connection.executescript("DROP TRIGGER acts_no_delete; DELETE FROM acts WHERE act_id = 2")
    connection.close()
    done = run("audit", "verify", *here)
    assert done.return_value == 1
    assert "FAULT: what entry 2 wrote was changed or removed" in done.output
    other = f"2:{'0' * 64}"
    assert "FAULT: entry 2 is not the one" in run("audit", "verify", "--head", other, *here).output
    assert "is not NUMBER:HASH" in refused("audit", "verify", "--head", "2", *here)


def test_backup_and_restore(archive: Path, tmp_path: Path) -> None:
    path = f"{archive}.people.sqlite"
    with People(path) as people:
        people.decide(event(), "valid", by=OFFICER, seen=None)
    held = "review acts: 1, rule books: 0, accounts: 0, jobs: 0, log entries: 2"
    assert held in said("backup", "--out", tmp_path / "b.gz", "--archive", archive)
    assert held in said("restore", tmp_path / "b.gz", "--people", tmp_path / "other.sqlite")
    with People(str(tmp_path / "other.sqlite")) as people:
        assert people.current()["verdict"].to_list() == ["valid"]
    assert "there is work in this store" in refused("restore", tmp_path / "b.gz", "--archive", archive)
    assert "The store before it is kept as" in said("restore", tmp_path / "b.gz", "--replace", "--archive", archive)
