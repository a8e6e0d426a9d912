"""Who gets what of the dashboard, as it answers, and what is tried against it: python tests/dashboard/access_table.py

Writes dashboard/ACCESS.md; test_gate_access holds that it is true.
"""

from __future__ import annotations

import ast
import sys
import tempfile
from pathlib import Path

from gatehouse import NOT_LET_IN, QUICK, Browser, callbacks, dashboard_of, example, logged_in, routes, with_accounts

from dashboard import app as dashboard_app
from dashboard.deployment import Deployment
from dashboard.gate import CALLBACK
from dashboard.provider_settings import ProviderSettings
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER
from fdm.people.store import People

TOP = Path(__file__).parent.parent.parent
PAGE = TOP / "dashboard" / "ACCESS.md"
WHO = ("", OFFICER, CAPTAIN, ANALYST, ADMINISTRATOR)
HEAD = ("nobody", "officer", "captain", "analyst", "administrator")
TRIED = (
    *("test_gate", "test_gate_provider", "test_gate_id_token", "test_gate_provider_setup", "test_gate_identity"),
    *("test_gate_leaks", "test_gate_office", "test_server", "test_export"),
)
SILENT = ProviderSettings("http://127.0.0.1:9", "watch", "no secret", "a provider")  # is there, and answers nobody
TOLD = """# Who may what

Written by `python tests/dashboard/access_table.py` from what the dashboard answered to each role, and held by a test.
"nobody" is a browser that is not logged in. What an open page shows depends on the role further: an analyst gets
pseudonyms and months, a captain the landings released to debriefing without aircraft, flight, day or (unless released)
month and airfield, an administrator no flight data. Without accounts there is one role, the officer at this machine.
The addresses under `/login/provider` are there when a provider to log in at is set up.

- **yes** let in
- **login** led to the login, as every page does, or told to log in first
- **no** refused
"""


def page() -> str:
    """The whole page."""
    with tempfile.TemporaryDirectory() as folder, People(f"{folder}/people.sqlite", hasher=QUICK) as people:
        app = dashboard_of(with_accounts(people), deployment=Deployment(provider=SILENT))
        browsers = [logged_in(app, role) for role in WHO]
        parts = [
            TOLD,
            "## Pages\n",
            _table("Page", [(_shown(p.path), [_page(b, p.path) for b in browsers]) for p in dashboard_app.PAGES]),
            "## Addresses\n",
            _table("Address", [(f"{m} {r}", [_route(b, r, m) for b in browsers]) for r, m in _own_routes(app)]),
            "## Parts of pages\n",
            _table("Part", [(_named(one), [_callback(b, one) for b in browsers]) for one in callbacks(app)]),
            "## What is tried against it\n\nEach line is a test in `tests/dashboard/`.\n",
            "\n".join(_tried()),
        ]
    return "\n".join(parts) + "\n"


def _own_routes(app) -> list[tuple[str, str]]:
    return [(rule, method) for rule, method in routes(app) if rule != CALLBACK and rule != "/logout"]


def _shown(path: str) -> str:
    return f"{path}…" if path.endswith("/") and path != "/" else path


def _named(output: str) -> str:
    return ", ".join(one.partition("@")[0] for one in output.strip(".").split("..."))


def _table(first: str, rows: list[tuple[str, list[str]]]) -> str:
    lines = [f"| {first} | {' | '.join(HEAD)} |", f"| --- |{' --- |' * len(HEAD)}"]
    return "\n".join([*lines, *(f"| `{name}` | {' | '.join(said)} |" for name, said in rows)]) + "\n"


def _page(browser: Browser, path: str) -> str:
    answer = browser.ask("page.children", [{"id": "address", "property": "pathname", "value": path}])
    if answer.status_code in NOT_LET_IN:
        return "login"
    return "no" if "not open to the role" in answer.text else "yes"


def _route(browser: Browser, rule: str, method: str) -> str:
    if method == "GET":
        answer = browser.get(example(rule))
    else:
        answer = browser.post(example(rule), data={"csrf_token": browser.cookie("_csrf_token")})
    if (answer.status_code == 401 and "Log in first" in answer.text) or _to_login(answer.headers.get("Location", "")):
        return "login"
    return "no" if answer.status_code == 403 else "yes"


def _to_login(location: str) -> bool:
    return location.startswith("/login")


def _callback(browser: Browser, output: str) -> str:
    status = browser.ask(output).status_code
    return {401: "login", 403: "no"}.get(status, "yes")


def _tried() -> list[str]:
    """The tests' names as sentences, by file."""
    lines = []
    for name in TRIED:
        path = Path(__file__).with_name(f"{name}.py")
        if not path.exists():
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        lines += [f"\n`{name}.py`\n"]
        lines += [
            f"- {_sentence(node.name)}"
            for node in tree.body
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
        ]
    return lines


def _sentence(name: str) -> str:
    words = name.removeprefix("test_").replace("_s_", "'s ").replace("_", " ")
    return words[0].upper() + words[1:]


if __name__ == "__main__":
    sys.path.insert(0, str(TOP))
    PAGE.write_text(page(), encoding="utf-8")
