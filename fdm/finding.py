"""Where the landings are in a recording of any length.

A landing is looked for around each moment at which the main gear goes from air to ground at flying speed and stays
there, or the radio height bears it out; contacts close together are one landing with a bounce. Without a usable
air/ground discrete, the radio height reaching the ground serves. The window kept runs from 30 s before contact to 60 s
below taxi speed, the end of data, or shortly after the aeroplane flew again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from fdm.errors import RecordingError
from fdm.frames import Frame, cut
from fdm.recording import Recording, Samples

BEFORE_S = 30.0
AFTER_SLOW_S = 60.0
SLOW_KT = 30.0
LONGEST_S = 240.0  # kept after contact at the most
FLYING_KT = 60.0  # slower than this a change from air to ground is not a landing ...
SAMPLES_AROUND = 5
FEWEST_STILL = 30  # samples of one height before the altimeter is called dead
TAXIED_KT = 40.0  # taxi is no faster (common practice, no source)
MOSTLY = 0.95  # of the samples on the ground: it never flew
FASTEST_KT = 230.0  # ... nor is one at more than tyres are made for (common practice, no source)
AIRBORNE_BEFORE_S = 3.0
ONE_LANDING_S = 15.0  # contacts closer than this belong to one landing
HIGH_FT = 100.0  # above this radio height the main gear cannot be on the ground
RESTING_FT = 30.0  # no radio height shows more with the wheels on the ground (common practice, no source)
NEAR_FT = 15.0  # within this of the lowest radio height it can
CONFIRM_S = 6.0  # without radio height, the gear must say ground for a good share of this long after contact
CONFIRM_SHARE = 0.3
FLOWN_AGAIN_S = 20.0  # kept after the aeroplane flew again
CLIMB_S = 8.0  # airborne for longer than this is not a bounce

GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right")


def frames_of(recording: Recording) -> list[Frame]:
    """Every landing of a recording, cut out. RecordingError when there is none."""
    recording, of_height = _without_dead_height(recording)
    recording, of_gear = _with_true_air_ground(recording)
    anchors = _anchors(recording)
    if not anchors:
        raise _no_landing(recording)
    windows = _windows(recording, anchors)
    notes = of_height + of_gear
    return [cut(recording, i, anchor, start, end, notes) for i, (anchor, start, end) in enumerate(windows)]


def _no_landing(recording: Recording) -> RecordingError:
    instead = _instead(recording)
    if instead:
        cure = "Nothing is wrong if that is so; else check true_when of main_gear_ground and the units in the map."
        return RecordingError(f"no landing found: {instead}", source=recording.source, cure=cure)
    unit = "the unit of ground_speed; is it a landing at all?"
    if any(name in recording.samples for name in GEAR):
        return RecordingError(
            "no landing found: the main gear never goes from air to ground at flying speed",
            source=recording.source,
            where="main_gear_ground",
            cure=f"Check in the map true_when of main_gear_ground and {unit}",
        )
    return RecordingError(
        "no landing found: main_gear_ground is not recorded, and the radio height never comes down to the ground at "
        "flying speed",
        source=recording.source,
        where="radio_height",
        cure=f"Map main_gear_ground if it is recorded; check the unit of radio_height and {unit}",
    )


def _instead(recording: Recording) -> str:
    """What was flown instead of a landing, where that is plain: a take-off, a rejected one, taxi; else ""."""
    speed = recording.samples.get("ground_speed")
    kt = np.zeros(0) if speed is None else speed.values[~np.isnan(speed.values)]
    began, ended, stayed = _on_ground(recording)
    if len(kt) < FEWEST_STILL or not began or kt[0] > FLYING_KT:
        return ""
    if not stayed:
        return "" if ended else "the aeroplane took off, and the recording ends in the air"
    top_kt = float(np.sort(kt)[-3])  # a sample or two may be spikes
    if top_kt <= FLYING_KT:
        what = "taxi only" if top_kt <= TAXIED_KT else "a fast taxi, or a take-off given up early"
        return f"ground speed was never above {top_kt:.0f} kt, and it never left the ground: {what}"
    if kt[-1] > FLYING_KT:
        return ""
    return f"ground speed rose to {top_kt:.0f} kt and fell again without leaving the ground: a rejected take-off"


def _on_ground(recording: Recording) -> tuple[bool, bool, bool]:
    """Whether it was on the ground first, last and throughout; all False where air/ground and radio height disagree."""
    height = recording.samples.get("radio_height")
    told = [_known(recording.samples[name])[1] for name in GEAR if name in recording.samples]
    if height is not None:
        told.append(height.values[~np.isnan(height.values)] < HIGH_FT)
    said = {(bool(one[0]), bool(one[-1]), bool(one.mean() >= MOSTLY)) for one in told if len(one)}
    return said.pop() if len(said) == 1 else (False, False, False)


def _without_dead_height(recording: Recording) -> tuple[Recording, list[str]]:
    """The recording without a radio height that never changes, and a note about it."""
    height = recording.samples.get("radio_height")
    feet = np.zeros(0) if height is None else height.values[~np.isnan(height.values)]
    if len(feet) < FEWEST_STILL or np.ptp(feet) > 0:
        return recording, []
    samples = {name: values for name, values in recording.samples.items() if name != "radio_height"}
    return replace(recording, samples=samples), ["radio_height never changes; left out"]


def _with_true_air_ground(recording: Recording) -> tuple[Recording, list[str]]:
    """The recording with inverted air/ground discretes put right and stuck ones left out, and a note about each."""
    aloft_s = np.concatenate([_times(recording, "radio_height", HIGH_FT), _times(recording, "ground_speed", 200.0)])
    slow_s = _times(recording, "ground_speed", -40.0)
    notes, samples = [], dict(recording.samples)
    for name in GEAR:
        gear = samples.get(name)
        if gear is None:
            continue
        aloft, slow = _states_at(gear, aloft_s), _states_at(gear, slow_s)
        ground_aloft = len(aloft) >= 3 and (aloft == 1).mean() > 0.9
        air_when_slow = len(slow) >= 3 and (slow == 0).mean() > 0.9
        if not ground_aloft and not (air_when_slow and not len(aloft) and (gear.values == 1).any()):
            continue
        if len(slow) >= 3 and not air_when_slow:
            del samples[name]
            notes.append(f"{name} says ground in flight and on the ground; left out")
            continue
        values = np.where(gear.values >= 0, 1 - gear.values, gear.values).astype(np.int8)
        samples[name] = Samples(name, gear.time_s, values, gear.step_s, gear.lag_s)
        notes.append(f"{name} is inverted: it says ground in flight; read the other way round")
    return (replace(recording, samples=samples) if notes else recording), notes


def _times(recording: Recording, name: str, level: float) -> np.ndarray:
    """Times of the samples above a level; below it, where the level is negative."""
    signal = recording.samples.get(name)
    if signal is None:
        return np.zeros(0)
    with np.errstate(invalid="ignore"):
        return signal.time_s[signal.values > level if level >= 0 else signal.values < -level]


def _states_at(gear: Samples, time_s: np.ndarray) -> np.ndarray:
    states = _states_before(gear, time_s)
    return states[states >= 0]


def _anchors(recording: Recording) -> list[float]:
    gears = [recording.samples[name] for name in GEAR if name in recording.samples]
    contacts = np.sort(np.concatenate([np.zeros(0), *(_gear_contacts(gear) for gear in gears)]))
    contacts = contacts[_confirmed(recording, gears, contacts)]
    if not len(contacts):
        contacts = _height_contacts(recording)
    contacts = contacts[_at_landing_speed(recording, contacts)]
    anchors: list[float] = []
    for contact in contacts:
        if not anchors or (contact - anchors[-1] > ONE_LANDING_S and _flew(recording, gears, anchors[-1], contact)):
            anchors.append(float(contact))
    return anchors


def _flew(recording: Recording, gears: list[Samples], from_s: float, to_s: float) -> bool:
    """Whether anything but one gear of several says that it was in the air between two contacts."""
    height = recording.samples.get("radio_height")
    if height is not None:
        between = (height.time_s > from_s) & (height.time_s < to_s) & ~np.isnan(height.values)
        resting_ft = _resting_ft(height.values)
        if between.any() and not np.isnan(resting_ft):
            return bool(height.values[between].max() > resting_ft + NEAR_FT)
    if len(gears) < 2:
        return True
    time_s = np.sort(np.concatenate([gear.time_s for gear in gears]))
    time_s = time_s[(time_s > from_s) & (time_s < to_s)]
    states = np.stack([_states_before(gear, time_s) for gear in gears])
    return bool((states <= 0).all(axis=0).any())


def _states_before(gear: Samples, time_s: np.ndarray) -> np.ndarray:
    """The last state at or before each time; -1 where there is none."""
    index = np.searchsorted(gear.time_s, time_s, side="right") - 1
    return np.where(index < 0, -1, gear.values[np.maximum(index, 0)])


def _known(gear: Samples) -> tuple[np.ndarray, np.ndarray]:
    """Times and states (true: ground) of the valid samples."""
    known = gear.values >= 0
    return gear.time_s[known], gear.values[known] == 1


def _gear_contacts(gear: Samples) -> np.ndarray:
    """Times at which a gear goes to ground after having been in the air for a while, or since the recording began."""
    time_s, on = _known(gear)
    if len(on) < 2:
        return np.zeros(0)
    edges = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    left = np.flatnonzero(~on[1:] & on[:-1]) + 1
    aloft_since = np.concatenate([[-np.inf], time_s[left]])
    aloft_s = time_s[edges] - aloft_since[np.searchsorted(aloft_since, time_s[edges], side="right") - 1]
    return time_s[edges][aloft_s >= max(AIRBORNE_BEFORE_S, 1.5 * gear.step_s)]


def _confirmed(recording: Recording, gears: list[Samples], contacts: np.ndarray) -> np.ndarray:
    """True for contacts that the radio height bears out, or, where it says nothing, the gear a while after."""
    height_ft, near_ft = _height_at(recording, contacts)
    stays = np.array([_ground_share(gears, contact) >= CONFIRM_SHARE for contact in contacts], bool)
    with np.errstate(invalid="ignore"):
        return (height_ft <= near_ft) | (stays & ~(height_ft > HIGH_FT))


def _ground_share(gears: list[Samples], contact: float) -> float:
    """Share of the samples in the moments after a contact that say ground, of the gear that says it most."""
    shares = [0.0]
    for gear in gears:
        time_s, on = _known(gear)
        inside = (time_s >= contact - 1e-6) & (time_s < contact + max(CONFIRM_S, 2.5 * gear.step_s))
        if inside.sum() > 1:
            shares.append(float(on[inside].mean()))
    return max(shares)


def _height_at(recording: Recording, time_s: np.ndarray) -> tuple[np.ndarray, float]:
    """Radio height near moments, NaN where it has none, and what it may show with the gear on the ground."""
    height = recording.samples.get("radio_height")
    if height is None or not (~np.isnan(height.values)).any():
        return np.full(len(time_s), np.nan), np.nan
    index = np.clip(np.searchsorted(height.time_s, time_s), 0, len(height.time_s) - 1)
    near = np.abs(height.time_s[index] - time_s) <= 2 * height.step_s
    return np.where(near, height.values[index], np.nan), _resting_ft(height.values) + NEAR_FT


def _resting_ft(feet: np.ndarray) -> float:
    """What the radio height shows on the ground; NaN when it never comes so low."""
    low = feet[feet < 2 * HIGH_FT]
    lowest = float(np.percentile(low, 5)) if len(low) else np.nan
    return lowest if lowest < RESTING_FT else np.nan


def _height_contacts(recording: Recording) -> np.ndarray:
    """Times at which the radio height comes down from a flying height to what it shows at its lowest."""
    height = recording.samples.get("radio_height")
    if height is None:
        return np.zeros(0)
    known = ~np.isnan(height.values)
    time_s, feet = height.time_s[known], height.values[known]
    if len(feet) < 3:
        return np.zeros(0)
    middle_ft = np.median(np.stack([feet[:-2], feet[1:-1], feet[2:]]), axis=0)  # a lone sample may be a spike
    feet = np.concatenate([feet[:1], middle_ft, feet[-1:]])
    low = feet <= _resting_ft(feet) + 3.0
    edges = np.flatnonzero(low[1:] & ~low[:-1]) + 1
    flown_s = time_s[feet > HIGH_FT / 2]
    since = np.searchsorted(flown_s, time_s[edges])
    came_down = (since > 0) & (time_s[edges] - flown_s[np.maximum(since - 1, 0)] < BEFORE_S if len(flown_s) else False)
    return time_s[edges][came_down]


def _at_landing_speed(recording: Recording, time_s: np.ndarray) -> np.ndarray:
    for name in ("ground_speed", "airspeed"):
        speed = recording.samples.get(name)
        if speed is None or not len(speed.time_s):
            continue
        known = ~np.isnan(speed.values)
        if known.any() and np.ptp(speed.values[known]) > 0:  # one that never changes tells nothing
            at_contact = np.array([_around(speed.time_s[known], speed.values[known], at_s) for at_s in time_s])
            return (at_contact > FLYING_KT) & (at_contact < FASTEST_KT)
    return np.ones(len(time_s), bool)


def _around(time_s: np.ndarray, values: np.ndarray, at_s: float) -> float:
    """The middle one of a few samples around a time: one of them may be a spike."""
    first = max(int(np.searchsorted(time_s, at_s)) - SAMPLES_AROUND // 2, 0)
    return float(np.median(values[first : first + SAMPLES_AROUND]))


def _windows(recording: Recording, anchors: list[float]) -> Iterator[tuple[float, float, float]]:
    data_start = min(s.time_s[0] for s in recording.samples.values() if len(s.time_s))
    data_end = max(s.time_s[-1] for s in recording.samples.values() if len(s.time_s))
    for number, anchor in enumerate(anchors):
        over = min(_slow_since(recording, anchor) + AFTER_SLOW_S, _flown_since(recording, anchor) + FLOWN_AGAIN_S)
        end = min(data_end, anchor + LONGEST_S, over)
        if number + 1 < len(anchors):
            end = min(end, anchors[number + 1] - BEFORE_S)
        yield anchor, max(anchor - BEFORE_S, data_start), max(end, anchor + 1.0)


def _slow_since(recording: Recording, anchor: float) -> float:
    """When ground speed fell below taxi speed, by two samples running."""
    speed = recording.samples.get("ground_speed")
    if speed is None:
        return np.inf
    after = ~np.isnan(speed.values) & (speed.time_s > anchor)
    slow = speed.values[after] < SLOW_KT
    lasting = np.flatnonzero(slow[1:] & slow[:-1])
    return float(speed.time_s[after][lasting[0]]) if len(lasting) else np.inf


def _flown_since(recording: Recording, anchor: float) -> float:
    """When the aeroplane left the ground again for longer than a bounce, by the gear or else the radio height."""
    gears = [_known(recording.samples[name]) for name in GEAR if name in recording.samples]
    if not gears:
        high_s = _times(recording, "radio_height", HIGH_FT)
        return min(high_s[high_s > anchor], default=np.inf)
    ground_s = np.sort(np.concatenate([time_s[on & (time_s >= anchor)] for time_s, on in gears]))
    air_s = np.sort(np.concatenate([time_s[~on] for time_s, on in gears]))
    if not len(ground_s):
        return np.inf
    behind_s = np.append(ground_s[1:], max(time_s[-1] for time_s, _ in gears if len(time_s)))
    said_air = np.searchsorted(air_s, behind_s, side="right") > np.searchsorted(air_s, ground_s, side="right")
    return float(min(ground_s[(behind_s - ground_s > CLIMB_S) & said_air], default=np.inf))
