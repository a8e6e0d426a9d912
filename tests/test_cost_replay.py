"""Replays: nothing changed costs nothing, and what closed form or SciPy's integration says a delay costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fdm.cost.automatic import automatic_of
from fdm.cost.fitting import Scale
from fdm.cost.forces import NAMES
from fdm.cost.replay import Replay, unchanged
from fdm.cost.reverse import use_of
from fdm.cost.usual import usual_of
from tests.cost_making import KT, NEVER, G, Landing, Type, fleet, rolls, run

KIND = Type()
SCALE = Scale(mass_kg=60_000.0, flap_deg=float("nan"), idle_n1=KIND.idle_n1)


def exact(kind: Type = KIND) -> np.ndarray:
    """The coefficients of a type as the model names them."""
    r0, r1, r2 = kind.reverse
    known = {
        "D0": kind.drag,
        "Ds": kind.spoiler_drag,
        "Dp": kind.pitch_drag,
        "L0": kind.lift,
        "Ls": kind.spoiler_lift,
        "Lp": kind.pitch_lift,
        "mu": kind.rolling,
        "f0": kind.forward,
        "r0": r0,
        "r1": r1,
        "r2": r2,
        "law": kind.follows_load,
        "kappa": kind.brakes,
    }
    return np.array([known.get(name, 0.0) for name in NAMES])


@pytest.fixture(scope="module")
def usual():
    return usual_of(rolls(fleet(8, seed=1)), SCALE, KIND.brakes)


def replayed(landing: Landing, usual, change=None, kind: Type = KIND, automatic: bool = False):
    """What a change costs in metres, seconds and J/kg, by exact coefficients."""
    laid = rolls([run(landing, kind)], automatic)
    c = np.tile(exact(kind), (1, 1, 1))
    change = change(laid) if change else unchanged(1, 1, 2)
    auto = automatic_of(laid, kind.brakes)
    use = use_of(laid, kind.idle_n1)
    extra = Replay(laid, SCALE, usual, use, auto, c, np.ones((1, 1)), change).run()
    return float(extra.distance_m[0, 0]), float(extra.time_s[0, 0]), float(extra.brakes_j_per_kg[0, 0])


@pytest.mark.parametrize(
    "landing",
    [
        Landing(),
        Landing(spoilers_s=4.0, brakes_s=6.0),
        Landing(select_s=(9.0, 9.5)),
        Landing(transit_s=(2.0, 8.0), headwind_kt=15.0),
        Landing(select_s=(NEVER, NEVER), pressure=0.4, mass_kg=70_000.0),
    ],
    ids=["normal", "spoilers late", "reverse late", "one slow", "no reverse"],
)
@pytest.mark.parametrize("automatic", [False, True])
def test_nothing_changed_costs_nothing(landing, automatic, usual):
    metres, seconds, joules = replayed(landing, usual, automatic=automatic)
    assert metres == pytest.approx(0, abs=0.5)
    assert seconds == pytest.approx(0, abs=0.02)
    assert joules == pytest.approx(0, abs=2.0)


def shifted(**arrays):
    """A change with some arrays set, (n, k) or (n, k, e)."""
    return lambda laid: replace(unchanged(1, 1, 2), **{k: np.asarray(v, float) for k, v in arrays.items()})


BARE = Type(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, (0.0, 0.0, 0.0), brakes=0.8)


@pytest.mark.parametrize("late_s", [2.0, 5.0, 9.0])
def test_brakes_late_in_closed_form(late_s, usual):
    """Brakes alone on a frictionless roll: every second of delay is a second at touchdown speed."""
    landing = Landing(brakes_s=3.0 + late_s, select_s=(NEVER, NEVER))
    metres, seconds, joules = replayed(landing, usual, shifted(brakes_s=[[late_s]]), BARE)
    assert metres == pytest.approx(135 * KT * late_s, rel=0.01)
    assert seconds == pytest.approx(late_s, rel=0.01)
    assert joules == pytest.approx(0, abs=0.01 * (135 * KT) ** 2 / 2)  # all of the energy goes there in either case


def flown(early: Landing, late: Landing, kind: Type = KIND) -> tuple[float, float, float]:
    """What SciPy's integration says the difference is, to 30 kt."""
    a, b = run(early, kind).to(30.0), run(late, kind).to(30.0)
    return tuple(y - x for x, y in zip(a, b, strict=True))  # type: ignore[return-value]


def agree(found, truth, metres=4.0, share=0.03):
    assert found[0] == pytest.approx(truth[0], abs=metres + share * abs(truth[0]))
    assert found[1] == pytest.approx(truth[1], abs=0.1 + share * abs(truth[1]))
    assert found[2] == pytest.approx(truth[2], abs=25 + share * abs(truth[2]))


@pytest.mark.parametrize("late_s", [3.0, 8.0])
def test_reverse_late_as_integrated(late_s, usual):
    """The same sequence so many seconds earlier, power reduced at the same speed."""
    on_time = Landing(pressure=0.2)
    late = Landing(pressure=0.2, select_s=(2.0 + late_s, 2.0 + late_s))
    found = replayed(late, usual, shifted(shift_s=np.full((1, 1, 2), late_s)))
    agree(found, flown(on_time, late))


@pytest.mark.parametrize("slow_s", [3.0, 6.0])
def test_one_reverser_late_as_integrated(slow_s, usual):
    """The slow engine follows the other one."""
    on_time, late = Landing(pressure=0.2), Landing(pressure=0.2, transit_s=(2.0, 2.0 + slow_s))

    def follow(laid):
        return replace(unchanged(1, 1, 2), source=np.array([[0, 0]]))

    agree(replayed(late, usual, follow), flown(on_time, late))


@pytest.mark.parametrize("kind", [KIND, replace(KIND, follows_load=0.0)], ids=["by load", "by pressure"])
def test_spoilers_never_as_integrated(kind, usual):
    """The usual movement is that of the normal landings: half-way at 1 s after contact."""
    on_time, never = Landing(spoilers_s=0.5), Landing(spoilers_s=NEVER)
    found = replayed(never, usual, shifted(spoilers_s=[[0.0]]), kind)
    agree(found, flown(on_time, never, kind), metres=6.0)


def test_a_held_target_costs_heat_and_no_distance(usual):
    """An automatic brake at its target: reverse twice as late changes the pressure, hardly the distance."""
    target_g = 0.2

    def held(select_s: float) -> tuple:
        laid = rolls([run(Landing(select_s=(select_s, select_s), pressure=0.3))], automatic=True)
        v = 135 * KT - target_g * G * np.arange(laid.speed_mps.shape[1]) * 0.5
        laid = replace(laid, speed_mps=np.maximum(v, 0)[None], decel_g=np.full_like(laid.decel_g, target_g))
        used = laid.speed_mps[:, 1:] > 30 * KT
        return replace(laid, used=used, automatic=used, brakes_s=np.zeros(1))

    laid = held(8.0)
    use, auto = use_of(laid, KIND.idle_n1), automatic_of(laid, KIND.brakes)
    change = replace(unchanged(1, 1, 2), shift_s=np.full((1, 1, 2), 5.0))
    c = np.tile(exact(), (1, 1, 1))
    extra = Replay(laid, SCALE, usual, use, auto, c, np.ones((1, 1)), change).run()
    assert abs(extra.distance_m[0, 0]) < 8.0
    assert extra.brakes_j_per_kg[0, 0] > 60.0
