"""Exports: what stands in the list, logged first, and nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import json

import polars as pl
import pytest
from invented_archive import RULES

from dashboard import export
from dashboard.app import build
from dashboard.desk import Desk
from dashboard.pages import decision
from dashboard.query import Query
from dashboard.store import Store
from fdm.exporting import encoded
from fdm.people.errors import StoreError
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People


@pytest.fixture
def path(tmp_path):
    return tmp_path / "rollouts.people.sqlite"


@pytest.fixture
def kept(archive, path):
    desk = Desk(lambda: People(str(path)), lambda: Actor("vera", OFFICER))
    yield Store(archive, lambda _run: RULES, desk=desk)
    desk.close()


@pytest.fixture
def client(kept):
    return build(kept).server.test_client()


def log(path):
    with People(str(path)) as people:
        return people.audit.entries(act="export")


def rows(answer):
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))


def test_the_filtered_list_comes_as_csv_with_what_was_decided(client, kept, held, path):
    event = held.events.filter(pl.col("rule") == "slow_transit").row(0, named=True)
    asked = {"act": "decide", "event": event["event_id"], "verdict": "nuisance", "reason": "Brief", "seen": ""}
    assert decision.done(kept, asked | {"token": "t1"})["problem"] == ""
    answer = client.get("/export/events.csv?week=all&rule=slow_transit")
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="events-all-weeks.csv"'
    assert answer.headers["Cache-Control"] == "no-store"
    found = rows(answer)
    wanted = held.events.filter(pl.col("rule") == "slow_transit")
    assert [row["event_id"] for row in found] == wanted["event_id"].to_list()
    assert [float(row["value"]) for row in found] == pytest.approx(wanted["value"].to_list())
    mine = found[0]
    assert (mine["verdict"], mine["decision_reason"], mine["decided_by"]) == ("nuisance", "Brief", "vera")
    assert [row["verdict"] for row in found[1:]] == [""] * (len(found) - 1)


def test_every_page_of_the_list_is_exported_in_its_order(client, held):
    found = rows(client.get("/export/events.csv?week=all&page=2&lines=together&severity=low&sort=newest"))
    low = [e for e in held.events.iter_rows(named=True) if e["severity"] == "low"]
    assert {row["event_id"] for row in found} == {e["event_id"] for e in low}
    times = [row["touchdown_utc"] for row in found]
    assert times == sorted(times, reverse=True)


def test_parquet_is_the_same_table_with_its_types(client, held):
    frame = pl.read_parquet(io.BytesIO(client.get("/export/events.parquet?week=2026-W46").data))
    wanted = held.events.filter(pl.col("week") == "2026-W46")
    assert frame["event_id"].to_list() == wanted["event_id"].to_list()
    assert frame.schema["touchdown_utc"] == wanted.schema["touchdown_utc"]
    assert frame["evidence"].to_list() == wanted["evidence"].to_list()


def test_an_export_is_logged_without_names(client, held, path):
    tail = held.events["tail"][0]
    client.get(f"/export/events.csv?week=2026-W46&tail={tail}&text=vh101&severity=high")
    entry = log(path).row(0, named=True)
    assert (entry["subject"], entry["who"], entry["role"]) == ("events.csv", "vera", "officer")
    detail = json.loads(entry["detail"])
    assert detail["chosen_by"] == {"week": "2026-W46", "severity": "high"}
    assert tail not in entry["detail"]
    assert "vh101" not in entry["detail"]


def test_what_cannot_be_logged_is_not_exported(client, kept):
    def unwritable(*_args, **_more):
        raise StoreError("the store may not be written. Nothing was saved")

    kept.desk._store().audit.record = unwritable
    answer = client.get("/export/events.csv")
    assert answer.status_code == 503
    assert "may not be written" in answer.get_data(as_text=True)
    assert "event_id" not in answer.get_data(as_text=True)


def test_without_a_log_nothing_is_exported(store):
    assert build(store).server.test_client().get("/export/landings.csv").status_code == 503


@pytest.mark.parametrize("address", ["/export/people.csv", "/export/events.exe"])
def test_other_tables_and_formats_are_not_there(client, path, address):
    assert client.get(address).status_code == 404
    assert log(path).is_empty()


def test_landings_and_what_was_not_assessed(client, held):
    found = rows(client.get("/export/landings.csv?fleet=Heron+90"))
    wanted = held.landings.filter(pl.col("fleet") == "Heron 90")
    assert [row["landing_id"] for row in found] == wanted["landing_id"].to_list()
    silent = rows(client.get("/export/not-assessed.csv"))
    assert (
        sum(int(row["landings"]) for row in silent)
        == held.missing.filter(pl.col("reason").str.contains("spoiler lever")).select("landing_id").n_unique()
    )
    assert all(row["parameter"] == "spoiler_handle" for row in silent)


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+SUM(A1)", "'+SUM(A1)"),
        ("-2+3", "'-2+3"),
        ("@cmd", "'@cmd"),
        ("\tx", "'\tx"),
        ("\rx", "'\rx"),
        ("-12.5", "-12.5"),
        ("+3", "+3"),
        ("-1e-3", "-1e-3"),
        ("-", "'-"),
        ("a=b", "a=b"),
        ("Korsby 09L", "Korsby 09L"),
    ],
)
def test_a_cell_is_never_a_formula(text, cell):
    """The characters are those of the OWASP page on CSV injection."""
    frame = pl.DataFrame({"note": [text], "said": [[text, "x"]], "value": [-1.5]})
    back = rows_of(encoded(frame, "csv"))
    assert back == [{"note": cell, "said": export_join(text), "value": "-1.5"}]
    assert pl.read_parquet(io.BytesIO(encoded(frame, "parquet"))).equals(frame)


def rows_of(data):
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def export_join(text):
    joined = f"{text}; x"
    return f"'{joined}" if joined[0] in "=+-@\t\r" else joined


def test_a_note_that_is_a_formula_is_exported_as_text(client, kept, held):
    event = held.events.row(0, named=True)
    asked = {"act": "decide", "event": event["event_id"], "verdict": "false", "reason": '=HYPERLINK("x")', "seen": ""}
    decision.done(kept, asked | {"token": "t1"})
    found = rows(client.get("/export/events.csv?week=all&decided=yes"))
    assert [row["decision_reason"] for row in found] == ['\'=HYPERLINK("x")']


def test_exports_are_open_to_officers_alone(kept):
    view = build(kept).server.view_functions["export"]
    assert view.open_to_roles == frozenset({OFFICER})


def test_the_log_refuses_who_may_not_export(archive, path):
    desk = Desk(lambda: People(str(path)), lambda: Actor("tom", "captain"))
    answer = build(Store(archive, lambda _run: RULES, desk=desk)).server.test_client().get("/export/landings.csv")
    assert answer.status_code == 503
    desk.close()


def test_the_same_query_is_the_same_list(kept, held):
    query = Query(week="all", severity="high", fleet="Tern 200")
    wanted = held.events.filter(pl.col("severity") == "high", pl.col("fleet") == "Tern 200")
    assert export.events(kept, query)["event_id"].to_list() == wanted["event_id"].to_list()
