"""The digest of a week: its counts, its intervals and signals, what it asks, and that it fits its pages."""

from __future__ import annotations

import json
import re
import shutil
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median

import polars as pl
import pytest
from playwright.sync_api import BrowserContext
from scipy.stats import binomtest

from dashboard import flown
from dashboard.desk import Desk
from dashboard.held import Held
from dashboard.reports import digest, digest_data, weekly
from dashboard.reports.digest_data import as_json, digest_of, given
from dashboard.reports.multiples import scale_top
from dashboard.reports.questions import questions
from dashboard.reports.weekly import Given, Share, counted, usual_range, worst_lines
from dashboard.store import Store
from fdm.cli import run
from fdm.people.location import people_url
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People
from fdm.schemas import COSTS
from fdm.statistics import rate
from tests.dashboard.invented_archive import RULES, FakeArchive

WEEK = "2026-W47"
OFFICER_A = Actor("officer.a", OFFICER)


DRIFTS = (
    {
        "tail": "QQ-LAF", "what": "reverser transit to deployed", "engine": 2, "unit": "s", "landings": 70,
        "now": 4.3, "was": 2.4, "per_30_days": 1.63, "per_30_days_lower": 1.4, "per_30_days_upper": 1.82,
    },
)  # fmt: skip


def text_of(html: str) -> str:
    """The words of a page, without tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html.partition("<body")[2])).strip()


@pytest.fixture(scope="module")
def held() -> Held:
    return Store(FakeArchive(landings=400), lambda _run: RULES).held()


@pytest.fixture(scope="module")
def archive(costed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(costed, tmp_path_factory.mktemp("digests") / "archive"))


# counts ----------------------------------------------------------------------------------------------------------


def test_counts_are_those_of_the_tables(held: Held) -> None:
    """Counted once more, row by row."""
    week = counted(held, WEEK)
    landings = [row for row in held.landings.iter_rows(named=True) if row["week"] == WEEK]
    events = [row for row in held.events.iter_rows(named=True) if row["week"] == WEEK]
    assert week.landings == len(landings) > 0
    assert week.assessed.part == sum(row["assessed"] > 0 for row in landings)
    assert week.complete.part == sum(row["assessed"] == row["judged"] > 0 for row in landings)
    for severity in week.severities:
        mine = [row for row in events if row["severity"] == severity.severity]
        assert severity.events == len(mine)
        assert severity.certain == sum(row["severity_lowest"] == row["severity"] for row in mine)
        assert severity.rate.landings == week.assessed.part
    assert sum(kind.events for kind in week.kinds) == len(events)
    assert [kind.events for kind in week.kinds] == sorted((kind.events for kind in week.kinds), reverse=True)
    assert sum(week.origins.values()) == len(events)
    assert week.to_decide == len(events)
    for kind in week.kinds:
        able = sum(row[f"can {kind.rule}"] for row in landings)
        assert kind.weeks[-1][0] == WEEK
        assert kind.weeks[-1][1].landings == able
        assert kind.weeks[-1][1].events == sum(row["rule"] == kind.rule for row in events)


def test_intervals_are_garwoods_and_wilsons(held: Held) -> None:
    """10 events: 4.80 to 18.39 (Garwood); 81 of 263: 25.5 to 36.6 % (Newcombe 1998, table I, method 3, from memory)."""
    found = rate(10, 1000)
    assert (found.lower, found.upper) == pytest.approx((4.80, 18.39), abs=0.006)
    of = Share.of(81, 263)
    assert (of.lower, of.upper) == pytest.approx((0.2553, 0.3662), abs=6e-5)
    assert digest.share(of) == "30.8 % (25.5–36.6)"
    assert Share.of(0, 0).share is None
    week = counted(held, WEEK)
    assert week.severities[0].rate == rate(week.severities[0].events, week.assessed.part)


def test_the_rate_of_a_kind_has_the_interval_of_a_share(held: Held) -> None:
    """A landing has at most one event of a rule: Clopper and Pearson's interval, by SciPy."""
    rates = [found for kind in counted(held, WEEK).kinds for _, found in kind.weeks if found.landings]
    assert any(found.events for found in rates)
    for found in rates:
        wanted = binomtest(found.events, found.landings).proportion_ci(method="exact")
        assert (found.lower, found.upper) == pytest.approx((1000 * wanted.low, 1000 * wanted.high), rel=1e-6)
    assert "Rates of one kind: Clopper and Pearson’s exact interval" in digest.METHODS


def test_a_signal_is_what_the_u_chart_of_the_handbook_says() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.1: u ± 3 sqrt(u / n). Seven weeks of 250 landings, 10 events in each but the last.

    The weeks before decide: u = 40 per 1,000, upper limit 40 + 3 sqrt(40 / 0.25) = 77.95, whatever the last week had.
    21 events (84 per 1,000) are above it; a line through all seven weeks would have hidden them: 46.3 and 87.1.
    """
    quiet = [rate(10, 250)] * 7
    assert usual_range(quiet) == (
        pytest.approx(40.0),
        (pytest.approx(2.05, abs=0.01), pytest.approx(77.95, abs=0.01)),
        "",
    )
    centre, limits, signal = usual_range([*quiet[:6], rate(21, 250)])
    assert (centre, signal) == (pytest.approx(40.0), "above")
    assert limits == (pytest.approx(2.05, abs=0.01), pytest.approx(77.95, abs=0.01))
    assert usual_range([*[rate(40, 250)] * 6, rate(5, 250)])[2] == "below"


def test_one_event_after_none_is_no_signal_but_a_burst_is() -> None:
    """None in 1,500 landings: below 3.689 / 1.5 = 2.46 per 1,000 (Garwood); limit 2.46 + 3 sqrt(2.46 / 0.25) = 11.9."""
    none = [rate(0, 250)] * 6
    assert usual_range([*none, rate(1, 250)])[::2] == (0.0, "")
    assert usual_range([*none, rate(2, 250)])[2] == ""
    assert usual_range([*none, rate(3, 250)])[2] == "above"


def test_few_weeks_have_no_usual_range() -> None:
    assert usual_range([rate(10, 250)] * weekly.FEWEST_WEEKS) == (None, None, "")
    assert usual_range([rate(10, 250)] * 8 + [rate(0, 0)]) == (None, None, "")


def test_runway_given_away_counts_each_landing_once(held: Held) -> None:
    """Two events of one lapse cost the same metres, not twice."""
    landings = held.landings.filter(week=WEEK)["landing_id"].to_list()[:3]
    rows = [
        (landings[0], "late_spoilers", 100.0, 80.0, 120.0, None),
        (landings[0], "late_reverse", 60.0, 40.0, 80.0, None),
        (landings[1], "late_spoilers", None, None, None, "not recorded"),
        (landings[2], "late_spoilers", -4.0, -9.0, 2.0, None),
    ]
    columns = ["landing_id", "rule", "extra_m", "extra_m_lower", "extra_m_upper", "reason"]
    schema = {name: COSTS[name] for name in columns}
    costs = pl.DataFrame(rows, schema=schema, orient="row")
    empty = pl.DataFrame(schema=COSTS)
    whole = pl.concat([empty, costs], how="diagonal").with_columns(event_id=pl.format("{}-{}", "landing_id", "rule"))
    found = given(replace(held, costs=whole), WEEK, "fleet")
    assert (sum(row.landings for row in found), sum(row.untold for row in found)) == (2, 1)
    assert sum(row.metres for row in found) == pytest.approx(100)
    assert sum(row.lower for row in found) == pytest.approx(80)
    assert sum(row.upper for row in found) == pytest.approx(122)


def test_a_week_without_landings_has_no_rate_and_no_other_weeks(held: Held, store: Path) -> None:
    """The archive ends with week 47."""
    week = counted(held, "2026-W48")
    assert (week.landings, week.assessed.whole) == (0, 0)
    for severity in week.severities:
        assert (severity.events, severity.rate.events, severity.rate.landings) == (0, 0, 0)
        assert severity.rate.per_1000 is severity.rate.upper is None
        before = [row for row in held.events.iter_rows(named=True) if row["severity"] == severity.severity]
        rates = []
        for number in range(40, 48):
            landings = held.landings.filter(pl.col("week") == f"2026-W{number}", pl.col("assessed") > 0).height
            rates.append(1000 * sum(row["week"] == f"2026-W{number}" for row in before) / landings)
        assert severity.usual == pytest.approx(median(rates))
    none = replace(digest_of(store, None), week=week, high_lines=(), high_events=0, high_lines_in_all=0, recovery=None)
    said = text_of(digest.html(none))
    assert "No landing of week 48 of 2026 is in the archive, so none was assessed." in said
    assert "No landing was recorded" in said
    assert "all were assessed" not in said
    assert "0 of 0" not in said
    assert "of 0 " not in said
    assert re.search(r"High 0 0 0 – ", said)
    flown = replace(none, recovery=Share.of(0, 121), recovery_of_week=True)
    assert "121 flights were flown, none recorded" in text_of(digest.html(flown))


def test_where_no_landing_could_be_assessed_none_is_said_to_have_no_event(held: Held, store: Path) -> None:
    silent = held.landings.with_columns(assessed=pl.lit(0, held.landings["assessed"].dtype))
    week = counted(replace(held, landings=silent, events=held.events.clear()), WEEK)
    none = replace(digest_of(store, None), week=week, high_lines=(), high_events=0, high_lines_in_all=0, recovery=None)
    said = text_of(digest.html(none))
    assert f"Of {week.landings} landings, none was assessed." in said
    assert "No landing could be assessed" in said
    assert f"{week.landings} of {week.landings} landings could not be assessed at all." in said
    assert "No event in this week." not in said
    assert "No high event in this week." not in said


def test_repeats_on_one_aircraft_stand_in_one_line(held: Held) -> None:
    high, _, lines = worst_lines(held, WEEK, 1000)
    assert high == held.events.filter(week=WEEK, severity="high").height == sum(line["repeats"] for line in lines)


# decisions -------------------------------------------------------------------------------------------------------


@pytest.fixture
def store(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The archive with a store of people's work of this test's own."""
    monkeypatch.setenv("FDM_PEOPLE_URL", str(tmp_path / "people.sqlite"))
    return archive


def weeks_with_events(archive: Path) -> list[str]:
    from fdm.archive import Archive

    utc = pl.col("touchdown_utc")
    weeks = Archive(archive).events().select(w=pl.format("{}-W{}", utc.dt.iso_year(), utc.dt.strftime("%V")))
    return weeks["w"].value_counts(sort=True)["w"].to_list()


def test_decisions_are_counted(store: Path) -> None:
    week = weeks_with_events(store)[0]
    before = digest_of(store, week)
    assert before.decisions == {}
    desk = Desk(lambda: People(people_url(store)), lambda: OFFICER_A)
    desk.decide(
        {"event_id": before.high_lines[0]["event_id"], "rule_hash": "x"},
        "nuisance",
        seen=None,
        reason="Brief, and of no consequence",
    )
    desk.close()
    after = digest_of(store, week)
    assert after.week.decided == 1
    assert after.week.to_decide == before.week.to_decide - 1
    assert sum(kind.nuisance for kind in after.week.kinds) == 1
    assert after.other_limits == 1  # decided under another rule than the one in force


def test_a_store_that_cannot_be_read_is_told(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = tmp_path / "people.sqlite"
    broken.write_bytes(b"no database at all" * 100)
    monkeypatch.setenv("FDM_PEOPLE_URL", str(broken))
    found = digest_of(archive, weeks_with_events(archive)[0])
    assert found.problem
    assert found.week.landings > 0
    assert found.problem.split(".")[0].split(":")[-1].strip() in re.sub(r"<[^>]+>", "", digest.html(found))


# questions and words ---------------------------------------------------------------------------------------------


def test_what_rises_and_what_drifts_is_asked(held: Held) -> None:
    week = counted(held, WEEK)
    kind = replace(week.kinds[0], signal="above", usual=20.0, limits=(1.0, 40.0))
    runway = Given("QQTH 36", 4, 0, 1380.0, 1250.0, 1500.0)
    asked = questions(replace(week, kinds=(kind, *week.kinds[1:])), [runway], DRIFTS, [])
    said = " ".join(q.asks for q in asked)
    assert kind.title in said
    assert "QQ-LAF" in said
    assert "QQTH 36" in said
    evidence = " ".join(q.evidence for q in asked)
    assert "Was 2.4 s, now 4.3 s" in evidence
    assert "+1.63 (+1.40 to +1.82)" in evidence
    assert "1,380 m" in evidence


def test_a_parameter_that_went_silent_is_told_with_its_date_on_every_page(store: Path, held: Held) -> None:
    gone = {
        "tail": "QQ-LAK", "parameter": "spoilers_armed", "state": "gone", "landings": 58, "present_pct": 60.3,
        "faulty_landings": 1, "silent_since_utc": None, "silent_landings": 23, "since": "27 Oct 2026",
    }  # fmt: skip
    told = "has been silent since 27 Oct 2026: none of the 23 landings from then on has it"
    week = replace(counted(held, WEEK), kinds=(), landings=10, assessed=Share.of(10, 10))
    asked = questions(week, [], [], [gone])
    assert asked[0].evidence == f"It {told}."
    page = digest.html(replace(digest_of(store, None), silent=(gone,)))
    assert f"QQ-LAK: Spoilers armed {told}." in page
    assert "patchy" not in page


def test_new_is_told_against_the_weeks_that_there_are(store: Path, held: Held) -> None:
    """The archive begins in week 40."""
    of = digest_of(store, None)
    for week, said in (
        ("2026-W46", "new against the 6 weeks before"),
        ("2026-W42", "new is not told with 2 weeks before"),
    ):
        page = digest.html(replace(of, week=counted(held, week)))
        assert said in page
        assert "eight weeks" not in page


def test_the_head_of_the_high_events_tells_how_many_lines_there_are(store: Path, held: Held) -> None:
    """Counted once more, event by event; only the worst line is shown."""
    high = [e for e in held.events.iter_rows(named=True) if e["week"] == WEEK and e["severity"] == "high"]
    in_line = Counter((e["rule"], e["tail"], e["engine"], e["certain"], e["verdict"]) for e in high)
    events, in_all, lines = worst_lines(held, WEEK, 1)
    assert (events, in_all, len(lines)) == (len(high), len(in_line), 1)
    assert in_all > 1
    shown = replace(digest_of(store, None), high_events=events, high_lines_in_all=in_all, high_lines=tuple(lines))
    here = sum(line["repeats"] for line in lines)
    assert (
        f"{len(high)} events in {len(in_line)} lines; the worst with {here} of them here, "
        f"{len(high) - here} more on the screen"
    ) in digest.html(shown)


def test_nothing_unusual_asks_nothing(held: Held) -> None:
    week = replace(counted(held, WEEK), kinds=(), landings=10, assessed=Share.of(10, 10))
    assert questions(week, [], [], []) == ()


def test_one_scale_holds_nearly_all_intervals() -> None:
    assert scale_top([10.0, 20.0, 38.0]) == 40
    assert scale_top([5.0] * 99 + [900.0]) < 100  # one that runs out does not flatten the others
    assert scale_top([]) == 1


# files -----------------------------------------------------------------------------------------------------------


def test_json_has_the_keys_of_its_page(store: Path, tmp_path: Path) -> None:
    out, week = tmp_path / "d.json", weeks_with_events(store)[0]
    assert run(["digest", "--archive", str(store), "--week", week, "--out", str(out)]) == 0
    found = json.loads(out.read_text(encoding="utf-8"))
    page = (Path(digest.__file__).parent / "README.md").read_text(encoding="utf-8")
    listed = page[page.index("| Key |") :]
    missing = [key for key in (*found, *found["week"]) if f"`{key}`" not in listed]
    assert not missing
    assert found["week"]["week"] == week
    assert found["version"] == 1
    with People(people_url(store)) as people:
        assert people.audit.entries(newest=1)["act"].to_list() == ["export"]


def test_flights_flown_tell_what_was_recorded(store: Path, tmp_path: Path) -> None:
    from fdm.archive import Archive

    flown = Archive(store).landings().select("tail", "flight")
    more = pl.concat([flown, pl.DataFrame({"tail": ["QQ-ZZZ"], "flight": ["ZZ1"]})])
    found = digest_of(store, None, more)
    assert found.recovery is not None
    assert found.recovery.whole - found.recovery.part == 1
    assert found.unrecorded == (("QQ-ZZZ", 1),)
    assert "QQ-ZZZ" in digest.html(found)


def test_the_list_beside_the_archive_is_read_and_its_week_counted(store: Path, tmp_path: Path) -> None:
    """Every recorded flight, one of the week that is not, and one of another week that is not."""
    from fdm.archive import Archive

    landings = Archive(store).landings()
    week = weeks_with_events(store)[0]
    year, number = (int(part) for part in week.split("-W"))
    mine = [r for r in landings.iter_rows(named=True) if r["touchdown_utc"].isocalendar()[:2] == (year, number)]
    start = min(r["touchdown_utc"] for r in mine)
    listed = [(r["tail"], r["flight"], r["touchdown_utc"]) for r in landings.iter_rows(named=True)]
    listed += [("QQ-ZZZ", "ZZ1", start), ("QQ-ZZY", "ZZ2", start - timedelta(days=60))]
    lines = ["tail,flight,start_utc", *(f"{tail},{flight},{at:%Y-%m-%dT%H:%M:%SZ}" for tail, flight, at in listed)]
    beside = store.with_name(f"{store.name}.flown.csv")
    beside.write_text("\n".join(lines) + "\n")
    out = tmp_path / "d.json"
    try:
        assert run(["digest", "--archive", str(store), "--week", week, "--out", str(out)]) == 0
    finally:
        beside.unlink()
    found = json.loads(out.read_text(encoding="utf-8"))
    flights = len({(r["tail"], r["flight"], f"{r['touchdown_utc']:%Y-%m-%dT%H:%M:%S}") for r in mine})
    assert (found["recovery"]["part"], found["recovery"]["whole"]) == (flights, flights + 1)
    assert found["unrecorded"] == [["QQ-ZZZ", 1]]
    assert found["recovery_of_week"]


def test_it_asks_nothing_of_any_host(store: Path) -> None:
    text = digest.html(digest_of(store, weeks_with_events(store)[0]))
    assert not re.search(r"https?:|<script|<link|@import|src=|url\((?!#)", text)
    assert text.count('<section class="page">') == 3
    assert "Operator manuals, regulations and licensed people come first" in text


@pytest.mark.browser
def test_nothing_is_cut_off(browser: BrowserContext, store: Path, held: Held) -> None:
    small = digest_of(store, weeks_with_events(store)[0])
    full = replace(small, week=counted(held, WEEK))
    _, _, lines = worst_lines(held, WEEK, 9)
    full = replace(full, high_lines=tuple(lines), drifting=DRIFTS * 7, drifting_more=2, silent_more=3)
    full = replace(full, unrecorded=(("QQ-LAF", 12),) * 5, unrecorded_more=5, unrecorded_more_aircraft=5)
    page = browser.new_page()
    for of in (small, full):
        page.set_content(digest.html(of))
        beyond = "e => [e.scrollHeight - e.clientHeight, e.scrollWidth - e.clientWidth]"
        for body in page.query_selector_all(".body"):
            down, across = body.evaluate(beyond)
            assert (down, across) <= (1, 1), f"{of.week.week}: {down} px, {across} px"
    page.close()


def test_a_list_that_stops_says_what_it_leaves_out(store: Path) -> None:
    """Seven aircraft with 1 to 7 flights that were not recorded: the five worst are named, 3 flights of 2 are not."""
    from fdm.archive import Archive

    lost = [(f"QQ-ZZ{n}", f"ZZ{k}") for n in range(1, 8) for k in range(n)]
    more = pl.DataFrame(lost, schema=["tail", "flight"], orient="row")
    listed = pl.concat([Archive(store).landings().select("tail", "flight"), more])
    found = digest_of(store, None, listed)
    assert found.unrecorded == tuple((f"QQ-ZZ{n}", n) for n in (7, 6, 5, 4, 3))
    assert (found.unrecorded_more, found.unrecorded_more_aircraft) == (3, 2)
    said = text_of(digest.html(found))
    assert "Not recorded: 3 flights of QQ-ZZ3. And 3 more flights of 2 other aircraft." in said
    few = digest_of(store, None, listed.filter(pl.col("tail") != "QQ-ZZ7", pl.col("tail") != "QQ-ZZ6"))
    assert " more flight" not in text_of(digest.html(few))
    some = text_of(digest.html(replace(few, silent_more=3, drifting=DRIFTS, drifting_more=1)))
    assert "And 3 more parameters, listed under Health." in some
    assert "And 1 more trend, listed under Health." in some


def test_parameters_and_trends_beyond_those_listed_are_counted(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = {"tail": "QQ-LAK", "parameter": "spoilers_armed", "state": "gone", "since": "27 Oct 2026"}
    gone |= {"present_pct": 60.3, "silent_landings": 23, "landings": 58, "faulty_landings": 1}
    monkeypatch.setattr(digest_data, "_health", lambda *_: (DRIFTS * 9, (gone,) * 8))
    found = digest_of(store, None)
    assert (len(found.drifting), found.drifting_more) == (7, 2)
    assert (len(found.silent), found.silent_more) == (5, 3)


@pytest.fixture
def lost_week(store: Path, monkeypatch: pytest.MonkeyPatch) -> pl.DataFrame:
    """Two flights of each day of the week after the newest landing's, and one of the month before the first."""
    from fdm.archive import Archive

    utc = Archive(store).landings()["touchdown_utc"]
    newest, first = utc.max(), utc.min()
    assert isinstance(newest, datetime)
    assert isinstance(first, datetime)
    monday = newest.replace(hour=6) + timedelta(days=7 - newest.weekday())
    monkeypatch.setattr(flown, "utc_now", lambda: monday + timedelta(days=7))
    times = [monday + timedelta(days=n // 2) for n in range(14)] + [first - timedelta(days=30)]
    listed = pl.DataFrame({"tail": ["QQ-ZZZ"] * 15, "flight": [f"ZZ{n}" for n in range(15)], "start_utc": times})
    weeks = [f"{at.isocalendar().year}-W{at.isocalendar().week:02}" for at in times]
    return listed.with_columns(week=pl.Series(weeks), start_utc=pl.col("start_utc").cast(utc.dtype))


def test_the_newest_full_week_is_the_one_that_was_flown_and_not_recorded(store: Path, lost_week: pl.DataFrame) -> None:
    found = digest_of(store, None, lost_week)
    assert found.week.week == lost_week["week"][0]
    assert found.recovery == Share.of(0, 14)
    assert "14 flights were flown, none recorded" in text_of(digest.html(found))
    early = digest_of(store, lost_week["week"][14], lost_week)
    assert early.recovery == Share.of(0, 1)
    assert "1 flight was flown, none recorded" in text_of(digest.html(early))


def test_a_week_before_the_archive_begins_is_refused_in_words(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = min(weeks_with_events(store))
    out = tmp_path / "early.pdf"
    assert run(["digest", "--archive", str(store), "--week", "2026-W30", "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert "no landing of 2026-W30 here; the first week is 2026-W" in said
    assert int(said.partition("first week is 2026-W")[2][:2]) <= int(first[-2:])
    assert "should not have happened" not in said
    assert not out.exists()


def test_plain_data_only(store: Path) -> None:
    text = json.dumps(as_json(digest_of(store, None)), allow_nan=False)
    assert json.loads(text)["week"]["severities"][0]["rate"]["landings"] > 0


def test_an_archive_without_dates_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["digest", "--archive", str(tmp_path / "none")]) == 2
    assert "no archive here" in capsys.readouterr().err
