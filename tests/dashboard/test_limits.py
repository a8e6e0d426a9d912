"""Trying limits: the numbers sent to the page are those that detect finds, and what changes is listed and saved."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from html import unescape
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from conftest import text_of
from scipy.stats import binomtest

import fdm
from dashboard import analysis, limits_happened, limits_lists, limits_side, version_bases, version_desk, words
from dashboard.access import acting
from dashboard.app import build
from dashboard.desk import beside
from dashboard.limits_asked import Asked, asked, limits_asked, limits_now, population
from dashboard.limits_sweep import intervals, sent, swept
from dashboard.pages import limits, rules
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive
from fdm.conditions import TakesIn
from fdm.errors import RuleError
from fdm.people.roles import ANALYST, OFFICER, Actor
from fdm.rule import Limits
from fdm.rulebook import load_rule_book, shipped_folder
from tests.nights import nights


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("limits")
    fdm.load(nights(path / "recordings", 1), path / "archive")
    fdm.detect(path / "archive")
    return path / "archive"


@pytest.fixture(scope="module")
def store(folder):
    desk = beside(folder)
    yield Store(Archive(folder), load_rule_cards, reopen=lambda: Archive(folder), desk=desk)
    desk.close()


def test_the_rule_book_is_read_again_when_a_file_of_it_changed(store, tmp_path, monkeypatch):
    rules = shutil.copytree(shipped_folder(), tmp_path / "rules")
    whole = store.whole()
    monkeypatch.setattr(Store, "whole", lambda _self: replace(whole, run={**whole.run, "rules": str(rules)}))
    first = analysis.book_in_force(store)
    assert analysis.book_in_force(store) is first
    file = rules / "late_spoilers.toml"
    file.write_text(file.read_text().replace("high = 5.0", "high = 6.0"))
    assert analysis.book_in_force(store).rules["late_spoilers"].limits.high == 6.0
    file.write_text("nothing =")
    with pytest.raises(RuleError, match="late_spoilers"):
        analysis.book_in_force(store)


def swept_of(store, rule: str, fleet: str = ""):
    card = store.held().rules[rule]
    return swept(card, fleet, population(analysis.stood(store, rule), card, Asked(fleet=fleet)))


def levels_at(data, chosen: dict[str, float]) -> dict[str, int]:
    """Events by level as the page looks them up: beyond a limit, less those beyond the next."""
    beyond = {level: data["events"][data["x"].index(limit)] for level, limit in chosen.items()} | {"": 0}
    order = [*chosen, ""]
    return {level: beyond[level] - beyond[after] for level, after in pairwise(order)}


@pytest.mark.parametrize("rule", ["late_spoilers", "short_runway_left", "slow_transit"])
def test_the_page_counts_what_detect_finds_with_the_limits_saved(store, folder, tmp_path, rule):
    data = sent(swept_of(store, rule))
    x = np.array(data["x"])
    span = x[len(x) // 8 : -len(x) // 8]
    three = [float(span[int(len(span) * share)]) for share in (0.15, 0.4, 0.7)]
    three = three if data["direction"] > 0 else three[::-1]
    chosen = dict(zip(("low", "medium", "high"), three, strict=True))
    card = store.held().rules[rule]
    given = {"act": "save", "name": f"tried {rule}", "reason": "To see.", "token": rule, "search": "", **chosen}
    said = version_desk.done(store, card, given)
    if "Not saved" in said:
        given["expect"] = dict(re.findall(r'data-expect="([^"]*)" data-got="([^"]*)"', str(said)))
        said = version_desk.done(store, card, given | {"token": rule + "2"})
    saved = text_of(re.search(r'--rules "([^"]*)"', str(said))[1])
    again = tmp_path / "again"
    fdm.load(nights(tmp_path / "recordings", 1), again)
    fdm.detect(again, rules=saved)
    found = dict(fdm.events(again).filter(rule=rule)["severity"].value_counts().iter_rows())
    assert sum(found.values()) > 0
    assert {level: n for level, n in levels_at(data, chosen).items() if n} == found
    outcomes = fdm.outcomes(again).filter(rule=rule).collect()["outcome"]
    assert data["assessed"][data["x"].index(chosen["low"])] == (outcomes != "not_assessed").sum()
    certain = fdm.events(again).filter(pl.col("rule") == rule, pl.col("severity_lowest") != "within").height
    assert data["certain"][data["x"].index(chosen["low"])] == certain


def test_no_more_than_501_points_are_sent_and_nobody_can_be_known_by_them(store):
    for rule, card in store.held().rules.items():
        if card.yes_or_no:
            continue
        data = sent(swept_of(store, rule))
        assert len(data["x"]) <= 501
        text = json.dumps(data)
        assert len(text) < 60_000
        for column in ("tail", "landing_id", "flight"):
            known = store.whole().landings[column].drop_nulls().unique().to_list()
            assert not [name for name in known if f'"{name}"' in text]


def test_intervals_are_those_of_the_published_method():
    # Clopper and Pearson, as SciPy has it; a landing has at most one event of a rule, so no bound passes 1,000
    counts, landings = np.array([0, 1, 0, 40, 3]), np.array([120, 500, 0, 1000, 3])
    lower, upper = intervals(counts, landings)
    for i in (0, 1, 3, 4):
        expected = binomtest(int(counts[i]), int(landings[i])).proportion_ci(method="exact")
        assert (lower[i], upper[i]) == pytest.approx((1000 * expected.low, 1000 * expected.high))
    assert np.isnan(lower[2])
    assert upper[4] == 1000


def test_what_is_asked_in_the_address_is_read_and_nothing_else(store):
    card = store.held().rules["late_spoilers"]
    assert asked("?fleet=Tern+200&runway=QQKB+09&month=2026-11&where=bounces+%3D+0&x=1") == Asked(
        "Tern 200", "QQKB 09", "2026-11", "bounces = 0"
    )
    assert asked("?where=") == Asked(where="")
    assert asked(None) == Asked()
    own = limits_now(card, "")
    assert limits_asked(card, "", {"low": "2.5", "medium": "nan", "high": None}) == own._replace(low=2.5)
    assert limits_asked(card, "", {"low": "1e999"}) == own


def test_without_a_fleet_only_those_without_their_own_limits_are_counted(store):
    card = replace(store.held().rules["late_spoilers"], limits_by_fleet={"Tern 200": {"low": 9.0}})
    found = analysis.stood(store, "late_spoilers")
    assert "Tern 200" not in population(found, card, Asked())["fleet"].to_list()
    assert set(population(found, card, Asked(fleet="Tern 200"))["fleet"]) <= {"Tern 200"}


def test_gained_and_lost_are_listed_with_what_they_were_and_are(store):
    card = store.held().rules["late_spoilers"]
    found = analysis.stood(store, "late_spoilers")
    lower = Limits(card.limits["low"] - 0.5, card.limits["medium"], card.limits["high"])
    changed = limits_lists.changes(found, card, Asked(), lower)
    values = found.filter(~pl.col("barred"))["value"]
    expected = ((values > lower.low) & (values <= card.limits["low"])).sum()
    assert changed.height == expected
    assert set(changed["was"]) <= {"within", "not_assessed"}
    assert set(changed["change"]) == {"gained"}
    assert (
        "every landing is judged as it is now"
        in text_of(limits_lists.lists(limits_lists.changes(found, card, Asked(), limits_now(card, "")), card)).lower()
    )


def fast(store, knots: float) -> tuple[pl.DataFrame, pl.Series]:
    """The landings in force, and the ids of those whose ground speed at touchdown was above so many knots."""
    landings = store.whole().landings
    return landings, landings.filter(pl.col("touchdown_ground_speed_kt") > knots)["landing_id"]


def test_a_condition_that_is_tried_stands_against_the_rule_in_force(store, folder):
    card = store.held().rules["asymmetric_deployment"]
    events = fdm.events(folder).filter(rule="asymmetric_deployment")
    knots = round(float(events["touchdown_ground_speed_kt"].median()) + 0.005, 2)
    landings, above = fast(store, knots)
    kept = int(events["landing_id"].is_in(above.implode()).sum())
    assert 0 < kept < events.height
    wanted = Asked(where=f"touchdown_ground_speed_kt > {knots}")
    found = analysis.stood(store, card.name, wanted.where)
    data = sent(swept(card, "", found, tried=True))
    low = data["x"].index(card.limits["low"])
    assert (data["now"][low], data["events"][low], data["both"][low]) == (events.height, kept, kept)
    assert data["tried"]
    outcomes = fdm.outcomes(folder).filter(rule=card.name).collect()["outcome"]
    assert data["assessed_now"] == (outcomes != "not_assessed").sum()
    assert data["assessed"][low] < data["assessed_now"]
    assert (data["left_out"]["decided"], data["left_out"]["undecided"]) == (0, events.height - kept)
    slow = landings.filter(pl.col("touchdown_ground_speed_kt") <= knots)
    assert data["landings"] == landings.height - slow.height
    changed = limits_lists.changes(found, card, wanted, limits_now(card, ""))
    lost = changed.filter(change="lost")
    assert lost.height == events.height - kept
    assert set(lost["now"]) == {"not_for"}
    assert set(changed["change"]) == {"lost", "otherwise"}
    said = text_of(limits.listed(store, card, {"search": f"?where={wanted.where}"})[0])
    assert "No longer events" in said
    assert "New events" not in said
    assert "Within → left out" in said
    table = limits_lists.counted(limits_lists.both_sides(found, card, wanted, limits_now(card, "")), "fleet", OFFICER)
    assert (table["before"].sum(), table["after"].sum()) == (events.height, kept)


def test_what_is_written_and_what_is_tried_count_the_same_landings_as_left_out(store):
    landings, above = fast(store, 128.0)
    slow = landings.filter(pl.col("touchdown_ground_speed_kt") <= 128.0)
    assert slow.filter(pl.col("kind") != "full_stop").height, "go-arounds among them"
    where = "touchdown_ground_speed_kt > 128"
    said = text_of(version_desk.condition_said(store, where))
    assert said.startswith(f"Of all landings, it holds on {above.len():,}; it does not hold on {slow.height:,}; ")
    facts = text_of(limits.drawn(store, store.held().rules["late_spoilers"], Asked(where=where))[1])
    assert f"Left out {slow.height:,} the rule does not apply" in facts


def test_landings_that_the_rule_is_not_for_stand_apart_and_the_reasons_add_up(store, folder):
    card = store.held().rules["late_reverse"]
    landings, above = fast(store, 128.0)
    slow = landings.filter(pl.col("touchdown_ground_speed_kt") <= 128.0).height
    stopped = landings.filter(kind="full_stop")["landing_id"]
    search = Asked(where="touchdown_ground_speed_kt > 128")
    said = str(limits.drawn(store, card, search)[1])
    apart, assessed, of, missing = (
        int(number.replace(",", ""))
        for number in re.search(
            r"Left out</dt><dd>.*? ([\d,]+) .*?</dd>.*<b>([\d,]+)</b> of ([\d,]+) landing.*"
            r"Not assessed</dt><dd>.*? ([\d,]+)</dd>",
            said,
        ).groups()
    )
    assert assessed + missing == of
    assert apart + of == landings.height
    assert 0 < apart <= slow
    outcomes = fdm.outcomes(folder).filter(rule=card.name).collect()
    known = outcomes.filter(
        pl.col("outcome") != "not_assessed",
        pl.col("landing_id").is_in(above.implode()),
        pl.col("landing_id").is_in(stopped.implode()),
    )
    assert assessed == known.height
    told = [int(n.replace(",", "")) for n in re.findall(r"<li>.*?<b>([\d,]+)</b></li>", said)]
    assert sum(told) == missing
    assert "Condition tried" in said
    assert "Condition tried" not in str(limits.drawn(store, card, Asked())[1])


def test_drawing_and_table_tell_the_same_decisions_also_those_under_earlier_limits(store):
    card = store.held().rules["late_reverse"]
    values = [3.0 + 0.1 * i for i in range(20)]  # the limit in force is 4.0 s: eleven lie within it
    rows = {
        "worst": values, "sure": values, "safe": values, "top": values, "value": values, "lower": values,
        "upper": values, "barred": [False] * 18 + [True] * 2, "barred_now": [False] * 20, "not_for": [False] * 20,
        "reason": [None] * 20, "verdict": ["nuisance"] * 11 + ["valid"] * 5 + [None] * 2 + ["valid"] * 2,
        "severity": [None] * 11 + ["low"] * 9,
    }  # fmt: skip
    whole = swept(card, "", pl.DataFrame(rows, schema_overrides={"reason": pl.String}))
    data = sent(whole)
    low = data["x"].index(4.0)
    assert data["decided"][-1] == sum(share.decided for share in whole.shares) == 16
    assert data["nuisance"][-1] == sum(share.nuisance for share in whole.shares) == 11
    assert (data["decided"][low], data["nuisance"][low]) == (5, 0)  # beyond it; the rest is within
    assert (data["undecided"][-1], data["undecided"][low]) == (2, 2)
    assert data["left_out"] == {"decided": 2, "nuisance": 0, "undecided": 0}


def test_small_groups_are_shown_to_the_officer_alone_and_do_not_come_out_of_all():
    said = pl.DataFrame(
        {
            "fleet": ["A"] * 40 + ["B"] * 3 + ["C"] * 20,
            "was": ["within"] * 30 + ["low"] * 10 + ["low"] * 3 + ["within"] * 20,
            "now": ["within"] * 38 + ["low"] * 2 + ["high"] * 3 + ["within"] * 20,
        }
    ).with_columns(barred=False, barred_now=False)
    officer = limits_lists.counted(said, "fleet", OFFICER).rows()
    analyst = limits_lists.counted(said, "fleet", ANALYST).rows()
    assert officer == [("A", 40, 40, 10, 2), ("C", 20, 20, 0, 0), ("B", 3, 3, 3, 3)]
    assert analyst == [("A", 40, 40, 10, 2), ("B", None, None, None, None), ("C", None, None, None, None)]


def judged(**groups: list[tuple[str, str, int]]) -> pl.DataFrame:
    """Landings by runway: what they were in force and are now, and how many; left out are those with another bar."""
    rows = [(place, *one[:2]) for place, parts in groups.items() for one in parts for _ in range(one[2])]
    said = pl.DataFrame(rows, schema=["place", "was", "now"], orient="row")
    return said.with_columns(barred=pl.col("now") == "not_for", barred_now=pl.lit(value=False))


def test_hidden_groups_stand_by_name_whatever_they_count():
    sizes = {"A": 1, "B": 4, "C": 2, "D": 30, "E": 3, "F": 50, "G": 12}
    said = judged(**{name: [("within", "low", n)] for name, n in sizes.items()})
    said = said.sample(fraction=1.0, shuffle=True, seed=3)
    assert limits_lists.counted(said, "place", ANALYST)["place"].to_list() == ["F", "D", "G", "A", "B", "C", "E"]
    assert limits_lists.counted(said, "place", OFFICER)["place"].to_list() == ["F", "D", "G", "B", "E", "C", "A"]


def test_groups_that_a_table_has_no_room_for_can_be_opened():
    said = judged(**{f"R{n:02}": [("within", "low", 40 - n)] for n in range(18)})
    shown = limits_lists._by(said, "place", "Runway", OFFICER, told=True)
    first, _, rest = shown.partition("<summary>4 more</summary>")
    assert [f"R{n:02}" for n in range(14)] == re.findall(r"<td>(R\d\d)</td>", first)
    assert [f"R{n:02}" for n in range(14, 18)] == re.findall(r"<td>(R\d\d)</td>", rest)


def test_a_group_does_not_tell_how_few_of_it_a_condition_leaves_out():
    kept, gone = ("within", "within"), ("within", "not_for")
    said = judged(A=[(*kept, 40), (*gone, 3)], B=[(*kept, 30), (*gone, 9)], C=[(*kept, 20), (*gone, 20)])
    analyst = {row[0]: row[1:3] for row in limits_lists.counted(said, "place", ANALYST).iter_rows()}
    assert analyst == {"A": (40, None), "B": (30, None), "C": (20, 40)}, "of all, C and B would tell A"
    officer = {row[0]: row[1:3] for row in limits_lists.counted(said, "place", OFFICER).iter_rows()}
    assert officer == {"A": (40, 43), "B": (30, 39), "C": (20, 40)}


@pytest.mark.parametrize(("lost", "tells"), [(3, False), (5, True), (0, True)])
def test_assessed_in_force_is_not_told_where_few_not_assessed_would_come_out(store, lost, tells):
    # 40 within, and some of which it cannot be told, that the condition leaves out; 30 within stay
    n, out, far = 70 + lost, 40 + lost, float("inf")
    worst, safe = [0.5] * 40 + [-far] * lost + [0.5] * 30, [0.5] * 40 + [far] * lost + [0.5] * 30
    gone = [True] * out + [False] * 30
    found = pl.DataFrame(
        {"worst": worst, "sure": worst, "safe": safe, "top": safe, "value": worst, "lower": worst, "upper": worst,
         "barred": gone, "not_for": gone, "barred_now": [False] * n, "not_for_now": [False] * n, "reason": [None] * n,
         "severity": [None] * n, "verdict": [None] * n, "fleet": ["A", "B"] * (n // 2) + ["A"] * (n % 2),
         "place": ["P"] * n, "month": ["2026-11"] * n},
        schema_overrides=dict.fromkeys(("reason", "severity", "verdict"), pl.String),
    )  # fmt: skip
    card, wanted = store.held().rules["late_spoilers"], Asked(where="bounces = 0")
    own = limits_now(card, "")
    assert sent(swept(card, "", found, tried=True, least=5))["assessed_now"] == (70 if tells else None)
    assert sent(swept(card, "", found, tried=True))["assessed_now"] == 70
    groups = text_of(limits_lists.breakdown(found, card, wanted, own, ANALYST))
    assert ("35 → 15" in groups) is tells
    assert ("Assessed in force is not told" in groups) is not tells
    happened = store.held().rules["spoilers_not_armed"]
    said = limits_happened.numbers(found, happened, wanted, 5)
    assert (re.search(r"Assessed 70 30", text_of(said)) is not None) is tells
    assert ("hatch" in said) is not tells
    assert "35 → 15" in text_of(limits_lists.breakdown(found, card, wanted, own, OFFICER))


@pytest.mark.parametrize(("open_", "gone", "tells"), [(2, 9, True), (2, 3, False), (2, 0, False), (9, 9, True)])
def test_few_that_cannot_be_told_any_more_are_covered_by_what_is_left_out(store, open_, gone, tells):
    # within: 30 stay, 40 are left out, of some (open_) the condition cannot be told; not assessed: some (gone) left out
    far, n = float("inf"), 70 + open_ + gone
    worst, safe = [0.5] * (70 + open_) + [-far] * gone, [0.5] * (70 + open_) + [far] * gone
    barred, out = [False] * 30 + [True] * (n - 30), [False] * 30 + [True] * 40 + [False] * open_ + [True] * gone
    found = pl.DataFrame(
        {"worst": worst, "sure": worst, "safe": safe, "top": safe, "barred": barred, "not_for": out,
         "barred_now": [False] * n, "not_for_now": [False] * n}
    )  # fmt: skip
    card, wanted = store.held().rules["late_spoilers"], Asked(where="bounces = 0")
    assert limits_lists.in_force_told(found, card, wanted, 5) is tells
    covered = limits_lists.covers(found, card, wanted, 5)
    assert covered is (tells and open_ < 5)
    said = limits_lists.both_sides(found, card, wanted, limits_now(card, "")).filter(pl.col("was") != pl.col("now"))
    cells = {row[:2]: row[2] for row in limits_lists.told_otherwise(said, 5, covered=covered).iter_rows()}
    if covered:
        assert set(cells.values()) == {None}
    if open_ == 9:
        assert cells["within", "not_for"] == 40


def test_other_landings_do_not_tell_a_small_number_by_the_one_that_is_left():
    rows = judged(A=[("within", "not_for", 966), ("not_assessed", "not_for", 3), ("within", "not_assessed", 8)])
    card = load_rule_cards({"rules": str(shipped_folder())})["late_spoilers"]
    shown = rows.with_columns(change=pl.lit("otherwise"))
    analyst = text_of(limits_lists.lists(shown, card, 5))
    assert re.findall(r"\d+", analyst) == ["8", "5"], "8 not assessed, and fewer than 5"
    assert re.search("Within → not assessed: 8 .*Not assessed → left out: .*Within → left out", analyst)
    officer = text_of(limits_lists.lists(shown, card))
    assert "Within → left out: 966 " in officer
    assert "Not assessed → left out: 3" in officer


ANA = Actor("ana", ANALYST)


def speeds(store) -> list[float]:
    """Ground speeds at touchdown of landings that came to a full stop, the fastest first."""
    stopped = store.whole().landings.filter(kind="full_stop")
    return sorted(stopped["touchdown_ground_speed_kt"].drop_nulls().drop_nans(), reverse=True)


@pytest.mark.parametrize("where", ["touchdown_ground_speed_kt > {0}", "NOT touchdown_ground_speed_kt > {0}"])
def test_an_analyst_gets_nothing_of_a_condition_that_takes_in_or_leaves_out_few(store, where):
    card = store.held().rules["asymmetric_deployment"]
    fastest = speeds(store)
    few, many = (where.format(round((fastest[n - 1] + fastest[n]) / 2, 2)) for n in (2, 12))
    given = {"search": f"?where={few}"}
    assert "Assessed" in str(limits.drawn(store, card, Asked(where=few))[1])
    with acting(ANA):
        drawn, facts = limits.drawn(store, card, Asked(where=few))
        assert "Fewer than 5 landings" in drawn
        assert facts == ""
        assert limits.listed(store, card, given) == ("", "")
        said = text_of(version_desk.condition_said(store, few))
        assert re.findall(r"\d+", said) == ["5"]
        assert "Assessed" in str(limits.drawn(store, card, Asked(where=many))[1])


def test_an_analyst_reads_the_same_counts_on_every_page(store):
    cards = store.held().rules
    found = store.whole().events.filter(rule="asymmetric_deployment").height
    with acting(ANA):
        data = json.loads(
            re.search(r'data-sweep="([^"]*)"', limits.drawn(store, cards["asymmetric_deployment"], Asked())[0])[
                1
            ].replace("&#34;", '"')
        )
        said = text_of(rules.rule_page(store, store.held(), cards["asymmetric_deployment"]))
    assert data["events"][data["x"].index(data["limits"]["low"])] == found
    assert f"{found} event" in said


@pytest.mark.parametrize(
    ("taken", "tells"),
    [
        (TakesIn(314, 1719, 1), "Of all landings, it holds on 314."),
        (TakesIn(314, 3, 60), "Fewer than 5 landings are taken in by this, or left out. So few are not counted."),
        (TakesIn(0, 9, 7), "Of all landings, it holds on 0; it does not hold on 9; it cannot be told on 7."),
    ],
)  # fmt: skip
def test_what_a_condition_takes_in_does_not_tell_an_analyst_a_small_number(store, monkeypatch, taken, tells):
    monkeypatch.setattr(version_desk, "takes_in", lambda _archive, _where: taken)
    with acting(ANA):
        assert text_of(version_desk.condition_said(store, "bounces > 0")).strip() == tells


def test_reasons_that_would_tell_a_small_one_have_no_number_for_an_analyst(store):
    card = store.held().rules["late_reverse"]
    why = ["a gap"] * 20 + ["no touchdown"] * 9 + ["not recorded"] * 2
    n = len(why) + 30
    found = pl.DataFrame(
        {"landing_id": [str(i) for i in range(n)], "not_for": [False] * n, "reason": [*why, *[None] * 30]}
    )
    officer = text_of(limits_side.facts(store.held(), card, Asked(), found))
    assert "A gap 20 No touchdown 9 Not recorded 2" in officer
    with acting(ANA):
        analyst = text_of(limits_side.facts(store.held(), card, Asked(), found))
    assert "A gap 20 No touchdown Other reasons" in analyst
    assert not re.search(r"\b(9|2|11)\b", analyst)


def test_few_landings_not_assessed_are_not_told_to_an_analyst(store):
    card = store.held().rules["late_reverse"]
    found = analysis.stood(store, card.name)
    assessed = found.filter(pl.col("reason").is_null())
    some = pl.concat([assessed, found.filter(pl.col("reason").is_not_null() & ~pl.col("not_for")).head(3)])
    whole = sent(swept(card, "", some))
    assert whole["landings"] == some.height
    assert sent(swept(card, "", some, least=5))["landings"] is None
    with acting(ANA):
        said = text_of(limits_side.facts(store.held(), card, Asked(), some))
    assert "fewer than 5" in said
    assert f"of {some.height}" not in said
    assert f"of {some.height}" in text_of(limits_side.facts(store.held(), card, Asked(), some))


def test_a_case_that_no_longer_holds_refuses_and_nothing_is_written(store):
    card = store.held().rules["late_spoilers"]
    before = store.desk.books().versions().height
    given = {"act": "save", "name": "x", "reason": "y", "token": "refused", "search": "", "low": 1.0}
    said = text_of(version_desk.done(store, card, given))
    assert "Not saved" in said
    assert "two seconds is on the limit" in said
    assert store.desk.books().versions().height == before


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"name": ""}, "The name of the version is missing"),
        ({"reason": " "}, "The reason for the change is missing"),
        ({"low": 9.0}, "not in the order"),
        ({"low": 2.0}, "Nothing was changed"),
        ({"search": "?where=bouncs+%3D+0"}, "no landing column"),
        ({"search": "?fleet=..%2F..%2Fetc"}, "No landing is of fleet"),
        ({"expect": {"no such case": "low"}}, "no case"),
    ],
)
def test_what_cannot_be_saved_is_refused_in_words(store, change, says):
    card = store.held().rules["late_spoilers"]
    given = {"act": "save", "name": "x", "reason": "y", "token": str(change), "search": "", "low": 2.05} | change
    said = text_of(version_desk.done(store, card, given))
    assert says in said
    assert "Saved as" not in said


def test_saving_writes_beside_the_archive_and_into_the_log(store, folder):
    card = store.held().rules["late_spoilers"]
    given = {
        "act": "save", "name": "../../winter; rm", "reason": "Short runways.", "token": "t", "search": "", "high": 5.2,
    }  # fmt: skip
    in_force = load_rule_book()
    said = version_desk.done(store, card, given)
    saved = text_of(re.search(r'--rules "([^"]*)"', str(said))[1])
    assert re.fullmatch(re.escape(f"{folder}.rules/") + r"\d{6}", saved)
    assert load_rule_book(saved).rules["late_spoilers"].limits == Limits(2.0, 3.0, 5.2)
    assert load_rule_book(saved).version == "../../winter; rm"
    assert load_rule_book().hash == in_force.hash
    newest = store.desk.books().versions().row(0, named=True)
    assert newest["reason"] == "Short runways."
    assert "+high = 5.2" in text_of(said)


def test_a_version_that_cannot_be_written_is_still_kept_and_says_so(store, folder, monkeypatch):
    def full(self, version_id, folder):
        raise OSError("No space left on device")

    monkeypatch.setattr("fdm.people.books.Books.write", full)
    card = store.held().rules["late_spoilers"]
    before = store.desk.books().versions().height
    given = {"act": "save", "name": "n", "reason": "r", "token": "full", "search": "", "high": 5.1}
    said = text_of(version_desk.done(store, card, given))
    assert "No space left on device" in said
    assert "not written" in said
    assert store.desk.books().versions().height == before + 1
    assert f"Version {before + 1}, n, saved by" in text_of(version_bases.choice(version_bases.bases_of(store)))


def test_the_page_says_why_when_there_is_nothing_to_move(store):
    cards = store.held().rules
    yes_or_no = next(card for card in cards.values() if card.yes_or_no)
    assert "no limit to move" in text_of(limits.drawn(store, yes_or_no, Asked())[0])
    assert "No landing is under these filters" in text_of(
        limits.drawn(store, cards["late_spoilers"], Asked(fleet="none"))[0]
    )
    assert "cannot be tried" in text_of(limits.drawn(store, cards["late_spoilers"], Asked(where="bouncs"))[0])
    assert "no such rule" in str(limits.layout(store, "late_spoiler", ""))


def test_a_rule_that_asks_yes_or_no_has_its_events_rate_groups_and_list(store, folder):
    card = store.held().rules["spoilers_not_armed"]
    events = fdm.events(folder).filter(rule=card.name)
    outcomes = fdm.outcomes(folder).filter(rule=card.name).collect()["outcome"]
    assessed = int((outcomes != "not_assessed").sum())
    interval = binomtest(events.height, assessed).proportion_ci(method="exact")
    said, groups = (text_of(part) for part in limits.listed(store, card, {"search": ""}))
    n = events.height
    assert n > 0
    assert re.search(rf"{n} {n} 0 0 Assessed {assessed} {assessed}", said)
    assert f"({1000 * interval.low:.0f}–{1000 * interval.high:.0f})" in said
    assert f"none decided 0 {n}" in said
    assert "judged as it is now" in said
    assert "By fleet" in groups
    none = {"search": "?where=touchdown_ground_speed_kt+%3E+400"}
    lost = text_of(limits.listed(store, card, none)[0])
    assert re.search(rf"{n} 0 0 −{n} Assessed {assessed} 0", lost)
    assert re.search(rf"All none decided 0 0 Left out by the condition none decided 0 {n} Score", lost)
    assert "Left out by the condition" not in said
    assert "No longer events" in lost
    assert lost.count("left out yes") == n
    assert "1 count" not in lost


def test_a_page_opened_before_another_rule_book_came_into_force_says_so(store):
    opened = limits.judged_by(store)
    assert limits.judged_since(store, opened) == ""
    assert limits.judged_since(store, None) == ""
    said = limits.judged_since(store, ["another book", opened[1]])
    assert "The rule book in force has changed since this page was opened" in said
    assert "Load the page anew" in said
    assert "The landings were judged anew since" in limits.judged_since(store, [opened[0], "another day"])


def test_limits_of_another_rule_do_not_come_into_one_that_has_none_to_move(store):
    card = store.held().rules["no_reverse"]
    given = {"act": "check", "search": "", "low": 7.0, "token": "t", "name": "", "reason": ""}
    assert "Nothing was changed" in text_of(limits.saved(store, card, given))


@pytest.mark.parametrize("search", ["?fleet=none", "?where=bounces+%3E"])
def test_nothing_is_saved_where_nothing_is_counted(store, search):
    card = store.held().rules["late_spoilers"]
    before = store.desk.books().versions().height
    given = {"act": "save", "search": search, "where": "", "name": "n", "reason": "r", "token": search, "high": 5.4}
    said = text_of(limits.saved(store, card, given))
    assert "Nothing is counted under these filters, so there is nothing to save." in said
    assert store.desk.books().versions().height == before
    assert [str(part) for part in limits.listed(store, card, given)] == ["", ""]


def test_a_condition_is_counted_or_marked_where_it_is_wrong(store):
    assert "Of all landings, it holds on" in text_of(version_desk.condition_said(store, "bounces = 0"))
    wrong = str(version_desk.condition_said(store, "bouncs = 0 AND <b>"))
    assert "<mark>bouncs</mark>" in wrong
    assert "<b>" not in wrong


def test_an_analyst_cannot_ask_a_condition_whose_landing_it_is():
    for name in ("tail", "flight", "source_file", "touchdown_utc", "start_utc", "departure", "landing_id"):
        assert name in version_desk.barred_for(ANALYST)
    assert not {"arrival", "runway", "bounces", "fleet"} & version_desk.barred_for(ANALYST)
    assert not version_desk.barred_for(OFFICER)


def test_an_analyst_reads_months_by_name(store):
    card = store.held().rules["late_reverse"]
    with acting(ANA):
        said = text_of(limits.listed(store, card, {"search": "", "low": 1.0, "medium": 2.0})[0])
    assert not re.findall(r"\b\d{4}-\d{2}\b", said)
    assert re.search(r"\d, (Sep|Oct|Nov) 2026 ", said)


def test_every_callback_of_the_page_says_whom_it_is_for(store):
    app = build(store)
    own = {key: entry for key, entry in app.callback_map.items() if "limits-" in key}
    assert len(own) >= 4


def test_a_rules_page_tells_all_of_its_file(store):
    for name, rule in load_rule_book().rules.items():
        said = unescape(text_of(rules.rule_page(store, store.held(), store.held().rules[name])))
        for part in ("How it is measured", "Parameters needed", "What it can miss", "Cases", "Try other limits"):
            assert part in said, name
        assert rule.title in said
        for case in rule.cases:
            assert words.plain(case.name)[1:] in said
        assert "_" not in re.sub(r'".*?"', "", said), "a name that only programs use"


def test_what_stands_beside_the_draft_is_called_by_what_it_is(store, monkeypatch):
    """The rule's file was edited after the landings were judged: what is shown is the folder, not what is in force."""
    card = store.held().rules["late_spoilers"]
    search = {"search": ""}
    said = str(limits.layout(store, card.name, "")) + str(limits.listed(store, card, search)[1])
    assert "In force" in said
    assert "Rule folder now" not in said
    edited = replace(card, hash="0" * 20)
    held = replace(store.whole(), rules={**store.whole().rules, card.name: edited})
    monkeypatch.setattr(store, "whole", lambda: held)
    said = str(limits.layout(store, card.name, "")) + str(limits.listed(store, edited, search)[1])
    assert said.count("Rule folder now") >= 3
    assert "In force" not in said
    assert "Origin, decision" in str(limits.listed(store, edited, {**search, "low": 1.0})[0])
