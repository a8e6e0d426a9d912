"""The sheet of one landing: what stands on it, what must not, and that it fits its pages."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import BrowserContext
from scipy.stats import percentileofscore

from dashboard.panels import Panel, ranging
from dashboard.reports import printing, room, standing, strips
from dashboard.reports.procedure import EXPECTED
from dashboard.reports.subject import Subject, find, pseudonyms, subject
from dashboard.rulecards import load_rule_cards
from fdm import schemas
from fdm.archive import Archive
from fdm.cli import run
from fdm.errors import ArchiveError, FdmError
from fdm.people.acts import Judged
from fdm.people.location import people_url
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People
from fdm.stopping import FACTORS


@pytest.fixture(scope="module")
def archive(costed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(costed, tmp_path_factory.mktemp("sheets") / "archive"))


@pytest.fixture(autouse=True)
def key(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FDM_PSEUDONYM_KEY", str(tmp_path_factory.getbasetemp() / "pseudonym.key"))


@pytest.fixture(scope="module")
def worst(archive: Path) -> str:
    """The landing with the most events that cost something."""
    store = Archive(archive)
    told = store.costs().filter(pl.col("extra_m_lower") > 0)
    events = store.events().join(told, on="landing_id", how="semi")
    return str(events["landing_id"].value_counts(sort=True)["landing_id"][0])


def written(archive: Path, out: Path, *more: str) -> str:
    assert run(["sheet", "--archive", str(archive), "--out", str(out), *more]) == 0
    return out.read_text(encoding="utf-8")


def names_of(archive: Path, landing: str) -> list[str]:
    row = Archive(archive).landings().filter(landing_id=landing).row(0, named=True)
    day = row["touchdown_utc"]
    return [row["tail"], row["flight"], row["departure"], row["arrival"], f"{day:%-d %b}", f"{day:%Y-%m}", landing]


def test_names_and_dates_stay_hidden(archive: Path, worst: str, tmp_path: Path) -> None:
    text = written(archive, tmp_path / "a.html", worst)
    for name in names_of(archive, worst):
        assert name not in text
    assert "hidden" in text
    assert not Path(people_url(archive)).exists()  # nothing was asked that the log must know


def test_names_when_asked_for_and_the_log_knows(archive: Path, worst: str, tmp_path: Path) -> None:
    text = written(archive, tmp_path / "a.html", worst, "--identities")
    tail, flight, *_ = names_of(archive, worst)
    assert tail in text
    assert flight in text
    with People(people_url(archive)) as people:
        entry = people.audit.entries(newest=1).row(0, named=True)
        assert not people.audit.verify().faults
    assert (entry["act"], entry["subject"]) == ("export", worst)
    assert "identities" in entry["detail"]


def test_what_was_not_released_beside_what_was_is_not_on_it(archive: Path, tmp_path: Path) -> None:
    events = Archive(archive).events()
    landing = events["landing_id"].value_counts(sort=True)["landing_id"][0]
    first, *others = events.filter(landing_id=landing).iter_rows(named=True)
    assert others
    kept = Path(shutil.copytree(archive, tmp_path / "archive"))
    whole = written(kept, tmp_path / "whole.html", landing)
    assert "Findings released to debriefing alone" not in whole
    by = Actor("vera", OFFICER)
    with People(people_url(kept)) as people:
        people.decide(Judged.of(first), "valid", by=by, seen=None)
        people.release(first["event_id"], by=by)
    text = written(kept, tmp_path / "part.html", landing)
    assert "Findings released to debriefing alone" in text
    titles = {event["rule"]: load_rule_cards(Archive(kept).run)[event["rule"]].title for event in (first, *others)}
    told = re.sub(r"<[^>]+>", " ", text.split('<section class="page">')[1])
    assert titles[first["rule"]] in told
    for event in others:
        assert titles[event["rule"]] not in told


def test_it_asks_nothing_of_any_host(archive: Path, worst: str, tmp_path: Path) -> None:
    text = written(archive, tmp_path / "a.html", worst)
    assert not re.search(r"https?:|//[a-z]|<script|<link|@import|src=|url\((?!#)", text)
    assert "default-src 'none'" in text
    assert text.count('<section class="page">') == 2


def test_what_stands_on_it(archive: Path, worst: str, tmp_path: Path) -> None:
    text = written(archive, tmp_path / "a.html", worst)
    store = Archive(archive)
    said = re.sub(r"<[^>]+>", " ", text)
    assert "Where it stands" not in said  # among fewer than twenty of its type nothing is said
    for title in ("Procedure beside fact", "Likely origin", "Stopping margin", "What it cost"):
        assert title in said
    left = store.measures(worst).filter(measure="runway_left_60_m").row(0, named=True)
    assert f"{left['value']:,.0f}\u00a0m" in text
    for event in store.events().filter(landing_id=worst).iter_rows(named=True):
        assert load_rule_cards(store.run)[event["rule"]].title.lower() in said.lower()
    assert "Operator manuals, regulations and licensed people come first" in said


def test_the_factors_are_those_of_the_regulations(archive: Path, worst: str, tmp_path: Path) -> None:
    """14 CFR 121.195(b): 60 % of the runway, so 1.67; (d): 115 % of that, 1.92; SAFO 19001: at least 15 %."""
    text = written(archive, tmp_path / "a.html", worst)
    assert FACTORS["dry"].value == pytest.approx(1.667, abs=5e-4)
    for said in ("1.67 planning (14 CFR 121.195(b))", "1.92 planning (14 CFR 121.195(d))", "SAFO 19001", "25.109(c)"):
        assert said in text


def test_a_landing_is_found_by_id_event_and_pseudonym(archive: Path, worst: str) -> None:
    store, names = Archive(archive), pseudonyms(archive)
    event = store.events().filter(landing_id=worst)["event_id"][0]
    assert [find(store, one, names) for one in (worst, event, names.of("landing_id", worst))] == [worst] * 3
    with pytest.raises(ArchiveError, match="no landing"):
        find(store, "nothing", names)


def test_landings_of_every_kind_have_a_sheet(archive: Path) -> None:
    from dashboard.reports.sheet import sheet

    store, names = Archive(archive), pseudonyms(archive)
    for landing in store.landings()["landing_id"][::5]:
        text = sheet(subject(store, landing, names))
        assert "None" not in re.sub(r"<style>.*?</style>", "", text, flags=re.S)
        assert "nan" not in re.sub(r"<[^>]+>", " ", text).split()


def crowded(of: Subject) -> Subject:
    """A landing about which there is as much to say as can be: heading drawn, costs, faults, rules not assessed."""
    heading = of.events[0] | {
        "rule": "heading_excursion",
        "measure": "heading_excursion_deg",
        "unit": "deg",
        "title": "Heading",
    }
    faults = [f"no samples of {n} parameters from 20.0 to 23.1 s after touchdown" for n in (3, 14, 34)]
    outcomes = of.outcomes.with_columns(
        outcome=pl.lit("not_assessed"), reason=pl.format("{} has a gap in the rollout", "rule")
    )
    cost = dict.fromkeys(schemas.COSTS) | {
        "reason": "contaminated data: ground speed is missing for seconds",
        "notes": [],
    }
    told = {each["event_id"]: cost | {"rule": each["rule"]} for each in of.events}
    quality = of.landing | {"quality": faults}
    return replace(of, events=[*of.events, heading], landing=quality, outcomes=outcomes, costs=of.costs | told)


@pytest.mark.browser
def test_where_there_is_most_to_say_nothing_is_cut_off_and_there_is_room_to_write(
    browser: BrowserContext, archive: Path
) -> None:
    from dashboard.reports.sheet import sheet

    store, names = Archive(archive), pseudonyms(archive)
    events = store.events()["landing_id"].unique(maintain_order=True).to_list()
    with_epr = [landing for landing in events if any(name.startswith("epr") for name in store.traces(landing))]
    assert with_epr
    page = browser.new_page()
    for landing in [*with_epr[:2], *[landing for landing in events if landing not in with_epr][:2]]:
        page.set_content(sheet(crowded(subject(store, landing, names))))
        body = page.locator(".body").nth(1)
        assert body.evaluate("e => e.scrollHeight - e.clientHeight") <= 1, landing
        foot = body.evaluate("e => e.getBoundingClientRect().bottom")
        room_to_write = page.locator(".notes").bounding_box()
        assert room_to_write
        assert room_to_write["height"] >= 90, landing  # three lines of 8 mm
        assert room_to_write["y"] + room_to_write["height"] <= foot + 1, landing
        assert "wet friction" in body.inner_text()
    page.close()


@pytest.mark.browser
def test_nothing_is_cut_off_and_two_pages_are_printed(browser: BrowserContext, archive: Path) -> None:
    from dashboard.reports.sheet import sheet

    store, names = Archive(archive), pseudonyms(archive)
    page = browser.new_page()
    for landing in store.landings()["landing_id"][::4]:
        page.set_content(sheet(subject(store, landing, names)))
        beyond = "e => [e.scrollHeight - e.clientHeight, e.scrollWidth - e.clientWidth]"
        for body in page.query_selector_all(".body"):
            down, across = body.evaluate(beyond)
            assert (down, across) <= (1, 1), f"{landing}: {down} px, {across} px"
    page.close()
    html = sheet(subject(store, store.landings()["landing_id"][0], names))
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printing.pdf(html))) == 2


def test_without_a_browser_it_says_what_to_do(
    archive: Path, worst: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(printing, "MAC", str(tmp_path / "none"))
    assert run(["sheet", "--archive", str(archive), worst, "--out", str(tmp_path / "a.pdf")]) == 2
    assert "no Chromium here" in capsys.readouterr().err
    assert not (tmp_path / "a.pdf").exists()


def test_a_browser_that_fails_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "browser"
    program.write_text("#!/bin/sh\necho it broke >&2\nexit 3\n")
    program.chmod(0o755)
    monkeypatch.setenv("FDM_CHROMIUM", str(program))
    with pytest.raises(FdmError, match="it broke"):
        printing.pdf("<p>x</p>")


def test_another_suffix_is_refused(archive: Path, worst: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", "--archive", str(archive), worst, "--out", "a.docx"]) == 2
    assert ".html or .pdf" in capsys.readouterr().err


# parts -----------------------------------------------------------------------------------------------------------


def test_the_percentile_is_scipys() -> None:
    """scipy.stats.percentileofscore, kind "mean"."""
    rng = np.random.default_rng(1)
    values = np.round(rng.normal(3, 1, 60), 1)
    ids = [f"l{i}" for i in range(60)]
    fleet = pl.DataFrame({"measure": "spoiler_delay_s", "landing_id": ids, "value": values})
    row = {"landing_id": "l7", "measure": "spoiler_delay_s", "value": 3.4, "lower": 2.9, "upper": 3.9, "unit": "s"}
    mine = pl.DataFrame([row])
    (place,) = standing.places(mine, fleet, {})
    wanted = [percentileofscore(values, x, kind="mean") for x in (2.9, 3.4, 3.9)]
    assert place.percentile == pytest.approx(wanted)
    assert standing.places(mine, fleet.head(10), {}) == []  # of too few nothing is said
    elsewhere = fleet.filter(pl.col("landing_id") != "l7")
    assert standing.places(mine, elsewhere, {}) == []  # nor of a landing that its rule did not judge


def test_a_landing_has_no_place_in_what_one_of_its_engines_lacks() -> None:
    """No rule judges the time to deployed; of the selection a rule said that one engine will do."""
    ids = [f"l{i}" for i in range(60)]
    engines = {"landing_id": "l7", "value": [3.4, None], "lower": [2.9, None], "upper": [3.9, None], "unit": "s"}
    for measure, limits, places in (("deploy_delay_s", {}, 0), ("reverse_select_delay_s", {"low": 4.0}, 1)):
        fleet = pl.DataFrame({"measure": measure, "landing_id": ids, "value": 3.0})
        mine = pl.DataFrame(engines | {"measure": measure})
        assert len(standing.places(mine, fleet, {measure: limits} if limits else {})) == places


@given(st.lists(st.floats(-3000, 3000), min_size=1, max_size=30), st.floats(0, 500))
def test_an_axis_holds_what_is_drawn(values: list[float], span: float) -> None:
    panel = Panel("k", "label", "", (), "line", least_span=span)
    low, high = strips.value_range(np.array(values), panel)
    assert low <= min(values) + 1e-6 * (1 + abs(min(values)))
    assert max(values) <= high + 1e-6 * (1 + abs(max(values)))
    assert high - low >= span * (1 - 1e-9)


def test_a_little_below_zero_does_not_move_an_axis() -> None:
    spoilers = Panel("spoilers", "Spoilers", "%", (), "line", always=(0.0, 100.0))
    assert strips.value_range(np.array([-1.2, 40.0, 101.0]), spoilers) == (0.0, 100.0)


def test_a_lone_spike_does_not_flatten_a_trace() -> None:
    speed = Panel("ground_speed", "Ground speed", "kt", (), "line")
    slowing = np.linspace(140.0, 10.0, 60)
    spiked = slowing.copy()
    spiked[30] = 540.0
    assert ranging(speed, spiked).tolist() == np.delete(spiked, 30).tolist()
    assert ranging(speed, slowing).tolist() == slowing.tolist()
    spoilers = Panel("spoilers", "Spoilers", "%", (), "line", always=(0.0, 100.0))
    assert ranging(spoilers, np.array([0.0, 0, 0, 0, 0, 100])).max() == 100.0  # a step at the end
    assert ranging(spoilers, np.array([0.0, 0, 0, 100, 100, 100])).max() == 100.0
    jolt = Panel("bounce", "Vertical accel.", "g", (), "line")
    assert ranging(jolt, np.array([1.0, 1, 1.01, 1.9, 1, 1])).max() == 1.9


def test_what_is_expected_are_measures_of_rules() -> None:
    measures = {card.measure for card in load_rule_cards({"rules": None}).values()}
    assert {measure for some in EXPECTED.values() for measure, _ in some} <= measures


def test_only_what_there_is_room_for_is_kept() -> None:
    blocks = ["one line"] * 5
    assert len(room.fitting(blocks, 3 * (room.LINE_PX + 6) + 1, 300)) == 3  # type: ignore[arg-type]
    assert room.fitting(blocks, 5, 300) == []  # type: ignore[arg-type]
