"""What an event cost, in words."""

from __future__ import annotations

from dashboard import words
from dashboard.store import Store
from fdm.people.roles import ANALYST, CAPTAIN, at_this_machine
from tests.dashboard.invented_archive import RULES, FakeArchive

NOTHING = {
    "extra_m": None, "extra_m_lower": None, "extra_m_upper": None,
    "extra_s": None, "extra_s_lower": None, "extra_s_upper": None,
    "brake_energy_mj": None, "brake_energy_mj_lower": None, "brake_energy_mj_upper": None, "reason": None,
}  # fmt: skip


def row(metres=(), seconds=(), energy=(), reason=None):
    found = NOTHING | {"reason": reason}
    for name, three in (("extra_m", metres), ("extra_s", seconds), ("brake_energy_mj", energy)):
        if three:
            found[name], found[f"{name}_lower"], found[f"{name}_upper"] = three
    return found


def test_metres_seconds_and_brakes():
    said = words.cost(row((182, 121, 263), (4.2, 3.0, 5.8), (12.3, 8, 16)))
    assert said == "Cost about 180 m (120–260) and 4.2 s of rollout to 30 kt; 12 MJ more in the brakes."


def test_less_in_the_brakes_and_nothing_of_them_when_it_is_not_certain():
    assert "; 17 MJ less in the brakes" in words.cost(row((160, 120, 200), (4, 3, 5), (-17, -22, -12)))
    assert "brakes" not in words.cost(row((160, 120, 200), (4, 3, 5), (1, -2, 4)))


def test_an_interval_over_zero_is_no_cost_that_can_be_told():
    said = words.cost(row((4, -6, 13), (0.1, -0.1, 0.3), (5.2, 3, 7)))
    assert said == "No cost in distance that can be told: 4 m (−6 to 13) to 30 kt; 5 MJ more in the brakes."


def test_only_a_range():
    said = words.cost(row((None, 20, 260), reason="only a range: the main gear left the runway again for 1.9 s"))
    assert said == "Cost between 20 and 260 m of rollout; the main gear left the runway again for 1.9 s."


def test_cannot_tell_in_words_without_names_of_parameters():
    said = words.cost(row(reason="not recorded: autobrake_active, and the braking is too short to show it"))
    assert said == "Cost cannot be told, not recorded: autobrake active, and the braking is too short to show it."
    assert words.cost(None) == words.cost_fact(None) == ""
    assert (
        words.cost_fact(row(reason="the brakes were never applied")) == "Cannot be told: the brakes were never applied."
    )


def test_short_form_for_lists():
    assert words.cost_short(row((182, 121, 263))) == "180 m (120–260)"
    assert words.cost_short(row((None, 20, 263), reason="only a range: …")) == "20–260 m"
    assert words.cost_short(row(reason="not recorded")) == "cannot tell"
    assert words.cost_short(None) == ""


def test_costs_go_by_the_keys_that_a_role_knows():
    """An analyst asks by pseudonyms, and gets the same numbers; never the landing's own id."""
    own = Store(FakeArchive(), lambda _run: RULES)
    seen = Store(FakeArchive(), lambda _run: RULES, viewer=lambda: at_this_machine(ANALYST))
    mine, theirs = own.held(), seen.held()
    assert theirs.costs.height == mine.costs.height > 0
    assert not set(theirs.costs["landing_id"]) & set(mine.costs["landing_id"])
    event = theirs.events.filter(rule="late_spoilers").row(0, named=True)
    assert seen.cost_of(event["event_id"])["extra_m"] == 180.0
    assert seen.cost_of(event["event_id"])["landing_id"] == event["landing_id"]
    assert seen.cost_of(mine.costs["event_id"][0]) is None


def test_a_captain_sees_no_cost_of_what_is_not_released():
    seen = Store(FakeArchive(), lambda _run: RULES, viewer=lambda: at_this_machine(CAPTAIN))
    assert seen.held().costs.is_empty()
