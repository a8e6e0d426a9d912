"""The table of who may what is what the dashboard answers."""

from __future__ import annotations

import access_table


def test_the_table_of_access_is_true():
    said = access_table.PAGE.read_text(encoding="utf-8")
    again = "Write it anew: PYTHONPATH=. python tests/dashboard/access_table.py"
    assert said.splitlines() == access_table.page().splitlines(), again


def test_the_table_opens_nothing_to_nobody_but_the_login():
    rows = [line for line in access_table.PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("| `")]
    assert len(rows) > 40
    open_to_nobody = {line.split("`")[1] for line in rows if line.split("|")[2].strip() == "yes"}
    assert open_to_nobody == {
        "GET /login",
        "POST /login",
        "GET /login/provider",
        "GET /login/provider/back",
        "GET /login/style.css",
        "GET /login/theme.js",
        "GET /healthz",
    }
