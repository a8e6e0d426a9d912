"""The dashboard over an archive that the engine made from the invented airline's committed recordings."""

from __future__ import annotations

import json
import shutil

import gatehouse
import pytest
from conftest import serving_app, text_of, watching
from playwright.sync_api import expect
from test_pages import texts

from dashboard.app import build, create_app
from dashboard.deployment import Deployment
from dashboard.pages import evidence, landing, landings, lines, not_assessed, rules
from dashboard.query import Query
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive
from fdm.engine import detect, load
from fdm.errors import ArchiveError
from tests.nights import DATA


@pytest.fixture(scope="module")
def folder(costed, tmp_path_factory):
    return shutil.copytree(costed, tmp_path_factory.mktemp("real") / "archive")


@pytest.fixture(scope="module")
def judged(folder):
    return Store(Archive(folder), load_rule_cards, reopen=lambda: Archive(folder))


def test_every_landing_and_event_can_be_read(judged):
    held = judged.held()
    assert held.landings.height >= 20
    for landing_id in held.landings["landing_id"]:
        said = text_of(texts(landing.layout(judged, landing_id, "")))
        assert "What each rule said" in said
        assert landing.figure(judged, landing_id)["data"]
    for event_id in held.events["event_id"]:
        head, more, figure = evidence.shown(judged, Query(event=event_id))
        assert "_" not in text_of(head), "a name that only programs use"
        assert "Procedure" in text_of(more)
        assert figure["data"]


def test_every_list_can_be_read(judged):
    held = judged.held()
    counted = f"{held.landings.height} landings"
    assert counted in text_of(landings.listing(held, Query()))
    assert f"{held.events.height} events" in text_of(lines.queue_list(held, Query(week="all")))
    assert counted in text_of(not_assessed.listing(held, Query()))
    for name in held.rules:
        assert held.rules[name].title in text_of(texts(rules.layout(judged, name, "")))
    assert not held.changed_rules


def test_a_new_judgement_is_seen_while_serving(folder, judged):
    before = judged.held()
    detect(folder)
    after = judged.held()
    assert after is not before
    assert after.events.height == before.events.height
    assert judged.traces_of(after.landings["landing_id"][0])


def test_a_folder_that_is_no_archive_is_one_clear_error(tmp_path):
    with pytest.raises(ArchiveError, match="no archive here"):
        create_app(tmp_path)


def shown(app, path):
    """What the page under a path holds, as the browser asks for it."""
    answer = gatehouse.Browser(app).ask("page.children", [{"id": "address", "property": "pathname", "value": path}])
    assert answer.status_code == 200, answer.text
    return json.dumps(answer.json)


@pytest.mark.parametrize("path", ["/", "/landings", "/not-assessed", "/health", "/limits", "/rules"])
def test_an_archive_without_landings_opens_and_says_what_to_do(tmp_path, path):
    Archive(tmp_path / "new", create=True)
    said = shown(create_app(tmp_path / "new"), path)
    assert "No landing was loaded yet" in said
    assert f"fdm load RECORDINGS --archive {tmp_path / 'new'}" in said
    assert 'href=\\"/jobs\\"' in said
    assert "The second can be asked for under" in said


def test_recordings_are_asked_for_in_the_browser_only_where_they_can_be(tmp_path):
    Archive(tmp_path / "new", create=True)
    (tmp_path / "drop").mkdir()
    said = shown(create_app(tmp_path / "new", Deployment(drop_folder=tmp_path / "drop")), "/")
    assert "Or ask for both under" in said
    assert "The second" not in said


@pytest.mark.browser
def test_the_first_page_can_be_asked_for_again_from_the_bar(browser, tmp_path):
    """By the link of the place that is open, once somebody loaded and judged elsewhere."""
    Archive(tmp_path / "new", create=True)
    with (
        serving_app(create_app(tmp_path / "new", Deployment())) as address,
        watching(browser, address) as found,
    ):
        page = found.open("/")
        expect(page.get_by_role("heading", name="No landing was loaded yet")).to_be_visible()
        load([DATA], tmp_path / "new")
        page.get_by_role("link", name="Week", exact=True).click()
        expect(page.get_by_role("heading", name="The landings were not judged yet")).to_be_visible()
        detect(tmp_path / "new")
        page.get_by_role("link", name="Week", exact=True).press("Enter")
        expect(page.locator(".week-page")).to_be_visible()


def test_landings_that_were_not_judged_are_counted_and_then_shown(tmp_path):
    """The page is there without a new start once they are judged."""
    report = load([DATA], tmp_path / "new")
    app = create_app(tmp_path / "new")
    said = shown(app, "/")
    assert "The landings were not judged yet" in said
    assert f"{report.landings} landings of " in said
    assert f"fdm detect --archive {tmp_path / 'new'}" in said
    detect(tmp_path / "new")
    assert "not judged yet" not in shown(app, "/")


def test_the_application_answers_over_an_archive(folder, judged):
    client = build(judged).server.test_client()
    assert client.get("/").status_code == 200
    assert create_app(folder).server.test_client().get("/healthz").text == "ok"
