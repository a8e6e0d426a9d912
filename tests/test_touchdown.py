"""First contact, bounces and going around, in thousands of simulated arrivals whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from fdm.recording import Recording
from fdm.steps import Rollout
from fdm.touchdown import Touchdown, find_touchdown
from tests.making import Arrival, Truth, between, held, line, recording, rollout, sampled, switch, why

SPEED = line((-30, 150), (0, 140), (40, 20), (60, 15))
SPAN = {"start_s": -20.0, "end_s": 26.0}


def firm(rng: np.random.Generator) -> Arrival:
    return Arrival(
        jolts_g=(rng.uniform(0.12, 0.6),),
        rise_s=rng.uniform(0.04, 0.25),
        sink_fps=rng.uniform(2, 9),
        flare_g=rng.uniform(0, 0.12),
        resting_ft=rng.uniform(-4, 4),
        nose_up_ft=rng.uniform(-2, 2),
    )


def soft(rng: np.random.Generator) -> Arrival:
    """A jolt hardly felt, or one that long struts spread over up to a second and a half."""
    return Arrival(
        jolts_g=(rng.uniform(0.03, 0.25),),
        rise_s=rng.uniform(0.3, 1.5),
        sink_fps=rng.uniform(1, 4),
        flare_g=rng.uniform(0, 0.12),
        resting_ft=rng.uniform(-4, 4),
        nose_up_ft=rng.uniform(-2, 2),
    )


def bounced(rng: np.random.Generator) -> Arrival:
    rolled_s, hop_s = rng.uniform(0.2, 1.5), rng.uniform(0.3, 2)
    return Arrival(
        on=((0, rolled_s), (rolled_s + hop_s, 1e6)),
        jolts_g=(rng.uniform(0.2, 0.7), rng.uniform(0.1, 0.6)),
        rise_s=rng.uniform(0.04, 0.2),
        sink_fps=rng.uniform(3, 9),
        airborne_g=rng.uniform(0.5, 0.95),
        resting_ft=rng.uniform(-4, 4),
    )


def turbulent(felt: Truth, rng: np.random.Generator) -> Truth:
    """Gusts of half a second and more, half of the time light, else up to moderate."""
    knots = np.arange(-40, 40, 0.5)
    gusts_g = rng.normal(0, rng.choice([0.005, 0.05]), len(knots)) * (knots < 1)
    return lambda t: felt(t) + np.interp(t, knots, gusts_g)


def recorded(
    arrival: Arrival,
    rng: np.random.Generator,
    *,
    gear_hz: float = 1.0,
    g_hz: float = 0.0,
    height_hz: float = 0.0,
    ground: Truth | None = None,
    more: Sequence[str] = (),
    calm: bool = False,
) -> Recording:
    """The arrival as a recorder keeps it, each parameter at its own random phase."""

    def take(name: str, truth: Truth, rate_hz: float, **how: float) -> object:
        return sampled(name, truth, rate_hz, rng.uniform(0, 1 / rate_hz), rng=rng, **SPAN, **how)  # type: ignore[arg-type]

    made = [take("ground_speed", SPEED, 1.0)]
    if gear_hz:
        made.append(take("main_gear_ground", ground or arrival.ground, gear_hz))
    if g_hz:
        felt = arrival.normal_g if calm else turbulent(arrival.normal_g, rng)
        noise = rng.choice([0.005, 0.02, 0.03])
        made.append(take("normal_acceleration", felt, g_hz, noise=noise, resolution=0.004))
    if height_hz:
        made.append(take("radio_height", arrival.height_ft, height_hz, noise=0.7, resolution=1))
    if "nose" in more:
        made.append(take("nose_gear_ground", switch(0, (4, 1)), 1.0))
    return recording(made, content=str(rng.integers(2**60)))  # type: ignore[arg-type]


def found(recordings: Sequence[Recording]) -> tuple[Rollout, Touchdown]:
    batch = rollout(recordings, start_s=-20, end_s=25)
    with np.errstate(invalid="ignore"):
        return batch, find_touchdown(batch)


def contact_of(touchdown: Touchdown, truth_s: float | np.ndarray = 0.0):  # type: ignore[no-untyped-def]
    contact = touchdown.contact
    return held(np.broadcast_to(truth_s, contact.best.shape), contact.best, contact.earliest, contact.latest)


# coverage -------------------------------------------------------------------------------------------------------------

N = 120


@pytest.mark.parametrize("gear_hz", [0.25, 0.5, 1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("arrive", [firm, soft])
def test_first_contact_lies_within_its_bounds(gear_hz: float, arrive) -> None:  # type: ignore[no-untyped-def]
    """Normal acceleration at no, 4, 8 and 16 Hz; noise to 0.03 g; half of the landings in gusts."""
    rng = np.random.default_rng(int(gear_hz * 8))
    inside, errors = [], []
    for g_hz in (0.0, 4.0, 8.0, 16.0):
        made = [recorded(arrive(rng), rng, gear_hz=gear_hz, g_hz=g_hz, height_hz=4 * (g_hz == 8)) for _ in range(N)]
        _, touchdown = found(made)
        contact = contact_of(touchdown)
        assert (contact.width <= 1 / gear_hz + 1e-3).all(), "never wider than the air/ground sampling"
        inside.append(contact.inside)
        errors.append(contact.error)
        assert (touchdown.left_ground.why != 0).all()
        assert (touchdown.bounces.value == 0).all()
        assert (touchdown.airborne_s.value == 0).all()
    assert np.mean(inside) >= 0.99
    bias_s, width_s = np.mean(errors), 1 / gear_hz
    assert abs(bias_s) < 0.1 * width_s + 0.02


def test_a_sharp_jolt_narrows_contact_to_a_third_of_a_second() -> None:
    rng = np.random.default_rng(3)
    for g_hz, width_s in ((4.0, 0.51), (8.0, 0.51), (16.0, 0.45)):
        calm = [Arrival(jolts_g=(0.35,), rise_s=0.1, flare_g=0.1) for _ in range(N)]
        _, touchdown = found([recorded(a, rng, gear_hz=1.0, g_hz=g_hz, height_hz=4) for a in calm])
        contact, narrowed = contact_of(touchdown), touchdown.by == "main gear and jolt"
        assert contact.share >= 0.99
        assert narrowed.mean() > 0.3 + 0.05 * g_hz / 4
        assert np.median(contact.width[narrowed]) <= width_s


def test_a_flare_is_not_a_jolt() -> None:
    """1.1 g and more, well before contact, and a contact too soft to be felt."""
    rng = np.random.default_rng(4)
    made = [
        recorded(Arrival(jolts_g=(0.02,), rise_s=0.5, flare_g=0.15), rng, gear_hz=0.5, g_hz=g_hz)
        for g_hz in (8.0,)
        for _ in range(N)
    ]
    _, touchdown = found(made)
    assert contact_of(touchdown).share == 1.0
    assert (touchdown.by == "main gear").mean() > 0.98


@pytest.mark.parametrize("gear_hz", [1.0, 2.0, 4.0, 8.0])
def test_bounces_seen_by_the_gear_lie_within_their_bounds(gear_hz: float) -> None:
    """A touch or a hop shorter than a sampling step may go unseen; one that is longer may not."""
    rng = np.random.default_rng(int(gear_hz) + 10)
    for g_hz, height_hz in ((0.0, 0.0), (8.0, 4.0)):
        arrivals = [bounced(rng) for _ in range(2 * N)]
        _, touchdown = found([recorded(a, rng, gear_hz=gear_hz, g_hz=g_hz, height_hz=height_hz) for a in arrivals])
        rolled_s = np.array([a.on[0][1] for a in arrivals])
        settled_s = np.array([a.on[1][0] for a in arrivals])
        seen = (rolled_s >= 1 / gear_hz) & (settled_s - rolled_s >= 1 / gear_hz)
        assert seen.sum() > 10
        settled, hop = touchdown.settled, touchdown.airborne_s
        assert contact_of(touchdown).inside[seen].mean() >= 0.99
        assert held(settled_s, settled.best, settled.earliest, settled.latest).inside[seen].mean() >= 0.99
        assert held(settled_s - rolled_s, hop.value, hop.lower, hop.upper).inside[seen].mean() >= 0.98
        assert (touchdown.bounces.value[seen] == 1).mean() >= 0.98
        assert (touchdown.left_ground.why != 0).all()


def test_a_touch_that_the_gear_missed_is_found_by_its_jolt() -> None:
    """A hop right after a touch between two samples: contact is where the jolt is, and bounds hold the hop."""
    rng = np.random.default_rng(5)
    arrivals = [
        Arrival(on=((0, 0.3), (1.3, 1e6)), jolts_g=(0.6, 0.3), rise_s=0.06, airborne_g=0.7, sink_fps=8)
        for _ in range(N)
    ]
    _, touchdown = found([recorded(a, rng, gear_hz=1.0, g_hz=8.0, height_hz=4.0) for a in arrivals])
    missed = touchdown.by == "jolt before main gear"
    assert missed.mean() > 0.4
    assert contact_of(touchdown).inside[missed].mean() >= 0.99
    hop = held(np.full(N, 1.0), touchdown.airborne_s.value, touchdown.airborne_s.lower, touchdown.airborne_s.upper)
    settled = held(np.full(N, 1.3), touchdown.settled.best, touchdown.settled.earliest, touchdown.settled.latest)
    assert hop.inside[missed].mean() >= 0.99
    assert settled.inside[missed].mean() >= 0.99
    assert (touchdown.bounces.upper[missed] >= 1).all()


def test_a_switch_that_comes_late_does_not_move_first_contact() -> None:
    """Tilting bogies: the discrete follows a second after the wheels; the jolt and the radio height tell."""
    rng = np.random.default_rng(6)
    arrivals = [Arrival(jolts_g=(0.5,), rise_s=0.08, sink_fps=6, airborne_g=1.0) for _ in range(N)]
    late = between((1.0, 1e6))
    _, touchdown = found([recorded(a, rng, gear_hz=2.0, g_hz=8.0, height_hz=4.0, ground=late) for a in arrivals])
    assert contact_of(touchdown).share >= 0.85, "gusts may hide the jolt"
    assert (touchdown.bounces.value == 0).mean() >= 0.92, "gusts may look like flying"
    assert (touchdown.airborne_s.value < 0.3).mean() >= 0.92
    told = touchdown.notes[int(np.flatnonzero(touchdown.by == "jolt before main gear")[0])]
    assert told[0].startswith("air/ground says ground only 1.")


# the radio height -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height_hz", [1.0, 2.0, 4.0, 8.0])
def test_without_air_ground_the_radio_height_finds_contact(height_hz: float) -> None:
    rng = np.random.default_rng(int(height_hz))
    made = [recorded((firm, soft)[i % 2](rng), rng, gear_hz=0, g_hz=8.0, height_hz=height_hz) for i in range(2 * N)]
    batch, touchdown = found(made)
    contact = contact_of(touchdown)
    assert contact.share >= 0.97
    assert np.nanmedian(contact.width) < 5.0
    assert set(touchdown.by) <= {"radio height", "radio height and jolt"}
    assert {why(batch, code) for code in touchdown.bounces.why} == {"not recorded: main_gear_ground"}
    assert np.isnan(touchdown.airborne_s.value).all()


def test_neither_air_ground_nor_radio_height_is_no_touchdown() -> None:
    batch, touchdown = found([recorded(Arrival(), np.random.default_rng(0), gear_hz=0)])
    assert not touchdown.contact.happened.any()
    assert "neither main-gear air/ground nor radio height" in why(batch, touchdown.contact.why[0])


def test_a_gear_without_contact_leaves_it_to_the_radio_height_on_that_landing_only() -> None:
    rng = np.random.default_rng(7)
    stuck = recorded(Arrival(), rng, height_hz=4.0, ground=switch(0))
    batch, touchdown = found([recorded(Arrival(), rng, height_hz=4.0), stuck])
    assert touchdown.by.tolist() == ["main gear", "radio height"]
    assert contact_of(touchdown).inside.all()
    assert why(batch, touchdown.bounces.why[1]) == "a bounce cannot be told from radio height"


def test_contact_in_a_gap_of_the_gear_is_narrowed_by_the_radio_height() -> None:
    rng = np.random.default_rng(8)
    lost = sampled("main_gear_ground", between((0, 1e6)), 1.0, 0.4, gaps=[(-4, 4)], rng=rng, **SPAN)
    height = sampled("radio_height", Arrival().height_ft, 4.0, 0.1, noise=0.5, resolution=1, rng=rng, **SPAN)
    speed = sampled("ground_speed", SPEED, 1.0, **SPAN)
    _, alone = found([recording([lost, speed])])
    assert np.isnan(alone.contact.best[0])
    assert alone.contact.latest[0] - alone.contact.earliest[0] == pytest.approx(9.0, abs=1e-3)
    batch, both = found([recording([lost, height, speed])])
    assert both.by[0] == "main gear and radio height"
    assert not np.isnan(both.contact.best[0])
    assert contact_of(both).inside.all()
    assert why(batch, alone.contact.why[0]) == "gap of 9 s in main_gear_ground where the change happened"


# false samples --------------------------------------------------------------------------------------------------------


def test_the_gear_of_a_published_case_does_not_move_first_contact() -> None:
    """Jackson Hole, NTSB/AAR-12/01: ground 1.0 s, air 0.5 s, ground."""
    for phase_s in np.arange(0, 0.5, 0.05):
        gear = sampled("main_gear_ground", between((0, 1.0), (1.5, 1e6)), 2.0, phase_s, **SPAN)
        _, touchdown = found([recording([gear, sampled("ground_speed", SPEED, 1.0, **SPAN)])])
        assert contact_of(touchdown).inside[0]
        assert held(np.array([1.5]), *settled_of(touchdown)).inside[0]
        assert touchdown.airborne_s.lower[0] <= 0.5 <= touchdown.airborne_s.upper[0]


def settled_of(touchdown: Touchdown) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return touchdown.settled.best, touchdown.settled.earliest, touchdown.settled.latest


@pytest.mark.parametrize("height_hz", [0.0, 4.0])
@pytest.mark.parametrize("gear_hz", [1.0, 4.0])
def test_false_ground_samples_in_the_air_do_not_move_contact(gear_hz: float, height_hz: float) -> None:
    """Anywhere above the flare where the radio height tells, else more than 6 s before contact."""
    rng = np.random.default_rng(9)
    made = []
    for _ in range(N):
        at_s = -rng.uniform(3.5 if height_hz else 6.6, 8.0)
        made.append(
            recorded(
                firm(rng),
                rng,
                gear_hz=gear_hz,
                height_hz=height_hz,
                ground=between((at_s, at_s + 1 / gear_hz), (0, 1e6)),
            )
        )
    _, touchdown = found(made)
    assert contact_of(touchdown).share >= 0.99
    assert (touchdown.bounces.value == 0).all()


def test_single_ground_samples_in_the_flare_need_a_stir() -> None:
    """Too low for the radio height to deny; but nothing is felt then, and contact is felt later."""
    rng = np.random.default_rng(13)
    made = []
    for _ in range(N):
        at_s = -rng.uniform(1.1, 3.6)
        calm = Arrival(jolts_g=(0.4,), rise_s=0.1, sink_fps=2, flare_g=0.1)
        chatter = between((at_s, at_s + 0.5), (0, 1e6))
        made.append(recorded(calm, rng, gear_hz=2.0, g_hz=8.0, height_hz=4.0, ground=chatter, calm=True))
    _, touchdown = found(made)
    assert contact_of(touchdown).share >= 0.99
    assert (touchdown.bounces.value == 0).all()
    told = [notes[0] for notes in touchdown.notes.values()]
    assert len(told) == N
    assert all("main_gear_ground says ground in the air from -" in note for note in told)


def test_a_soft_touch_before_a_long_hop_is_first_contact_though_one_sample_shows_it() -> None:
    """On the ground for 0.6 s, hardly felt, then 2.8 s in the air, up to six feet."""
    rng = np.random.default_rng(14)
    soft_touch = Arrival(on=((0, 0.6), (3.4, 1e6)), jolts_g=(0.03, 0.3), airborne_g=0.9, nose_up_ft=0.0)
    made = [recorded(soft_touch, rng, gear_hz=2.0, g_hz=8.0, height_hz=4.0, calm=True) for _ in range(N)]
    _, touchdown = found(made)
    assert contact_of(touchdown).share >= 0.99
    assert (touchdown.bounces.value == 1).all()
    assert (touchdown.airborne_s.upper >= 2.8).all()


def test_false_air_samples_while_rolling_are_not_bounces() -> None:
    """Where the nose gear is down, or normal acceleration is calm; later than a bounce can be in any case."""
    rng = np.random.default_rng(10)
    for how, earliest_s in (({"more": ["nose"]}, 5.5), ({"g_hz": 8.0}, 4.0), ({}, 16.5)):
        made = []
        for _ in range(N):
            at_s = rng.uniform(earliest_s, 18)
            ground = between((0, at_s), (at_s + 1, 1e6))
            calm = Arrival(jolts_g=(0.3,))
            made.append(recorded(calm, rng, ground=ground, **how))  # type: ignore[arg-type]
        _, touchdown = found(made)
        share = (touchdown.bounces.value == 0).mean()
        assert share >= (0.6 if "g_hz" in how else 1.0), "gusts may hide that it was rolling"
        assert contact_of(touchdown).share == 1.0


def test_one_gear_first() -> None:
    """Warsaw 14 September 1993: the right gear touched 9 s before the left one."""
    right = sampled("main_gear_ground.right", between((0, 1e6)), 1.0, 0.3, **SPAN)
    left = sampled("main_gear_ground.left", between((9, 1e6)), 1.0, 0.7, **SPAN)
    _, touchdown = found([recording([left, right, sampled("ground_speed", SPEED, 1.0, **SPAN)])])
    assert (touchdown.contact.earliest[0], touchdown.contact.latest[0]) == pytest.approx((-0.7, 0.3), abs=1e-3)
    assert touchdown.settled.best[0] == touchdown.contact.best[0]
    assert touchdown.bounces.value[0] == 0


def test_two_gears_narrow_each_other() -> None:
    """Both touch together, sampled in turn."""
    sides = [
        sampled(f"main_gear_ground.{s}", between((0, 1e6)), 1.0, p, **SPAN) for s, p in (("left", 0.2), ("right", 0.6))
    ]
    _, touchdown = found([recording([*sides, sampled("ground_speed", SPEED, 1.0, **SPAN)])])
    assert touchdown.contact.earliest[0] <= 0 <= touchdown.contact.latest[0] <= 0.2 + 1e-3


def test_a_gear_stuck_on_ground_is_no_contact() -> None:
    left = sampled("main_gear_ground.left", switch(1), 1.0, 0.3, **SPAN)
    right = sampled("main_gear_ground.right", between((0, 1e6)), 1.0, 0.7, **SPAN)
    batch, touchdown = found([recording([left, right, sampled("ground_speed", SPEED, 1.0, **SPAN)])])
    assert touchdown.contact.latest[0] == pytest.approx(0.7, abs=1e-3)
    batch, touchdown = found([recording([left, sampled("ground_speed", SPEED, 1.0, **SPAN)])])
    assert "never shows a change from air to ground" in why(batch, touchdown.contact.why[0])


# flying again ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("gear_hz", [0.5, 1.0, 4.0])
@pytest.mark.parametrize("height_hz", [0.0, 4.0])
def test_going_around_after_three_to_ten_seconds(gear_hz: float, height_hz: float) -> None:
    rng = np.random.default_rng(11)
    off_s = rng.uniform(max(3, 2.2 / gear_hz), 10, N)
    arrivals = [Arrival(on=((0, float(off)),), jolts_g=(0.3,)) for off in off_s]
    made = []
    for arrival in arrivals:
        one = recorded(arrival, rng, gear_hz=gear_hz, height_hz=height_hz)
        fast = sampled("ground_speed", line((0, 140), (60, 150)), 1.0, **SPAN)
        made.append(recording([fast, *(s for n, s in one.samples.items() if n != "ground_speed")]))
    _, touchdown = found(made)
    left = touchdown.left_ground
    assert left.happened.all()
    assert held(off_s, left.best, left.earliest, left.latest).share >= 0.99
    assert contact_of(touchdown).share >= 0.99
    assert (touchdown.bounces.value == 0).all()
    assert held(np.zeros(N), *settled_of(touchdown)).share >= 0.99


def test_a_bounce_and_then_going_around() -> None:
    gear = sampled("main_gear_ground", between((0, 1.5), (2.5, 6)), 4.0, 0.1, **SPAN)
    fast = sampled("ground_speed", line((0, 140), (60, 150)), 1.0, **SPAN)
    _, touchdown = found([recording([gear, fast])])
    assert touchdown.bounces.value[0] == 1
    assert touchdown.airborne_s.lower[0] <= 1.0 <= touchdown.airborne_s.upper[0]
    assert touchdown.left_ground.earliest[0] <= 6 <= touchdown.left_ground.latest[0]


def test_going_around_by_radio_height() -> None:
    arrival = Arrival(on=((0, 6.0),))
    height = sampled("radio_height", arrival.height_ft, 4.0, 0.1, noise=0.5, resolution=1, **SPAN)
    for speed in ([], [sampled("ground_speed", line((0, 140), (60, 150)), 1.0, **SPAN)]):
        _, touchdown = found([recording([height, *speed])])
        assert touchdown.left_ground.happened[0]
        assert touchdown.left_ground.best[0] == pytest.approx(6.5, abs=1.0), "12 ft up"


def test_a_false_air_sample_as_the_data_end_is_not_flying_again() -> None:
    gear = sampled("main_gear_ground", between((0, 24.5)), 1.0, 0.1, **SPAN)
    _, touchdown = found([recording([gear, sampled("ground_speed", line((0, 140), (60, 100)), 1.0, **SPAN)])])
    assert not touchdown.left_ground.happened[0]


def test_a_batch_of_n_is_n_batches_of_one() -> None:
    rng = np.random.default_rng(12)
    kinds = [firm, soft, bounced]
    made = [recorded(kinds[i % 3](rng), rng, gear_hz=2.0, g_hz=8.0, height_hz=2.0, more=["nose"]) for i in range(12)]
    _, whole = found(made)
    for row, one in enumerate(made):
        _, alone = found([one])
        for name in ("contact", "settled", "bounces", "airborne_s", "left_ground"):
            together, single = vars(getattr(whole, name)), vars(getattr(alone, name))
            for field in (f for f, x in together.items() if f != "why" and x is not None):
                np.testing.assert_allclose(together[field][row], single[field][0], atol=1e-5, err_msg=f"{name}.{field}")
        assert whole.by[row] == alone.by[0]
