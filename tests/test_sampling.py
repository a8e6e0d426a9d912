"""When values were really sampled: truth lies in (sample before - lag, first changed sample], whatever the export."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.clocks import clock_of, snapped, step_of
from fdm.errors import RecordingError
from fdm.parameter_map import MapEntry, ParameterMap
from fdm.parameters import NOT_RECORDED
from fdm.readers import RawColumn, RawFlight
from fdm.sampling import sample_flight

SPEED = MapEntry("ground_speed", "GS", unit="kt")
GEAR = MapEntry("main_gear_ground", "WOW", true_when=(1.0,))
NZ = MapEntry("normal_acceleration", "NZ", unit="g")
LENGTH_S = 90.0


def layout(*entries):
    return ParameterMap("map", "Layout", None, 2, (1, 2), (), {entry.name: entry for entry in entries})


def flight(time_s, **columns):
    """A raw wide table; NaN in a column is an empty cell."""
    raw = {}
    for name, values in columns.items():
        rows = None if np.isfinite(values).all() else np.flatnonzero(np.isfinite(values))
        raw[name] = RawColumn(values if rows is None else values[rows], rows)
    return RawFlight("raw", None, np.asarray(time_s, float), raw, {}, "0")


def held(truth, rows_s, rate_hz, phase_s):
    """What a held export shows: in each row the value of the last sample taken until then (NaN before the first)."""
    taken_s = phase_s + np.arange(int(LENGTH_S * rate_hz) + 2) / rate_hz
    last = np.searchsorted(taken_s, rows_s + 1e-9, side="right") - 1
    values = truth(taken_s)[np.maximum(last, 0)]
    return np.where(last >= 0, values, np.nan)


def switching(changes_s, first=0.0):
    """A discrete that changes at the given times."""
    return lambda t: (np.searchsorted(changes_s, t, side="right") + first) % 2


def rolling(t):
    """Ground speed of a landing: never the same at two samples."""
    return 140 - 1.3 * np.asarray(t) + 0.3 * np.sin(7.3 * np.asarray(t))


def spans(samples):
    """(earliest, latest) of each recorded change."""
    at = np.flatnonzero(np.diff(samples.values.astype(float)) != 0)
    return list(zip(samples.time_s[at] - samples.lag_s, samples.time_s[at + 1], strict=True))


def contains_each(samples, changes_s):
    """Whether the recorded changes are as many as the true ones, and each truth lies in its span."""
    found = spans(samples)
    pairs = zip(changes_s, found, strict=False)
    inside = all(earlier - 1e-9 < truth <= later + 1e-9 for truth, (earlier, later) in pairs)
    return len(found) == len(changes_s) and inside


@st.composite
def changes(draw, gap_s):
    """Up to eight times of change, further apart than the slowest sampling and away from the ends."""
    count = draw(st.integers(0, 8))
    gaps = draw(st.lists(st.floats(gap_s, gap_s + 8.0), min_size=count, max_size=count))
    times = 5.0 + np.cumsum(gaps)
    return times[times < LENGTH_S - 2 * gap_s]


@settings(deadline=None, max_examples=300)
@given(
    table_hz=st.sampled_from([4, 5, 8, 10, 16, 20]),
    rate_hz=st.sampled_from([1, 2, 4, 8, 16]),
    phase=st.floats(0, 0.999),
    speed_phase=st.floats(0, 0.999),
    changes_s=changes(2.2),
)
def test_inferred_repeats_keep_the_truth(table_hz, rate_hz, phase, speed_phase, changes_s):
    rate_hz = min(rate_hz, table_hz)
    rows_s = np.arange(int(LENGTH_S * table_hz)) / table_hz
    gear = held(switching(changes_s), rows_s, rate_hz, phase / rate_hz)
    speed = held(rolling, rows_s, 1, speed_phase)
    samples, _ = sample_flight(flight(rows_s, WOW=gear, GS=speed), layout(GEAR, SPEED))
    assert samples["ground_speed"].step_s == 1.0
    assert contains_each(samples["main_gear_ground"], changes_s)


@settings(deadline=None, max_examples=300)
@given(
    table_hz=st.sampled_from([4, 5, 8, 10, 16]),
    rate_hz=st.sampled_from([0.25, 0.5, 1, 2, 4, 8]),
    phase=st.floats(0, 0.999),
    changes_s=changes(9.0),
)
def test_repeats_by_the_map_keep_the_truth(table_hz, rate_hz, phase, changes_s):
    rate_hz = min(rate_hz, table_hz)
    rows_s = np.arange(int(LENGTH_S * table_hz)) / table_hz
    gear = held(switching(changes_s), rows_s, rate_hz, phase / rate_hz)
    entry = MapEntry("main_gear_ground", "WOW", true_when=(1.0,), rate_hz=rate_hz)
    speed = MapEntry("ground_speed", "GS", unit="kt", rate_hz=1)
    raw = flight(rows_s, WOW=gear, GS=held(rolling, rows_s, 1, 0.4))
    samples, _ = sample_flight(raw, layout(entry, speed))
    found = samples["main_gear_ground"]
    assert contains_each(found, changes_s)
    widest = 1 / rate_hz + 2 / table_hz if changes_s.size and table_hz % rate_hz == 0 else 2 / rate_hz + 2 / table_hz
    assert all(later - earlier <= widest + 1e-9 for earlier, later in spans(found))


@settings(deadline=None, max_examples=200)
@given(
    table_hz=st.sampled_from([8, 16, 20]),
    every=st.sampled_from([1, 2, 4, 8]),
    phase=st.integers(0, 7),
    changes_s=changes(2.5),
)
def test_sparse_tables_keep_the_truth_without_a_lag(table_hz, every, phase, changes_s):
    rows_s = np.arange(int(LENGTH_S * table_hz)) / table_hz
    sampled = np.arange(len(rows_s)) % every == phase % every
    gear = np.where(sampled, switching(changes_s)(rows_s), np.nan)
    dense = np.sin(1.7 * rows_s)
    samples, notes = sample_flight(flight(rows_s, WOW=gear, NZ=1 + 0.1 * dense), layout(GEAR, NZ))
    found = samples["main_gear_ground"]
    assert not notes
    assert (found.step_s, found.lag_s) == (every / table_hz, 0.0)
    assert contains_each(found, changes_s)


@settings(deadline=None, max_examples=150)
@given(phase=st.floats(0, 0.999), restart=st.floats(0, 0.999), gap_s=st.floats(3, 9), changes_s=changes(2.2))
def test_a_recorder_that_starts_anew_after_a_gap(phase, restart, gap_s, changes_s):
    """Each stretch has a phase of its own; changes during the gap and in the seconds after it are not looked at."""
    rows_s = np.arange(int(LENGTH_S * 8)) / 8
    before, after = rows_s < 40, rows_s >= 40 + gap_s
    changes_s = changes_s[(changes_s < 38) | (changes_s > 40 + gap_s + 2)]
    gear = np.where(
        before, held(switching(changes_s), rows_s, 1, phase), held(switching(changes_s), rows_s, 1, restart)
    )
    speed = np.where(before, held(rolling, rows_s, 1, phase), held(rolling, rows_s, 1, restart))
    keep = before | after
    samples, notes = sample_flight(flight(rows_s[keep], GS=speed[keep], WOW=gear[keep]), layout(SPEED, GEAR))
    assert any("No data from" in note for note in notes)
    assert samples["ground_speed"].step_s == 1.0
    one_phase = len(changes_s) == 0 or (changes_s < 38).all() or (changes_s > 40).all()
    if one_phase:
        assert contains_each(samples["main_gear_ground"], changes_s)


def test_a_held_export_loses_its_repeats():
    """1 Hz speed taken 0.3 s into each second, 8 Hz table: new values first show 0.375 s into the second."""
    rows_s = np.arange(720) / 8
    speed = held(rolling, rows_s, 1, 0.3)
    samples, _ = sample_flight(flight(rows_s, GS=speed), layout(SPEED))
    found = samples["ground_speed"]
    np.testing.assert_allclose(found.time_s, 0.375 + np.arange(len(found.time_s)))
    np.testing.assert_allclose(found.values, rolling(found.time_s - 0.075))
    assert (found.step_s, found.lag_s) == (1.0, 0.125)


def test_an_offset_in_the_map_replaces_the_lag():
    rows_s = np.arange(720) / 8
    entry = MapEntry("ground_speed", "GS", unit="kt", offset_s=-0.075)
    samples, _ = sample_flight(flight(rows_s, GS=held(rolling, rows_s, 1, 0.3)), layout(entry))
    found = samples["ground_speed"]
    np.testing.assert_allclose(found.values, rolling(found.time_s))
    assert found.lag_s == 0.0


def test_a_genuine_fast_column_is_not_held():
    """Turbulent normal acceleration in steps of 0.004 g (14 CFR 121 appendix M) repeats by chance only."""
    rng = np.random.default_rng(7)
    rows_s = np.arange(720) / 8
    nz = np.round((1 + 0.02 * rng.standard_normal(720)) / 0.004) * 0.004
    speed = held(rolling, rows_s, 1, 0.3)
    samples, _ = sample_flight(flight(rows_s, NZ=nz, GS=speed), layout(NZ, SPEED))
    assert samples["normal_acceleration"].step_s == 0.125
    assert len(samples["normal_acceleration"].time_s) == 720


def test_discretes_without_changes_are_believed_at_1_hz_with_an_unknown_phase():
    rows_s = np.arange(720) / 8
    samples, _ = sample_flight(flight(rows_s, WOW=np.zeros(720), GS=held(rolling, rows_s, 2, 0.1)), layout(GEAR, SPEED))
    assert (samples["main_gear_ground"].step_s, samples["main_gear_ground"].lag_s) == (1.0, 1.0)


def test_changes_closer_than_a_second_raise_the_rate():
    rows_s = np.arange(720) / 8
    gear = held(switching(np.array([30.0, 30.6, 31.1])), rows_s, 4, 0.1)
    samples, _ = sample_flight(flight(rows_s, WOW=gear, GS=held(rolling, rows_s, 1, 0.3)), layout(GEAR, SPEED))
    assert samples["main_gear_ground"].step_s in (0.25, 0.5)
    assert contains_each(samples["main_gear_ground"], [30.0, 30.6, 31.1])


def test_many_changes_that_agree_with_no_rate_are_old():
    """A discrete held at a rate of its own, every 0.9 s, in an 8 Hz table."""
    rows_s = np.arange(720) / 8
    changes_s = 5.0 + np.cumsum(np.tile([2.1, 3.3, 2.7, 1.9], 8))
    gear = held(switching(changes_s), rows_s, 1 / 0.9, 0.2)
    samples, _ = sample_flight(flight(rows_s, WOW=gear, GS=held(rolling, rows_s, 1, 0.3)), layout(GEAR, SPEED))
    assert contains_each(samples["main_gear_ground"], changes_s)


def test_rows_are_samples_where_nothing_is_held():
    """A discrete in a table whose other columns change in every row was sampled in every row."""
    rows_s = np.arange(360) / 4
    gear = switching(np.array([30.1]))(rows_s)
    samples, _ = sample_flight(flight(rows_s, WOW=gear, GS=rolling(rows_s)), layout(GEAR, SPEED))
    assert (samples["main_gear_ground"].step_s, samples["main_gear_ground"].lag_s) == (0.25, 0.0)


def test_a_rate_in_the_map_that_the_data_contradict():
    rows_s = np.arange(720) / 8
    entry = MapEntry("ground_speed", "GS", unit="kt", rate_hz=1)
    samples, notes = sample_flight(flight(rows_s, GS=held(rolling, rows_s, 4, 0.01)), layout(entry))
    assert samples["ground_speed"].step_s == 0.25
    assert any("more often than the map's 1 Hz" in note for note in notes)
    entry = MapEntry("ground_speed", "GS", unit="kt", rate_hz=8)
    samples, notes = sample_flight(flight(rows_s, GS=held(rolling, rows_s, 1, 0.01)), layout(entry))
    assert samples["ground_speed"].step_s == 1.0
    assert any("less often than the map's 8 Hz" in note for note in notes)
    entry = MapEntry("ground_speed", "GS", unit="kt", rate_hz=16)
    _, notes = sample_flight(flight(rows_s, GS=rolling(rows_s)), layout(entry))
    assert any("the map says 16 Hz, it is recorded every 0.125 s" in note for note in notes)


@settings(deadline=None)
@given(rate_hz=st.sampled_from([0.25, 0.5, 1, 2, 4, 5, 8, 10, 16, 20, 32]), decimals=st.integers(2, 4))
def test_the_step_survives_rounded_stamps_and_gaps(rate_hz, decimals):
    time_s = np.round(17.3 + np.arange(200) / rate_hz, decimals)
    time_s = np.delete(time_s, [40, 41, 42, 90])
    assert step_of(time_s) == 1 / rate_hz


def test_uncommon_rates_stay_as_they_are():
    assert snapped(0.35) == 0.35
    assert step_of(np.arange(100) * 0.35) == pytest.approx(0.35)


# clocks -------------------------------------------------------------------------------------------------------------


def test_swapped_rows_and_wild_stamps_are_left_out():
    time_s = np.arange(400) / 4
    time_s[[100, 101]] = time_s[[101, 100]]
    time_s[200] = 99999.0
    time_s[300] = 3.0
    clock = clock_of(time_s, 400)
    kept = clock.time_s[np.isfinite(clock.time_s)]
    assert (np.diff(kept) > 0).all()
    assert len(kept) == 397
    assert any("3 rows out of time order left out" in note and "99999.000" in note for note in clock.notes)


def test_a_clock_set_back_a_little_is_put_right():
    """True durations across the step lie within the samples' lag."""
    time_s = np.arange(400) / 4
    stamped = np.where(time_s > 50.1, time_s - 1.5, time_s)
    gear = switching([40.1, 60.1])(time_s)
    samples, notes = sample_flight(flight(stamped, WOW=gear, GS=rolling(time_s)), layout(GEAR, SPEED))
    found = samples["main_gear_ground"]
    assert contains_each(found, [40.1, 60.1])
    assert found.lag_s <= 0.25 + 1e-9
    assert any("The clock was set back at 50.000 s" in note for note in notes)


def test_rows_written_twice_are_left_out_once():
    """Two seconds of rows a second time, stamps and all: nothing is moved."""
    order = np.concatenate([np.arange(200), np.arange(192, 400)])
    time_s = order / 4
    samples, notes = sample_flight(flight(time_s, GS=rolling(time_s)), layout(SPEED))
    np.testing.assert_allclose(samples["ground_speed"].time_s, np.arange(400) / 4)
    assert any("8 rows written twice left out (stamped 48.000" in note for note in notes)


def test_a_stretch_stamped_backwards_is_left_out():
    time_s = np.arange(400) / 4
    stamped = time_s.copy()
    stamped[200:208] = stamped[200:208][::-1]
    samples, notes = sample_flight(flight(stamped, GS=rolling(time_s)), layout(SPEED))
    found = samples["ground_speed"]
    good = (found.time_s < 50) | (found.time_s >= 52)
    np.testing.assert_allclose(found.values[good], rolling(found.time_s[good]))
    assert good.sum() == 392
    assert (~good).sum() <= 1
    assert any("out of time order left out (stamped 51" in note for note in notes)


def test_a_clock_set_back_twice_is_refused():
    time_s = np.arange(400) / 4
    stamped = time_s - 1.5 * (time_s > 30) - 1.5 * (time_s > 60)
    with pytest.raises(RecordingError, match="time goes back"):
        sample_flight(flight(stamped, GS=rolling(time_s)), layout(SPEED))


def test_rows_with_one_stamp_are_merged():
    """An export that writes one row for each group of parameters, with the same stamp."""
    time_s = np.repeat(np.arange(50.0), 2)
    first = np.tile([True, False], 50)
    speed = np.where(first, rolling(time_s), np.nan)
    nz = np.where(first, np.nan, 1 + 0.01 * time_s)
    samples, notes = sample_flight(flight(time_s, GS=speed, NZ=nz), layout(SPEED, NZ))
    assert len(samples["ground_speed"].time_s) == len(samples["normal_acceleration"].time_s) == 50
    assert any("50 rows with the time of the row before" in note for note in notes)


@settings(deadline=None, max_examples=100)
@given(first=st.integers(0, 3), changes_s=changes(2.2))
def test_stamps_cut_to_whole_seconds_are_spread(first, changes_s):
    """4 Hz rows stamped with whole seconds, beginning somewhere in a second."""
    taken_s = np.arange(first, 4 * int(LENGTH_S)) / 4
    gear = switching(changes_s)(taken_s)
    samples, notes = sample_flight(flight(np.floor(taken_s), WOW=gear), layout(GEAR))
    found = samples["main_gear_ground"]
    assert found.step_s == 0.25
    assert contains_each(found, changes_s)
    assert any("spread" in note for note in notes)


def test_columns_with_clocks_of_their_own():
    """Long tables: out-of-order samples, rounded stamps and gaps are put right and told for each parameter."""
    time_s = np.arange(80.0)
    swapped = time_s.copy()
    swapped[[10, 11]] = swapped[[11, 10]]
    gear_s = np.delete(np.arange(400) / 4, slice(200, 240))
    raw = RawFlight(
        "raw",
        None,
        None,
        {
            "GS": RawColumn(rolling(swapped), time_s=swapped),
            "WOW": RawColumn(switching([20.1])(gear_s), time_s=gear_s),
            "NZ": RawColumn(1 + 0.01 * np.arange(240), time_s=np.floor(np.arange(240) / 4)),
        },
        {},
        "0",
    )
    samples, notes = sample_flight(raw, layout(SPEED, GEAR, NZ))
    speed = samples["ground_speed"]
    np.testing.assert_allclose(speed.values, rolling(speed.time_s))
    assert len(speed.time_s) == 79
    assert contains_each(samples["main_gear_ground"], [20.1])
    assert (samples["normal_acceleration"].step_s, samples["normal_acceleration"].lag_s) == (0.25, 0.25)
    assert [note.partition(":")[0] for note in notes] == ["ground_speed", "main_gear_ground", "normal_acceleration"]
    assert "no data from 49.8 to 60.0 s, by the clock of the recording" in notes[1]


def test_a_gap_is_told():
    time_s = np.concatenate([np.arange(100), np.arange(160, 200)]) / 4
    assert clock_of(time_s, 140).gaps == "No data from 24.8 to 40.0 s, by the clock of the recording."


@pytest.mark.parametrize(
    ("time_s", "fragment"),
    [
        (np.concatenate([np.arange(100), np.arange(100)]) / 4.0, "time goes back from 24.750 to 0.000 s in row 101"),
        (np.concatenate([np.arange(100), np.arange(80, 200)]) / 4.0, "time goes back from 24.750 to 20.000 s"),
        (np.arange(100)[::-1] / 4.0, "time goes back"),
        (np.arange(100) * 250.0, "rows are 250 s apart"),
        (np.full(10, np.nan), "no row has a time"),
        (np.array([3.0]), "one sample in time only"),
        (np.full(10, 3.0), "one sample in time only"),
    ],
)
def test_clocks_that_are_refused(time_s, fragment):
    with pytest.raises(RecordingError, match=fragment):
        clock_of(time_s, len(time_s))


def test_rows_without_a_time_are_left_out():
    time_s = np.arange(40.0)
    time_s[[5, 6]] = np.nan
    samples, notes = sample_flight(flight(time_s, GS=rolling(np.arange(40.0))), layout(SPEED))
    assert len(samples["ground_speed"].time_s) == 38
    assert "2 rows without a time left out." in notes


# values -------------------------------------------------------------------------------------------------------------


def one(entry, values, time_s=None):
    raw = RawFlight("raw", None, np.arange(len(values)) * 1.0, {entry.column: RawColumn(values)}, {}, "0")
    samples, notes = sample_flight(raw, layout(entry))
    return samples[entry.name], notes


def test_values_that_cannot_be_become_missing_samples():
    found, notes = one(SPEED, np.array([100.0, np.nan, np.inf, -np.inf, 1000.0, -0.3, 99.0]))
    np.testing.assert_array_equal(found.values, [100, np.nan, np.nan, np.nan, np.nan, -0.3, 99])
    assert len(found.time_s) == 7
    assert notes == [
        "ground_speed: 3 values are not a number, taken as missing.",
        "ground_speed: 1 value is outside 0 to 700 kt, taken as missing.",
    ]


def test_units_are_converted():
    found, _ = one(MapEntry("ground_speed", "GS", unit="m/s", factor=3600 / 1852), np.array([10.0, 0.0]))
    assert found.values[0] == pytest.approx(19.438445, abs=1e-6)  # NIST SP 811: 10 m/s


def test_polarity_and_missing_discretes():
    found, _ = one(MapEntry("main_gear_ground", "WOW", true_when=(0.0,)), np.array([1.0, 0.0, np.nan, 2.0]))
    assert found.values.dtype == np.int8
    assert found.values.tolist() == [0, 1, NOT_RECORDED, 0]
    found, _ = one(MapEntry("main_gear_ground", "WOW", true_when=("GROUND",)), pl.Series(["AIR", "Ground", "?"]))
    assert found.values.tolist() == [0, 1, 0]


def test_a_state_that_the_map_does_not_know_is_not_stowed():
    states = {0.0: 0, 1.0: 1, "DEPLOYED": 2}
    found, notes = one(MapEntry("reverser_state.1", "R", states=states), pl.Series(["0", "1", "deployed", "", "7"]))
    assert found.values.tolist() == [0, 1, 2, NOT_RECORDED, NOT_RECORDED]
    assert notes == ["reverser_state.1: 2 values are not in the map's states ('', '7'), taken as missing."]


@pytest.mark.parametrize(("recorded", "canonical"), [(360.02, 0.02), (448.9, 88.9), (-170.0, -170.0), (721.0, 1.0)])
def test_headings_past_a_full_turn(recorded, canonical):
    found, notes = one(MapEntry("heading", "HDG", unit="deg"), np.array([recorded, recorded]))
    assert found.values[0] == pytest.approx(canonical)
    assert not notes


def test_a_slot_of_unknown_phase_is_a_lag():
    """MAT: sample i of a 1 Hz variable was taken somewhere in second i."""
    column = RawColumn(rolling(np.arange(60)), None, np.arange(60.0), slot_s=1.0)
    raw = RawFlight("raw", None, None, {"GS": column}, {}, "0")
    samples, _ = sample_flight(raw, layout(SPEED))
    assert (samples["ground_speed"].time_s[0], samples["ground_speed"].lag_s) == (1.0, 1.0)
    samples, _ = sample_flight(raw, layout(MapEntry("ground_speed", "GS", unit="kt", offset_s=0.25)))
    assert (samples["ground_speed"].time_s[0], samples["ground_speed"].lag_s) == (0.25, 0.0)
