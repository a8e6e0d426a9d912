"""user, audit, backup, restore: what an administrator does at the machine itself. Arguments and printing only."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fdm.people.errors import AccountError, StoreError
from fdm.people.location import URL_NAME, people_url
from fdm.people.roles import ADMINISTRATOR, ROLES, at_this_machine

if TYPE_CHECKING:
    from fdm.people.store import People

FAULTS_FOUND = 1
_IN_WORDS = {
    "acts": "review acts",
    "book_versions": "rule books",
    "users": "accounts",
    "jobs": "jobs",
    "audit": "log entries",
}


def _where(command: Callable[..., Any]) -> Callable[..., Any]:
    """--archive and --people: which store."""
    store = click.option(
        "--people",
        "store",
        metavar="URL",
        envvar=URL_NAME,
        show_envvar=True,
        help="The store: a file's path or postgresql://USER@HOST/NAME. Beside the archive when left out.",
    )
    archive = click.option(
        "--archive",
        type=click.Path(path_type=Path, file_okay=False),
        envvar="FDM_ARCHIVE",
        show_envvar=True,
        metavar="DIR",
        help="Folder of the archive whose people's work this is.",
    )
    return store(archive(command))


@contextmanager
def _opened(archive: Path | None, store: str | None, *, there: bool = True) -> Iterator[People]:
    """The store, which must be there already unless it may be made."""
    from fdm.people.store import People

    url = people_url(archive, store)
    if there:
        _must_be_there(url)
    with People(url) as people:
        yield people


def _must_be_there(url: str) -> None:
    if "://" not in url and not Path(url).exists():
        raise StoreError(
            "no work of people is kept here yet",
            source=url,
            cure="Make the first account: fdm user add NAME --role ROLE.",
        )


def _say(text: str) -> None:
    click.echo(text)


@click.group()
def user() -> None:
    """Accounts of those who use the dashboard."""


@user.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(ROLES), required=True, help="What this person may do.")
@click.option("--no-password", is_flag=True, help="For logging in at your company's provider alone.")
@_where
def add(name: str, role: str, no_password: bool, archive: Path | None, store: str | None) -> None:
    """Make an account. The password is asked for, or read as one line from standard input."""
    with _opened(archive, store, there=False) as people:
        people.accounts.add(name, role, None if no_password else _password(), by=at_this_machine(ADMINISTRATOR))
    _say(f"{name} may now log in as {role}.")


@user.command("list")
@_where
def list_users(archive: Path | None, store: str | None) -> None:
    """Every account with its role."""
    with _opened(archive, store) as people:
        table = people.accounts.list()
    width = max((len(name) for name in table["name"]), default=0)
    for row in table.iter_rows(named=True):
        state = f"  disabled since {row['disabled_utc']:%Y-%m-%d}" if row["disabled_utc"] else ""
        _say(f"{row['name']:<{width}}  {row['role']:<13}  since {row['created_utc']:%Y-%m-%d}{state}")
    if table.is_empty():
        _say("No account yet.")


@user.command("disable")
@click.argument("name")
@_where
def disable(name: str, archive: Path | None, store: str | None) -> None:
    """Shut an account and end its sessions. What it did stays."""
    with _opened(archive, store) as people:
        people.accounts.disable(name, by=at_this_machine(ADMINISTRATOR))
    _say(f"{name} can no longer log in.")


@user.command("enable")
@click.argument("name")
@_where
def enable(name: str, archive: Path | None, store: str | None) -> None:
    """Open a disabled account again."""
    with _opened(archive, store) as people:
        people.accounts.enable(name, by=at_this_machine(ADMINISTRATOR))
    _say(f"{name} can log in again.")


@user.command("role")
@click.argument("name")
@click.argument("role", type=click.Choice(ROLES))
@_where
def change_role(name: str, role: str, archive: Path | None, store: str | None) -> None:
    """Give an account another role. Its sessions end."""
    with _opened(archive, store) as people:
        people.accounts.change_role(name, role, by=at_this_machine(ADMINISTRATOR))
    _say(f"{name} is {role} from the next login on.")


@user.command("password")
@click.argument("name")
@_where
def set_password(name: str, archive: Path | None, store: str | None) -> None:
    """Set a new password, asked for or read as one line from standard input. The account's sessions end."""
    with _opened(archive, store) as people:
        people.accounts.set_password(name, _password(), by=at_this_machine(ADMINISTRATOR))
    _say(f"{name} has a new password.")


def _password() -> str:
    """Never an argument, which others on the machine could read."""
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise AccountError("no password on standard input", cure="Type it at the prompt, or pipe in one line.")
    return line


@click.group()
def audit() -> None:
    """Who did what, when and from where."""


@audit.command("list")
@click.option("--newest", type=click.IntRange(1), default=50, show_default=True, help="How many entries.")
@click.option("--act", help="Only one kind of act, such as reveal.")
@click.option("--who", help="Only one person.")
@_where
def list_entries(newest: int, act: str | None, who: str | None, archive: Path | None, store: str | None) -> None:
    """The newest entries, newest first, as lines of tab-separated text."""
    from fdm.people.times import to_text

    with _opened(archive, store) as people:
        table = people.audit.entries(newest=newest, act=act, who=who)
    for row in table.iter_rows(named=True):
        said = [row["entry_id"], to_text(row["at_utc"]), row["who"], row["role"], row["act"], row["subject"]]
        _say("\t".join(str(word) for word in (*said, row["detail"], row["came_from"])))


@audit.command("verify")
@click.option(
    "--head",
    "heads",
    multiple=True,
    metavar="NUMBER:HASH",
    help="A head that was kept elsewhere; entries cut off the end show against it.",
)
@_where
def verify(heads: tuple[str, ...], archive: Path | None, store: str | None) -> int:
    """Check that nothing in the log, or in what it answers for, was changed or removed. Exit status 1 when it was."""
    expected = dict(_head(text) for text in heads)
    with _opened(archive, store) as people:
        found = people.audit.verify(expected=expected)
    for fault in found.faults:
        _say(f"FAULT: {fault}")
    _say(f"{found.entries:,} entries, {len(found.faults)} faults. Head to keep elsewhere: {found.entries}:{found.head}")
    return FAULTS_FOUND if found.faults else 0


def _head(text: str) -> tuple[int, str]:
    number, _, kept = text.partition(":")
    if not number.isdecimal() or len(kept) != 64:
        raise click.BadParameter(f"'{text}' is not NUMBER:HASH, as fdm audit verify prints it.")
    return int(number), kept.lower()


@click.command()
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, metavar="FILE", help="A new file."
)
@_where
def backup(out: Path, archive: Path | None, store: str | None) -> None:
    """Write everything people did into one file. The dashboard may stay in use."""
    from fdm.people.backup import back_up

    url = people_url(archive, store)
    _must_be_there(url)
    kept = back_up(url, out, by=at_this_machine(ADMINISTRATOR))
    _say(f"{out}: {_rows(kept.rows)}. Keep it where only those may read it who may read the reviews.")


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--replace", is_flag=True, help="Put it in the place of a store that holds work, which is kept beside.")
@_where
def restore(file: Path, replace: bool, archive: Path | None, store: str | None) -> int:
    """Put a backup back, into an empty store or a new file. Everybody logs in again afterwards."""
    from fdm.people.backup import restore as put_back

    url = people_url(archive, store)
    done = put_back(file, url, by=at_this_machine(ADMINISTRATOR), replace=replace)
    _say(f"Put back as it was on {done.kept.made_utc}: {_rows(done.kept.rows)}.")
    if done.before:
        _say(f"The store before it is kept as {done.before}.")
    for fault in done.log.faults:
        _say(f"FAULT in the audit log, as backed up: {fault}")
    return FAULTS_FOUND if done.log.faults else 0


@click.command()
@click.option("--archive", type=click.Path(path_type=Path, file_okay=False), required=True, metavar="DIR",
              help="Archive folder.")  # fmt: skip
@click.option("--older-than", "days", type=click.IntRange(1), required=True, metavar="DAYS",
              help="Landings whose touchdown is further back.")  # fmt: skip
@click.option("--dry-run/--apply", default=True, show_default=True, help="Only say what would be done, or do it.")
@click.option(
    "--people", "store", metavar="URL", help=f"Where people's work is kept; else {URL_NAME}, else beside the archive."
)
def retain(archive: Path, days: int, dry_run: bool, store: str | None) -> None:
    """Reduce old landings to measures without identities: no recorded series, aircraft, flight or day is left of them.

    They leave the archive for the folder ARCHIVE.retained, with a pseudonym, the month of touchdown, and the verdicts
    on their events. This cannot be undone. Delete the recordings themselves too.
    """
    from fdm.people.location import key_path
    from fdm.people.pseudonyms import Pseudonyms, load_key
    from fdm.people.retention import retain as reduce
    from fdm.people.times import utc_now

    names = Pseudonyms(load_key(key_path(), archive=archive))
    by = at_this_machine(ADMINISTRATOR)
    with _opened(archive, store, there=False) as people:
        done = reduce(archive, days, people=people, names=names, by=by, now=utc_now(), apply=not dry_run)
    _say(f"{done.landings:,} landings with {done.events:,} events are older than {days} days.")
    if done.undated:
        _say(f"{done.undated:,} landings have no known date and stay as they are.")
    if dry_run:
        _say("Nothing was changed. Back up first, then say --apply; it cannot be undone.")
    elif done.folder:
        _say(f"They are kept as measures in {done.folder}; everything else of them is gone from the archive.")


def _rows(counts: dict[str, int]) -> str:
    """Review acts: 3, accounts: 2, ..."""
    return ", ".join(f"{words}: {counts[name]:,}" for name, words in _IN_WORDS.items() if name in counts)


COMMANDS = (user, audit, backup, restore, retain)
