"""A dashboard with accounts, as its tests ask it: who logs in, every route, every callback, and what each role gets."""

from __future__ import annotations

import re
from typing import Any

from argon2 import PasswordHasher
from dash import Dash
from invented_archive import RULES, FakeArchive
from werkzeug.test import Client, TestResponse

from dashboard import access
from dashboard.app import build
from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ADMINISTRATOR, ROLES, Actor
from fdm.people.store import People

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "seven swans over Korsby"
NAMES = Pseudonyms(b"k" * 32)
NOT_LET_IN = (401, 403)


def with_accounts(people: People) -> People:
    """An account for each role, named after it."""
    for role in ROLES:
        people.accounts.add(f"{role}-1", role, PASSWORD, by=Actor("root", ADMINISTRATOR))
    return people


def dashboard_of(
    people: People, source: Any = None, deployment: Deployment | None = None, rules: Any = RULES, **more: Any
) -> Dash:
    """A dashboard over an archive, an invented one when none is given, and a store of people's work.

    rules    None for those that the archive names
    """
    desk = Desk(lambda: people, access.viewer)
    cards = (lambda _run: rules) if rules else load_rule_cards
    store = Store(source or FakeArchive(landings=60), cards, desk=desk, names=lambda: NAMES)
    return build(store, Door(lambda: people, lambda: True, deployment or Deployment()), **more)


class Browser:
    """One browser: keeps cookies, and shows its token as a page of ours does."""

    def __init__(self, app: Dash, address: str = "127.0.0.1", **environ: Any) -> None:
        self.app = app
        self.client: Client = app.server.test_client()
        self.environ = {"REMOTE_ADDR": address, **environ}

    def get(self, path: str, **more: Any) -> TestResponse:
        with self.client.get(path, environ_overrides=self.environ, **more) as answer:
            answer.get_data()
            return answer

    def post(self, path: str, **more: Any) -> TestResponse:
        with self.client.post(path, environ_overrides=self.environ, **more) as answer:
            answer.get_data()
            return answer

    def cookie(self, name: str) -> str:
        found = self.client.get_cookie(name)
        return found.value if found else ""

    def send(self, path: str, **fields: str) -> TestResponse:
        """Sends a form as the page that holds it would."""
        shown = self.get("/account" if path != "/login" else path).text
        token = re.search(r'name="csrf_token" value="([\w-]+)"', shown)
        return self.post(path, data=fields | {"csrf_token": token.group(1) if token else ""})

    def log_in(self, name: str, password: str = PASSWORD, there: str = "") -> TestResponse:
        """Logs in by the form."""
        return self.send("/login", name=name, password=password, next=there)

    def ask(self, output: str, inputs: Any = None, *, csrf: bool = True, state: Any = None) -> TestResponse:
        """Calls a callback as the page would; every input None where nothing is given."""
        if csrf and not self.cookie("_csrf_token"):
            self.get("/healthz")
            self.get("/account")
        known = self.app.callback_map.get(output, {"inputs": [], "state": []})
        body = {
            "output": output,
            "outputs": outputs_of(output),
            "inputs": inputs if inputs is not None else [one | {"value": None} for one in known["inputs"]],
            "state": state if state is not None else [one | {"value": None} for one in known["state"]],
            "changedPropIds": [],
        }
        headers = {"X-CSRFToken": self.cookie("_csrf_token")} if csrf else {}
        return self.post("/_dash-update-component", json=body, headers=headers)


def outputs_of(output: str) -> Any:
    """The outputs of a callback, as its page names them."""
    if not output.startswith(".."):
        return _output(output)
    return [_output(one) for one in output.strip(".").split("...")]


def _output(one: str) -> dict[str, str]:
    name, _, what = one.partition("@")[0].rpartition(".")
    return {"id": name, "property": what}


def logged_in(app: Dash, role: str) -> Browser:
    """A browser in which somebody of a role is logged in; nobody for ''."""
    browser = Browser(app)
    if role:
        assert browser.log_in(f"{role}-1").status_code == 303
        browser.get("/account")
    return browser


def routes(app: Dash) -> list[tuple[str, str]]:
    """Every route with each method that it takes."""
    return sorted(
        (rule.rule, method)
        for rule in app.server.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    )


def example(rule: str) -> str:
    """An address under a route."""
    known = {"<string:package_name>/<path:fingerprinted_path>": "dash/dash-renderer/build/dash_renderer.min.js"}
    for shape, one in known.items():
        rule = rule.replace(shape, one)
    rule = rule.replace("/assets/<path:filename>", "/assets/1_watch.js")
    return re.sub(r"<int:[^>]*>", "1", re.sub(r"<(?:\w+:)?[^>]*>", "x", rule))


def callbacks(app: Dash) -> list[str]:
    """Every callback that the server answers, by its outputs."""
    return sorted(output for output, known in app.callback_map.items() if "callback" in known)
