"""Where the landings are in a recording of any length.

A landing is looked for around each moment at which the main gear goes from air to ground at flying speed; contacts
close together are one landing with a bounce. Without a usable air/ground discrete, the radio height reaching the
ground serves. The window kept runs from 30 s before contact to 60 s below taxi speed, the end of data, or shortly
after the aeroplane flew again.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fdm.errors import RecordingError
from fdm.frames import Frame, cut
from fdm.recording import Recording, Samples

BEFORE_S = 30.0
AFTER_SLOW_S = 60.0
SLOW_KT = 30.0
LONGEST_S = 240.0  # kept after contact at the most
FLYING_KT = 60.0  # slower than this a change from air to ground is not a landing
AIRBORNE_BEFORE_S = 3.0
ONE_LANDING_S = 15.0  # contacts closer than this belong to one landing
HIGH_FT = 100.0  # above this radio height the main gear cannot be on the ground
FLOWN_AGAIN_S = 20.0

GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right")


def frames_of(recording: Recording) -> list[Frame]:
    """Every landing of a recording, cut out. RecordingError when there is none."""
    recording, notes = _with_true_air_ground(recording)
    anchors = _anchors(recording)
    if not anchors:
        raise RecordingError(
            "no landing found: the main gear never goes from air to ground at flying speed",
            source=recording.source,
            where="main_gear_ground",
            cure="Check the map's true_when for main_gear_ground, and that the file holds a landing.",
        )
    windows = _windows(recording, anchors)
    return [cut(recording, i, anchor, start, end, notes) for i, (anchor, start, end) in enumerate(windows)]


def _with_true_air_ground(recording: Recording) -> tuple[Recording, list[str]]:
    """The recording with inverted air/ground discretes put right, and a note about each."""
    high = _times_above(recording, "radio_height", HIGH_FT)
    fast = _times_above(recording, "ground_speed", 200.0)
    notes, samples = [], dict(recording.samples)
    for name in GEAR:
        gear = samples.get(name)
        if gear is None:
            continue
        aloft = _states_at(gear, np.concatenate([high, fast]))
        if len(aloft) >= 3 and (aloft == 1).mean() > 0.9:
            values = np.where(gear.values >= 0, 1 - gear.values, gear.values).astype(np.int8)
            samples[name] = Samples(name, gear.time_s, values, gear.step_s, gear.lag_s)
            notes.append(f"{name} is inverted: it says ground in flight; read the other way round")
    if not notes:
        return recording, notes
    fields = {**recording.__dict__, "samples": samples}
    return Recording(**fields), notes


def _times_above(recording: Recording, name: str, level: float) -> np.ndarray:
    signal = recording.samples.get(name)
    if signal is None:
        return np.zeros(0)
    with np.errstate(invalid="ignore"):
        return signal.time_s[signal.values > level]


def _states_at(gear: Samples, time_s: np.ndarray) -> np.ndarray:
    index = np.searchsorted(gear.time_s, time_s, side="right") - 1
    states = gear.values[index[index >= 0]]
    return states[states >= 0]


def _anchors(recording: Recording) -> list[float]:
    contacts = np.sort(np.concatenate([_gear_contacts(recording, name) for name in GEAR] or [np.zeros(0)]))
    if not len(contacts):
        contacts = _height_contacts(recording)
    contacts = contacts[_at_flying_speed(recording, contacts)]
    anchors: list[float] = []
    for contact in contacts:
        if not anchors or contact - anchors[-1] > ONE_LANDING_S:
            anchors.append(float(contact))
    return anchors


def _gear_contacts(recording: Recording, name: str) -> np.ndarray:
    """Times at which a gear goes to ground after having been in the air for a while, and not at height."""
    gear = recording.samples.get(name)
    if gear is None:
        return np.zeros(0)
    known = gear.values >= 0
    time_s, on = gear.time_s[known], gear.values[known] == 1
    if len(on) < 2:
        return np.zeros(0)
    edges = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    left = np.flatnonzero(~on[1:] & on[:-1]) + 1
    since = np.concatenate([[time_s[0]], time_s[left]])
    aloft_s = time_s[edges] - since[np.searchsorted(since, time_s[edges], side="right") - 1]
    edges = edges[aloft_s >= AIRBORNE_BEFORE_S]
    return time_s[edges][~_high(recording, time_s[edges])]


def _high(recording: Recording, time_s: np.ndarray) -> np.ndarray:
    height = recording.samples.get("radio_height")
    if height is None or not len(height.time_s):
        return np.zeros(len(time_s), bool)
    index = np.clip(np.searchsorted(height.time_s, time_s), 0, len(height.time_s) - 1)
    with np.errstate(invalid="ignore"):
        return height.values[index] > HIGH_FT


def _height_contacts(recording: Recording) -> np.ndarray:
    """Times at which the radio height comes down to what it shows at its lowest."""
    height = recording.samples.get("radio_height")
    if height is None:
        return np.zeros(0)
    known = ~np.isnan(height.values)
    time_s, feet = height.time_s[known], height.values[known]
    if len(feet) < 3 or feet.max() < HIGH_FT / 2:
        return np.zeros(0)
    low = feet <= np.percentile(feet, 5) + 3.0
    edges = np.flatnonzero(low[1:] & ~low[:-1]) + 1
    return time_s[edges]


def _at_flying_speed(recording: Recording, time_s: np.ndarray) -> np.ndarray:
    for name in ("ground_speed", "airspeed"):
        speed = recording.samples.get(name)
        if speed is None or not len(speed.time_s):
            continue
        known = ~np.isnan(speed.values)
        if known.any():
            return np.interp(time_s, speed.time_s[known], speed.values[known]) > FLYING_KT
    return np.ones(len(time_s), bool)


def _windows(recording: Recording, anchors: list[float]) -> Iterator[tuple[float, float, float]]:
    data_start = min(s.time_s[0] for s in recording.samples.values() if len(s.time_s))
    data_end = max(s.time_s[-1] for s in recording.samples.values() if len(s.time_s))
    for number, anchor in enumerate(anchors):
        end = min(data_end, anchor + LONGEST_S, _slow_since(recording, anchor) + AFTER_SLOW_S)
        if number + 1 < len(anchors):
            end = min(end, anchors[number + 1] - BEFORE_S)
        yield anchor, max(anchor - BEFORE_S, data_start), max(end, anchor + 1.0)


def _slow_since(recording: Recording, anchor: float) -> float:
    speed = recording.samples.get("ground_speed")
    if speed is None:
        return np.inf
    with np.errstate(invalid="ignore"):
        slow = np.flatnonzero((speed.time_s > anchor) & (speed.values < SLOW_KT))
    return float(speed.time_s[slow[0]]) if len(slow) else np.inf
