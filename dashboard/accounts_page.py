"""Accounts, for administrators: who may come in, as what. Made whole on the server."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from flask import Flask, g, redirect, request
from markupsafe import Markup

from dashboard import plain
from dashboard.access import open_to, viewer
from dashboard.door import Door
from dashboard.pages import frame
from fdm.people.accounts import SHORTEST, Accounts
from fdm.people.errors import PeopleError
from fdm.people.roles import ROLES, Actor

Form = Callable[[Accounts, str, Actor], str]
HEADS = ("User name", "Role", "Since", "State", "Change")


def register(server: Flask, door: Door) -> None:
    """The route of the page."""
    provider = door.deployment.provider
    page = partial(accounts_page, provider=provider.name if provider else "")

    @server.route("/accounts", methods=["GET", "POST"], endpoint="accounts")
    @open_to(*frame.WHOLE["/accounts"])
    def accounts() -> Any:
        if not g.asks:
            return redirect("/")
        if request.method == "GET":
            return page(door.people.accounts)
        try:
            return page(door.people.accounts, said=_done(door.people.accounts))
        except PeopleError as error:
            return page(door.people.accounts, problem=f"Nothing was changed: {error}"), 400


def _done(accounts: Accounts) -> str:
    """Does what the form asks, and says what was done."""
    name, act = request.form.get("name", ""), request.form.get("act", "")
    if act not in ACTS:
        return "Nothing was asked for."
    return ACTS[act](accounts, name, viewer())


def _added(accounts: Accounts, name: str, by: Actor) -> str:
    role = request.form.get("role", "")
    accounts.add(name, role, request.form.get("password", ""), by=by)
    return f"{name} may now log in as {role}. Tell them to change the password."


def _added_without_password(accounts: Accounts, name: str, by: Actor) -> str:
    role = request.form.get("role", "")
    accounts.add(name, role, None, by=by)
    return f"{name} may now log in at the provider as {role}."


def _role(accounts: Accounts, name: str, by: Actor) -> str:
    accounts.change_role(name, request.form.get("role", ""), by=by)
    return f"{name} is {request.form.get('role', '')} from the next login on."


def _password(accounts: Accounts, name: str, by: Actor) -> str:
    accounts.set_password(name, request.form.get("password", ""), by=by)
    return f"{name} has a new password and is logged out everywhere."


def _disabled(accounts: Accounts, name: str, by: Actor) -> str:
    if name == by.name:
        return "Your own account stays open: another administrator shuts it."
    accounts.disable(name, by=by)
    return f"{name} can no longer log in. What {name} did stays."


def _enabled(accounts: Accounts, name: str, by: Actor) -> str:
    accounts.enable(name, by=by)
    return f"{name} can log in again."


def _ended(accounts: Accounts, name: str, by: Actor) -> str:
    accounts.end_sessions(name, by=by)
    return f"{name} is logged out everywhere."


ACTS: dict[str, Form] = {
    "add": _added,
    "add without password": _added_without_password,
    "role": _role,
    "password": _password,
    "disable": _disabled,
    "enable": _enabled,
    "end": _ended,
}


def accounts_page(accounts: Accounts, said: str = "", problem: str = "", *, provider: str = "") -> str:
    """Every account, and a form for a new one; another for one that logs in at a provider alone, when it has a name."""
    rows = [_row(row) for row in accounts.list().iter_rows(named=True)]
    new = Markup("{}{}{}{}").format(
        plain.field("name", "User name"),
        plain.choice("role", "Role", ROLES, "analyst"),
        plain.field("password", f"Password, {SHORTEST} characters or more", "password", fills="new-password"),
        plain.button("Add", name="act", value="add", css="primary"),
    )
    inside = Markup("{}{}<h2><b>New account</b></h2>{}{}").format(
        plain.told(said, problem),
        plain.table(HEADS, rows),
        plain.form("/accounts", new, css="inline-form"),
        _new_at(provider) if provider else "",
    )
    return plain.page("Accounts", inside, frame.places())


def _new_at(provider: str) -> Markup:
    fields = Markup("{}{}{}").format(
        plain.field("name", "User name, as the provider tells it"),
        plain.choice("role", "Role", ROLES, "analyst"),
        plain.button("Add", name="act", value="add without password", css="primary"),
    )
    return Markup("<h2><b>New account that logs in with {} alone</b></h2>{}").format(
        provider, plain.form("/accounts", fields, css="inline-form")
    )


def _row(row: dict[str, Any]) -> list[Markup | str]:
    shut = row["disabled_utc"] is not None
    return [
        row["name"],
        row["role"],
        f"{row['created_utc']:%-d %b %Y}",
        f"shut since {row['disabled_utc']:%-d %b %Y}" if shut else "open",
        Markup("<details><summary>Change</summary>{}{}{}</details>").format(
            _form(row["name"], plain.choice("role", "Role", ROLES, row["role"]), ("role", "Change role")),
            _form(
                row["name"],
                plain.field("password", "New password", "password", fills="new-password"),
                ("password", "Set password"),
            ),
            _form(
                row["name"],
                Markup(""),
                ("enable", "Open again") if shut else ("disable", "Shut"),
                ("end", "Log out everywhere"),
            ),
        ),
    ]


def _form(name: str, fields: Markup, *acts: tuple[str, str]) -> Markup:
    inside = Markup('<input type="hidden" name="name" value="{}">{}{}').format(
        name, fields, Markup("").join(plain.button(text, name="act", value=act) for act, text in acts)
    )
    return plain.form("/accounts", inside, css="inline-form")
