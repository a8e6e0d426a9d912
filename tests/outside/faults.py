"""Recorder faults: each spoils a recording after it was sampled, before its file is written.

An injector takes a recording and a generator and gives a faulty copy with a description; or None where the layout or
the landing has nothing for it to spoil. What truly happened is never touched. Sizes and lengths are common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from .fault_tools import (
    STAMPS,
    Fault,
    Faulty,
    Recording,
    changed,
    contact_s,
    deployed_samples,
    deploys,
    family,
    held,
    leap,
    lost,
    slowing_sample,
    within,
)

INVALID_STATE = 7.0  # a code that no map knows
MPS_PER_KT = 1852 / 3600
WHOLE = -np.inf, np.inf

Injector = Callable[[Recording, np.random.Generator], Faulty]
FAULTS: dict[str, Injector] = {}


def fault(injector: Injector) -> Injector:
    """Enter into the list under its own name."""
    FAULTS[injector.__name__] = injector
    return injector


def inject(name: str, recording: Recording, rng: np.random.Generator) -> Faulty:
    """A faulty copy of a recording and what was done to it; None where there is nothing to spoil."""
    spoilt = FAULTS[name](recording, rng)
    if spoilt is None or all(_same(column, spoilt[0][name]) for name, column in recording.items()):
        return None
    return spoilt


def _same(a: tuple[np.ndarray, np.ndarray], b: tuple[np.ndarray, np.ndarray]) -> bool:
    return np.array_equal(a[0], b[0]) and np.array_equal(a[1], b[1], equal_nan=True)


# -- speed, power, heading, acceleration ------------------------------------------------------------


@fault
def ground_speed_spike(recording: Recording, rng: np.random.Generator) -> Faulty:
    """One sample 40 kt off while the aeroplane slows down."""
    k = slowing_sample(recording, "ground_speed", rng, 65, 110)
    if k is None:
        return None
    return leap(recording, "ground_speed", k, recording["ground_speed"][1][k] + float(rng.choice([40, -40])))


@fault
def ground_speed_frozen(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Ground speed stands still for six seconds of deceleration."""
    k = slowing_sample(recording, "ground_speed", rng, 75, 110)
    return None if k is None else held(recording, "ground_speed", float(recording["ground_speed"][0][k]), 6.0)


@fault
def ground_speed_dropout(recording: Recording, rng: np.random.Generator) -> Faulty:
    """No ground speed for five seconds around 60 kt."""
    k = slowing_sample(recording, "ground_speed", rng, 58, 72)
    return None if k is None else lost(recording, ["ground_speed"], float(recording["ground_speed"][0][k]) - 2.5, 5.0)


@fault
def ground_speed_missing(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Ground speed is not exported at all."""
    time_s, values = recording["ground_speed"]
    return recording | {"ground_speed": (time_s, values * np.nan)}, Fault("missing", "ground_speed", *WHOLE)


@fault
def ground_speed_biased(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Ground speed 12 kt too high throughout; positions, airspeed and wind are right."""
    values = recording["ground_speed"][1] + 12.0
    return changed(recording, "ground_speed", values), Fault("biased", "ground_speed", *WHOLE)


@fault
def ground_speed_in_mps(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Ground speed recorded in m/s where the map says kt."""
    values = recording["ground_speed"][1] * MPS_PER_KT
    return changed(recording, "ground_speed", values), Fault("wrong unit", "ground_speed", *WHOLE)


@fault
def n1_dropout(recording: Recording, rng: np.random.Generator) -> Faulty:
    """No N1 of one engine for five seconds around its stow."""
    found = deploys(recording, rng)
    return None if found is None else lost(recording, [f"n1.{found[0]}"], found[2] - rng.uniform(1.5, 3.5), 5.0)


@fault
def n1_frozen(recording: Recording, rng: np.random.Generator) -> Faulty:
    """N1 of one engine stands still for six seconds while it runs down to idle reverse."""
    for engine in rng.permutation([1, 2]):
        time_s, values = recording[f"n1.{engine}"]
        on_ground = time_s > contact_s(recording) + 3
        falling = np.flatnonzero(on_ground[1:] & (np.diff(values) * _rate_hz(time_s) < -3.0))
        if len(falling):
            return held(recording, f"n1.{engine}", float(time_s[falling[0] + 1]), 6.0)
    return None


def _spooled_up(
    recording: Recording, rng: np.random.Generator
) -> Iterator[tuple[int, np.ndarray, np.ndarray, np.ndarray]]:
    """Engines that spooled up in reverse, in any order: times and values of N1, and where the reverser was deployed."""
    for engine in rng.permutation([1, 2]):
        time_s, out = deployed_samples(recording, int(engine))
        n1_s, values = recording[f"n1.{engine}"]
        inside = np.interp(n1_s, time_s, out) == 1
        if inside.any() and np.ptp(values[inside]) >= 20:
            yield int(engine), n1_s, values, inside


@fault
def n1_frozen_rising(recording: Recording, rng: np.random.Generator) -> Faulty:
    """N1 of one engine stands still for 3.2 to 3.8 s from the middle of its spool-up to reverse power."""
    for engine, n1_s, values, inside in _spooled_up(recording, rng):
        half = values[inside][0] + 0.5 * (values[inside].max() - values[inside][0])
        begin = n1_s[inside][np.argmax(values[inside] > half)]
        return held(recording, f"n1.{engine}", float(begin), float(rng.uniform(3.2, 3.8)))
    return None


@fault
def n1_frozen_to_the_end(recording: Recording, rng: np.random.Generator) -> Faulty:
    """N1 of one engine stands still from its run-down to idle reverse until the end of the recording."""
    frozen = n1_frozen(recording, rng)
    if frozen is None:
        return None
    name, from_s = frozen[1].parameter, frozen[1].from_s
    return held(recording, name, from_s, float(recording[name][0][-1]) + 1.0 - from_s)


@fault
def n1_frozen_at_idle(recording: Recording, rng: np.random.Generator) -> Faulty:
    """N1 of one engine stands still at idle, from before reverse power until it is idle again or to the end."""
    for engine, n1_s, _, _ in _spooled_up(recording, rng):
        begin = contact_s(recording) + 2.0
        return held(recording, f"n1.{engine}", begin, float(rng.choice([28.0, n1_s[-1] + 1.0 - begin])))
    return None


def _rate_hz(time_s: np.ndarray) -> float:
    return float(1 / np.median(np.diff(time_s)))


@fault
def n1_spike(recording: Recording, rng: np.random.Generator) -> Faulty:
    """One sample of N1 at nought or full scale while the reverser is out."""
    found = deploys(recording, rng)
    if found is None:
        return None
    name = f"n1.{found[0]}"
    inside = np.flatnonzero(within(recording, name, found[1] + 0.5, found[2] + 2))
    return leap(recording, name, int(rng.choice(inside)), float(rng.choice([0.0, 127.5]))) if len(inside) else None


@fault
def n1_swapped(recording: Recording, rng: np.random.Generator) -> Faulty:
    """N1 of the engines in each other's column."""
    swapped = recording | {"n1.1": recording["n1.2"], "n1.2": recording["n1.1"]}
    return swapped, Fault("swapped", "n1.1", *WHOLE)


@fault
def heading_spike(recording: Recording, rng: np.random.Generator) -> Faulty:
    """One sample of heading 15 to 30 degrees off during the rollout."""
    values, at = recording["heading"][1], contact_s(recording)
    k = int(rng.choice(np.flatnonzero(within(recording, "heading", at + 3, at + 10))))
    return leap(recording, "heading", k, values[k] + float(rng.choice([-1, 1]) * rng.uniform(15, 30)))


@fault
def normal_acceleration_datum(recording: Recording, rng: np.random.Generator) -> Faulty:
    """The accelerometer's datum is 0.12 g off."""
    values = recording["normal_acceleration"][1] + 0.12
    return changed(recording, "normal_acceleration", values), Fault("datum", "normal_acceleration", *WHOLE)


# -- spoilers --------------------------------------------------------------------------------------------------------


@fault
def spoiler_spike(recording: Recording, rng: np.random.Generator) -> Faulty:
    """One sample of spoiler position at the other end of its travel."""
    name = family(recording, "spoiler_panel", "spoiler_handle")[0]
    values, at = recording[name][1], contact_s(recording)
    k = int(rng.choice(np.flatnonzero(within(recording, name, at + 2.5, at + 9))))
    full = 48.0 if name == "spoiler_handle" else 100.0
    return leap(recording, name, k, 0.0 if values[k] > full / 2 else full)


@fault
def spoiler_frozen(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Spoiler position stands still from a second before contact for seven seconds."""
    name = family(recording, "spoiler_panel", "spoiler_handle")[0]
    return held(recording, name, contact_s(recording) - 1.0, 7.0)


# -- reversers -------------------------------------------------------------------------------------------------------


def _reverser(recording: Recording, engine: int) -> list[str]:
    return [name for name in family(recording, "reverser_") if name.endswith(f".{engine}")]


def _stuck(recording: Recording, engine: int, flag: float, state: float) -> Recording:
    for name in _reverser(recording, engine):
        time_s, values = recording[name]
        recording = recording | {name: (time_s, np.full(len(values), state if "state" in name else flag))}
    return recording


@fault
def reverser_dead(recording: Recording, rng: np.random.Generator) -> Faulty:
    """A reverser's discretes say stowed throughout, while its lever goes up and its N1 rises."""
    found = deploys(recording, rng)
    if found is None:
        return None
    return _stuck(recording, found[0], 0.0, 0.0), Fault("dead", _reverser(recording, found[0])[0], *WHOLE)


@fault
def reverser_stuck_deployed(recording: Recording, rng: np.random.Generator) -> Faulty:
    """A reverser's discretes say deployed throughout, in the air too."""
    engine = int(rng.choice([1, 2]))
    return _stuck(recording, engine, 1.0, 2.0), Fault("stuck deployed", _reverser(recording, engine)[0], *WHOLE)


@fault
def reverser_contradiction(recording: Recording, rng: np.random.Generator) -> Faulty:
    """A reverser's unlocked discrete stays off, so that it says deployed and locked at once."""
    found = deploys(recording, rng)
    name = f"reverser_unlocked.{found[0]}" if found else ""
    if found is None or name not in recording:
        return None
    time_s, values = recording[name]
    out_s = time_s[values == 1]
    kind = Fault("contradiction", name, float(out_s[0]), float(out_s[-1]))
    return changed(recording, name, np.zeros(len(values))), kind


@fault
def reverser_invalid(recording: Recording, rng: np.random.Generator) -> Faulty:
    """A reverser's position is a code without a meaning for four seconds around its deployment."""
    found = deploys(recording, rng)
    name = f"reverser_state.{found[0]}" if found else ""
    if found is None or name not in recording:
        return None
    begin = found[1] - rng.uniform(1, 3)
    values = np.where(within(recording, name, begin, begin + 4), INVALID_STATE, recording[name][1])
    return changed(recording, name, values), Fault("invalid", name, begin, begin + 4)


@fault
def reverser_dropout(recording: Recording, rng: np.random.Generator) -> Faulty:
    """No discretes of a reverser for four seconds around its deployment."""
    found = deploys(recording, rng)
    return None if found is None else lost(recording, _reverser(recording, found[0]), found[1] - rng.uniform(1, 3), 4.0)


@fault
def reversers_swapped(recording: Recording, rng: np.random.Generator) -> Faulty:
    """The reversers' discretes in each other's column; levers and N1 are right."""
    swapped = dict(recording)
    for name in _reverser(recording, 1):
        other = name.removesuffix("1") + "2"
        swapped |= {name: recording[other], other: recording[name]}
    return swapped, Fault("swapped", _reverser(recording, 1)[0], *WHOLE)


# -- air/ground ------------------------------------------------------------------------------------------------------


def _flipped(recording: Recording, from_s: float, to_s: float, value: float, rng: np.random.Generator) -> Faulty:
    """One or two lone samples of each main gear inside a stretch say the other thing."""
    for name in family(recording, "main_gear_ground"):
        inside = np.flatnonzero(within(recording, name, from_s, to_s))
        if len(inside):
            values = recording[name][1].copy()
            values[inside[int(rng.integers(2)) % len(inside) :: 2][:2]] = value
            recording = changed(recording, name, values)
    return recording, Fault("chatter", family(recording, "main_gear_ground")[0], from_s, to_s)


@fault
def gear_chatter_before(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Lone samples of ground in the last seconds before contact."""
    at = contact_s(recording)
    return _flipped(recording, at - 3.6, at - 1.1, 1.0, rng)


@fault
def gear_chatter_after(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Lone samples of air in the first seconds after contact."""
    at = contact_s(recording)
    return _flipped(recording, at + 0.6, at + 3.1, 0.0, rng)


@fault
def gear_inverted(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Air/ground the wrong way round throughout."""
    names = family(recording, "main_gear_ground")
    for name in names:
        recording = changed(recording, name, 1.0 - recording[name][1])
    return recording, Fault("inverted", names[0], *WHOLE)


@fault
def gear_late(recording: Recording, rng: np.random.Generator) -> Faulty:
    """A tilting bogie: air/ground follows the first contact 1.5 s later."""
    at = contact_s(recording)
    names = family(recording, "main_gear_ground")
    for name in names:
        inside = within(recording, name, at - 1, at + 1.5)
        recording = changed(recording, name, np.where(inside, 0.0, recording[name][1]))
    return recording, Fault("late", names[0], at, at + 1.5)


# -- the clock -------------------------------------------------------------------------------------------------------


def _restamped(recording: Recording, stamps: np.ndarray, kind: str, from_s: float, to_s: float) -> Faulty:
    return recording | {STAMPS: (recording[STAMPS][0], stamps)}, Fault(kind, STAMPS, from_s, to_s)


def _rows(recording: Recording, rng: np.random.Generator) -> tuple[float, np.ndarray]:
    """A moment in the rollout, and the positions of the rows from then on."""
    begin = contact_s(recording) + rng.uniform(1, 20)
    return begin, np.flatnonzero(recording[STAMPS][0] >= begin)


@fault
def time_gap(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Four seconds of everything are missing."""
    begin = contact_s(recording) + rng.uniform(-3, 25)
    kept = {}
    for name, (time_s, values) in recording.items():
        outside = (time_s < begin) | (time_s >= begin + 4)
        kept[name] = time_s[outside], values[outside]
    return kept, Fault("time gap", STAMPS, begin, begin + 4)


@fault
def stamps_duplicated(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Eight rows within three seconds bear the stamp of the row before."""
    begin, rows = _rows(recording, rng)
    stamps = recording[STAMPS][1].copy()
    near = rows[stamps[rows] < begin + 3][::2][:8]
    stamps[near] = stamps[near - 1]
    return _restamped(recording, stamps, "duplicated stamps", begin, begin + 3)


@fault
def stamps_swapped(recording: Recording, rng: np.random.Generator) -> Faulty:
    """Two neighbouring rows bear each other's stamp, in three places."""
    begin, rows = _rows(recording, rng)
    stamps = recording[STAMPS][1].copy()
    for k in rows[:30:10]:
        stamps[[k, k + 1]] = stamps[[k + 1, k]]
    return _restamped(recording, stamps, "reversed stamps", begin, float(stamps[rows[20]]))


@fault
def stamps_reversed(recording: Recording, rng: np.random.Generator) -> Faulty:
    """The stamps of two seconds run backwards."""
    begin, rows = _rows(recording, rng)
    stamps = recording[STAMPS][1].copy()
    block = rows[stamps[rows] < begin + 2]
    stamps[block] = stamps[block][::-1]
    return _restamped(recording, stamps, "reversed stamps", begin, begin + 2)


@fault
def clock_set_back(recording: Recording, rng: np.random.Generator) -> Faulty:
    """The clock is set back by a second and a half, and goes on from there."""
    begin, rows = _rows(recording, rng)
    stamps = recording[STAMPS][1].copy()
    stamps[rows] -= 1.5
    return _restamped(recording, stamps, "clock set back", begin - 1.5, begin)
