"""Every page and every callback of each role but the officer's, read for anything that leads to a flight or a day."""

from __future__ import annotations

import json
import re
from functools import cache

import polars as pl
import pytest
from gatehouse import NAMES, QUICK, callbacks, dashboard_of, logged_in, with_accounts
from invented_archive import RULES, FakeArchive

from dashboard import app as dashboard_app
from dashboard.access import roles_of
from fdm.archive import Archive
from fdm.people.acts import Judged
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER, Actor
from fdm.people.store import People

VERA = Actor("officer-1", OFFICER)
SEARCHES = ("", "?week=2026-11&text=qq&show=events", "?rule=late_spoilers&week=2026-W02&severity=high")
AS_PAGES_DO = ("landings-filters.data", "missing-filters.data", "week-filters.data", "limits-asked.data")


def filters(search: str) -> dict:
    """What the scripts of the pages put into their stores from the address."""
    return dict.fromkeys(AS_PAGES_DO, search) | {"limits-asked.data": {"search": search}}


class Telling(FakeArchive):
    """An archive whose sentences name the aircraft and the day."""

    def landings(self):
        told = pl.format("{} was swapped on {}", "tail", pl.col("touchdown_utc").dt.strftime("%-d %B %Y"))
        return super().landings().with_columns(quality=pl.concat_list(told))

    def outcomes(self, landing_id=None):
        reason = pl.when(pl.col("reason").is_not_null()).then(pl.lit("no lever recorded on VH123 since 2026-11-12"))
        return super().outcomes(landing_id).with_columns(reason=reason)

    def events(self):
        return super().events().with_columns(evidence=pl.concat_list(pl.format("{} did so before", "flight")))


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Archive:
    """The archive of the few recordings that come along."""
    from fdm.demo import recordings_of
    from fdm.engine import detect, load

    folder = tmp_path_factory.mktemp("leaks")
    recordings, _ = recordings_of(folder, None, 1)
    load([recordings], folder / "archive")
    detect(folder / "archive")
    return Archive(folder / "archive")


@pytest.fixture(scope="module", params=["invented", "demo"])
def source(request):
    return Telling(landings=80) if request.param == "invented" else request.getfixturevalue("demo")


@pytest.fixture(scope="module")
def rules(source):
    return RULES if isinstance(source, FakeArchive) else None


@pytest.fixture(scope="module")
def app(source, rules, tmp_path_factory):
    with People(str(tmp_path_factory.mktemp("leaks") / "people.sqlite"), hasher=QUICK) as people:
        with_accounts(people)
        events = source.events()
        for event in events.unique("landing_id", maintain_order=True).head(3).iter_rows(named=True):
            people.decide(Judged.of(event), "valid", by=VERA, seen=None)
            people.release(event["event_id"], by=VERA)
        yield dashboard_of(people, source, rules=rules)


@pytest.fixture(scope="module")
def told(source) -> list[str]:
    """What nobody but the officer may read: tails, flights, days in every way of writing, ids, departures."""
    frame = source.landings()
    said = {name for column in ("tail", "flight", "landing_id") for name in frame[column].drop_nulls().unique()}
    utc = frame["touchdown_utc"].drop_nulls()
    for shape in ("%Y-%m-%d", "%-d %b", "%-d %B", "%b %-d,", "%G-W%V", "%Y%m%d", "%d/%m/%Y"):
        said |= set(utc.dt.strftime(shape).unique())
    return sorted(name for name in said if len(name) > 3)


@pytest.fixture(scope="module")
def crawled(app):
    """What a role gets: by page and callback, the text of every answer."""
    return cache(lambda role: crawl(app, role, SEARCHES[:1] if role == OFFICER else SEARCHES))


def crawl(app, role: str, searches) -> dict[str, str]:
    browser, found = logged_in(app, role), {}
    found["layout"] = browser.get("/_dash-layout").text
    for path in paths(app, browser, role):
        for search in searches:
            found |= page_of(app, browser, role, path, search)
    for path in ("/account", "/jobs", "/audit", "/accounts", "/export/events.csv", "/export/landings.parquet"):
        found[path] = browser.get(path).data.decode("latin-1")
    return found


def paths(app, browser, role: str) -> list[str]:
    """The first page of every place, and what it links to."""
    every = [page.path.rstrip("/") or "/" for page in dashboard_app.PAGES]
    linked = set()
    for path in every:
        props = {"address.pathname": path, "address.search": ""}
        text = ask(app, browser, "page.children", props)
        linked |= set(re.findall(r'href=\\?"(/[\w/-]+)\\?"', as_read(text)))
        for output in listing(app, role):
            for search in ("", "?show=events"):
                more = ask(app, browser, output, filters(search) | props)
                linked |= set(re.findall(r'href=\\?"(/[\w/-]+)\\?"', as_read(more)))
    many = sorted(linked - set(every))
    starts = [page + "/" for page in every if page != "/"]
    return every + [path for start in starts for path in [one for one in many if one.startswith(start)][:3]]


def listing(app, role: str) -> list[str]:
    """Callbacks that need nothing but filters."""
    known = app.callback_map
    return [
        one
        for one in callbacks(app)
        if role in roles_of(known[one]["callback"]) and {key(i) for i in known[one]["inputs"]} <= set(AS_PAGES_DO)
    ]


def page_of(app, browser, role: str, path: str, search: str) -> dict[str, str]:
    """A page and every callback of the role that finds its inputs there, twice, so that one's answer feeds the next."""
    props = {"address.pathname": path, "address.search": search} | filters(search)
    text = ask(app, browser, "page.children", props)
    found = {f"{path}{search}": text}
    props |= props_in(json.loads(text)) if text.startswith("{") else {}
    for _ in range(2):
        for output in callbacks(app):
            known = app.callback_map[output]
            if role not in roles_of(known["callback"]) or output == "page.children":
                continue
            if not any(key(one) in props for one in known["inputs"]):
                continue
            answer = ask(app, browser, output, props)
            found[f"{path}{search} {output}"] = answer
            if answer.startswith("{"):
                props |= props_in(json.loads(answer))
    return found


def key(one: dict) -> str:
    return f"{one['id']}.{one['property']}"


def ask(app, browser, output: str, props: dict) -> str:
    known = app.callback_map[output]
    inputs, state = ([one | {"value": props.get(key(one))} for one in known[part]] for part in ("inputs", "state"))
    return browser.ask(output, inputs, state=state).text


def props_in(part) -> dict:
    """Every property of every component in an answer, by "id.property"."""
    found = {}
    if isinstance(part, dict):
        if isinstance(part.get("props"), dict) and "id" in part["props"]:
            found |= {f"{part['props']['id']}.{name}": value for name, value in part["props"].items()}
        if isinstance(part.get("response"), dict):
            found |= {f"{one}.{n}": v for one, props in part["response"].items() for n, v in props.items()}
        for value in part.values():
            found |= props_in(value)
    elif isinstance(part, list):
        for value in part:
            found |= props_in(value)
    return found


def as_read(text: str) -> str:
    """An answer as a reader sees it."""
    return text.encode().decode("unicode_escape", "ignore") if "\\u" in text else text


def leaks(found: dict[str, str], told: list[str]) -> list[str]:
    """Where something is told, and what."""
    said = []
    for where, text in found.items():
        plain = as_read(text)
        for name in told:
            if name in plain and re.search(rf"(?<![\w.-]){re.escape(name)}(?![\w.])", plain):
                said.append(f"{where}: {name}")
    return said


@pytest.mark.parametrize("role", [ANALYST, CAPTAIN, ADMINISTRATOR])
def test_no_answer_to_another_role_tells_who_or_when(crawled, told, role):
    found = crawled(role)
    assert leaks(found, told) == []


def test_the_crawl_sees_what_it_looks_for(crawled, told, rules):
    """The same crawl as the officer finds aircraft and days, so it would see them elsewhere."""
    if rules is None:
        pytest.skip("the invented archive shows it")
    found = crawled(OFFICER)
    assert len({line.rpartition(": ")[2] for line in leaks(found, told)}) > 20
    assert any(" rollout-traces-figure.data" in where for where in found)


def test_the_analyst_and_the_captain_get_their_pages(crawled):
    seen = crawled(ANALYST)
    assert sum(len(text) for text in seen.values()) > 100_000
    assert any(where.startswith("/landing/") and "Steps" in text for where, text in seen.items())
    seen = crawled(CAPTAIN)
    assert any(where.startswith("/debrief/") and len(text) > 5_000 for where, text in seen.items())


def test_a_captain_gets_nothing_of_a_landing_that_is_not_theirs(app, source):
    browser = logged_in(app, CAPTAIN)
    other = source.landings()["landing_id"].to_list()
    released = set(source.events().unique("landing_id", maintain_order=True).head(3)["landing_id"])
    chosen = [one for one in other if one not in released][:2]
    for landing_id in (*chosen, *released, *(NAMES.of("landing_id", one) for one in chosen)):
        for place in ("debrief", "landing"):
            said = page_of(app, browser, CAPTAIN, f"/{place}/{landing_id}", "")
            assert all("Ground speed" not in text for text in said.values()), (place, landing_id)
