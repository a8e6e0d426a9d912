"""The open sample flight data of NASA's DASHlink, in layout: MAT v5, a struct per variable, four engines, no reversers.

No recording of that set is here: landings flown with JSBSim are written the way it is published. Variables and rates
after the list of its variables (domain facts: 186 variables, each with its own rate; WOW is 1 in the air, LGDN 0 when
the gear is down). From memory: a name has an underscore for the dot, the sync words are VAR_..., and each struct has
data, Rate, Units, Description and Alpha; SPLG is 1 while the spoilers are out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import scipy.io

from .fault_fleet import LEAD_IN_S, led_in
from .jsbsim_landing import NEVER, Flown, Plan, fly, prepare
from .jsbsim_truth import EXTENDED, Truth, truth
from .judging import escapes, rows_of
from .recorder import Channel, Signal

pytestmark = pytest.mark.outside
NO_REVERSE = (NEVER, NEVER)
PLANS = {
    "699202611160801": Plan("on time", select_s=NO_REVERSE),
    "699202611160945": Plan("spoilers late", select_s=NO_REVERSE, spoilers_s=5.8, brakes_s=5.0),
    "699202611161130": Plan("weak brakes", model="A320", select_s=NO_REVERSE, brakes_s=6.0, brake=0.12),
}
NEEDS_REVERSERS = {
    "late_reverser_stow",
    "asymmetric_deployment",
    "slow_high_reverse",
    "late_reverse",
    "reverser_not_deployed",
    "forward_power_with_reverser_out",
    "stow_before_idle",
    "reverse_then_go_around",
    "reverser_unstowed_in_air",
    "slow_transit",
    "no_reverse",
    "unequal_reverse_power",
    "autothrottle_in_reverse",
}
ASSESSED = {
    "late_spoilers",
    "spoilers_retracted_early",
    "late_braking",
    "low_deceleration",
    "bounce",
    "heading_excursion",
}
SLACK = {"s": 0.02, "m": 1.5, "kt": 0.1, "g": 0.001, "deg": 0.01, "count": 0.0}
CHECKED = (
    "spoiler_delay_s",
    "spoiler_delay_first_s",
    "spoiler_retract_speed_kt",
    "brake_delay_s",
    "mean_deceleration_g",
    "touchdown_ground_speed_kt",
    "heading_excursion_deg",
    "rollout_60_m",
    "rollout_30_m",
    "bounces",
    "bounce_airborne_s",
)
MAP = """
[map]
name = "DASHlink layout"
fleet = "four-engine regional jet"
engines = 4
reversers = []
{discretes}
[parameter.spoiler_panel]
column = "SPLG"
unit = "fraction"
{analogues}
"""
WOW = '[parameter.main_gear_ground]\ncolumn = "WOW"\ntrue_when = [{}]\n'
ANALOGUES = {
    "ground_speed": ("GS", "kt"),
    "airspeed": ("CAS", "kt"),
    "radio_height": ("RALT", "ft"),
    "normal_acceleration": ("VRTG", "g"),
    "longitudinal_acceleration": ("LONG", "g"),
    "heading": ("TH", "deg"),
    "pitch": ("PTCH", "deg"),
    "roll": ("ROLL", "deg"),
    "latitude": ("LATP", "deg"),
    "longitude": ("LONP", "deg"),
    "brake_pressure.left": ("BPGR_1", "psi"),
    "brake_pressure.right": ("BPGR_2", "psi"),
    **{f"n1.{e}": (f"N1_{e}", "%") for e in (1, 2, 3, 4)},
    **{f"thrust_lever.{e}": (f"PLA_{e}", "deg") for e in (1, 2, 3, 4)},
}


def variables(flown: Flown) -> list[tuple[Channel, str, str]]:
    """(channel, unit, description) of what the layout records and the landing shows; and some that no map asks for."""

    def log(name: str, scale: float = 1.0) -> Signal:
        return lambda t: scale * np.interp(t, flown.time_s, flown.log[name])

    def when(condition: Callable[[dict[str, np.ndarray]], np.ndarray]) -> Signal:
        flags = condition(flown.log).astype(float)
        return lambda t: flags[np.minimum(np.round(t * 100).astype(int), len(flags) - 1)]

    def always(value: float) -> Signal:
        return lambda t: np.full(len(t), value)

    listed: list[tuple[str, float, str, Signal]] = [
        ("VRTG", 8, "G", log("normal_g")),
        ("RALT", 8, "FEET", log("height_ft")),
        ("PTCH", 8, "DEG", log("pitch_deg")),
        ("ROLL", 8, "DEG", log("roll_deg")),
        ("GS", 4, "KNOTS", log("ground_speed_kt")),
        ("CAS", 4, "KNOTS", log("airspeed_kt")),
        ("LONG", 4, "G", log("longitudinal_g")),
        ("TH", 4, "DEG", log("heading_deg")),
        ("NSQT", 4, "", when(lambda log: log["nose_on"] > 0)),
        ("WOW", 1, "", when(lambda log: (log["left_on"] <= 0) & (log["right_on"] <= 0))),
        ("LGDN", 1, "", always(0.0)),
        ("SPLG", 1, "", when(lambda log: log["spoiler"] >= EXTENDED)),
        ("BPGR_1", 1, "PSI", log("brake_psi")),
        ("BPGR_2", 1, "PSI", log("brake_psi", 0.97)),
        ("LATP", 1, "DEG", log("latitude_deg")),
        ("LONP", 1, "DEG", log("longitude_deg")),
        ("PH", 1, "", always(7.0)),
        ("VAR_1107", 0.25, "", always(0o1107)),
        *((f"N1_{e}", 4, "%RPM", log(f"n1_{(e + 1) // 2}")) for e in (1, 2, 3, 4)),
        *((f"PLA_{e}", 4, "DEG", log(f"thrust_lever_{(e + 1) // 2}")) for e in (1, 2, 3, 4)),
    ]
    return [
        (led_in(Channel(name, signal, rate_hz, {}), name in ("RALT", "LATP", "LONP")), unit, f"{name} as recorded")
        for name, rate_hz, unit, signal in listed
    ]


def write(path: Path, flown: Flown, rng: np.random.Generator) -> None:
    """A MAT v5 file; each variable sampled somewhere in its slot, which the file does not say."""
    contents = {}
    for channel, unit, description in variables(flown):
        slot_s = 1 / channel.rate_hz
        count = int((float(flown.time_s[-1]) + LEAD_IN_S) / slot_s)
        time_s = -LEAD_IN_S + slot_s * (np.arange(count) + rng.uniform(0, 1))
        contents[channel.parameter] = {
            "data": channel.signal(time_s).reshape(-1, 1),
            "Rate": channel.rate_hz,
            "Units": unit,
            "Description": description,
            "Alpha": channel.parameter,
        }
    scipy.io.savemat(path, contents, format="5")


def map_text(wow: int = 0) -> str:
    """The parameter map; `wow` is the value of WOW that means ground."""
    analogues = [f'[parameter."{n}"]\ncolumn = "{c}"\nunit = "{u}"' for n, (c, u) in ANALOGUES.items()]
    return MAP.format(discretes=WOW.format(wow), analogues="\n".join(analogues))


@dataclass(frozen=True)
class Loaded:
    """Landings, outcomes, measures and events of the files, by file name; and the true values."""

    tables: dict[str, pl.DataFrame]
    truths: dict[str, Truth]

    def of(self, name: str, flight: str) -> pl.DataFrame:
        landing = self.tables["landings"].filter(pl.col("source_file").str.contains(flight))
        return self.tables[name].join(landing.select("landing_id"), on="landing_id", how="semi")


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Flown]:
    models = prepare(tmp_path_factory.mktemp("models"))
    return {name: fly(plan, models) for name, plan in PLANS.items()}


def _load(folder: Path, flights: dict[str, Flown], wow: int) -> Loaded:
    from fdm.engine import detect, load, table

    folder.mkdir(exist_ok=True)
    for n, (name, flown) in enumerate(flights.items()):
        write(folder / f"{name}.mat", flown, np.random.default_rng([7, n]))
    (folder / "layout.toml").write_text(map_text(wow))
    load([folder], folder / "archive", map_file=folder / "layout.toml")
    detect(folder / "archive")
    names = ("landings", "outcomes", "measures", "events")
    return Loaded({n: table(folder / "archive", n) for n in names}, {n: truth(f) for n, f in flights.items()})


@pytest.fixture(scope="module")
def loaded(flights: dict[str, Flown], tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return _load(tmp_path_factory.mktemp("dashlink"), flights, wow=0)


def test_each_file_is_one_full_stop_landing(loaded: Loaded) -> None:
    landings = loaded.tables["landings"]
    assert sorted(Path(f).stem for f in landings["source_file"]) == sorted(PLANS)
    assert set(landings["kind"]) == {"full_stop"}


def test_touchdown_lies_within_its_bounds(loaded: Loaded) -> None:
    """WOW once a second, taken anywhere in its slot: known to two seconds at the worst."""
    for flight, true in loaded.truths.items():
        row = loaded.of("landings", flight).row(0, named=True)
        at_s = true.touchdown_s + LEAD_IN_S  # the file's first sample is second 0
        assert not escapes(at_s, row["touchdown_earliest_s"], row["touchdown_latest_s"], 0.01), (flight, at_s, row)
        assert row["touchdown_latest_s"] - row["touchdown_earliest_s"] <= 2.0


def test_rules_on_reversers_are_not_assessed_and_say_so_plainly(loaded: Loaded) -> None:
    for flight in PLANS:
        rows = loaded.of("outcomes", flight).filter(pl.col("rule").is_in(NEEDS_REVERSERS))
        assert set(rows["rule"]) == NEEDS_REVERSERS
        assert set(rows["outcome"]) == {"not_assessed"}, rows
        unplain = rows.filter(~pl.col("reason").str.contains("has a reverser|with reversers|^not recorded"))
        assert not unplain.height, unplain.select("rule", "reason").rows()


def test_rules_on_spoilers_brakes_and_deceleration_are_assessed(loaded: Loaded) -> None:
    for flight in PLANS:
        rows = loaded.of("outcomes", flight).filter(pl.col("rule").is_in(ASSESSED))
        assert set(rows["rule"]) == ASSESSED
        assert "not_assessed" not in set(rows["outcome"]), rows.filter(pl.col("outcome") == "not_assessed")


def test_what_is_not_recorded_is_named(loaded: Loaded) -> None:
    for flight in PLANS:
        reasons = dict(loaded.of("outcomes", flight).select("rule", "reason").iter_rows())
        assert "spoilers_armed" in reasons["spoilers_not_armed"]
        assert "runway" in reasons["short_runway_left"]


def test_measures_hold_the_truth(loaded: Loaded) -> None:
    misses, checked = [], 0
    for flight, true in loaded.truths.items():
        measures = loaded.of("measures", flight)
        for name in CHECKED:
            row, value = rows_of(measures, name, 0).row(0, named=True), true.measures[name, 0]
            assert row["value"] is not None or math.isnan(value), (flight, name, row["reason"])
            if row["value"] is not None and not math.isnan(value):
                checked += 1
                if escapes(value, row["lower"], row["upper"], SLACK[row["unit"]]):
                    misses.append((flight, name, value, row["lower"], row["value"], row["upper"]))
    assert checked >= 9 * len(PLANS)
    assert not misses, misses


def test_late_spoilers_and_weak_brakes_are_events(loaded: Loaded) -> None:
    """5.8 s after contact is high by the shipped limits; 0.12 of full brake does not reach 0.1 g."""
    events = {flight: dict(loaded.of("events", flight).select("rule", "severity").iter_rows()) for flight in PLANS}
    assert not events["699202611160801"]
    assert events["699202611160945"].keys() == {"late_spoilers"}
    assert "low_deceleration" in events["699202611161130"]


def test_a_map_that_takes_wow_the_wrong_way_round_is_put_right(flights: dict[str, Flown], tmp_path: Path) -> None:
    """On the ground at 250 ft is wrong: the polarity is turned, and the landing says so."""
    turned = _load(tmp_path / "turned", flights, wow=1)
    for flight, true in turned.truths.items():
        row = turned.of("landings", flight).row(0, named=True)
        at_s = true.touchdown_s + LEAD_IN_S
        assert not escapes(at_s, row["touchdown_earliest_s"], row["touchdown_latest_s"], 0.01)
        assert any("main_gear_ground" in note and "inverted" in note for note in row["quality"]), row["quality"]


def test_a_map_proposed_from_the_columns_finds_the_same_landings(
    loaded: Loaded, flights: dict[str, Flown], tmp_path: Path
) -> None:
    """By the published names alone, with WOW turned the right way round by what it does at touchdown."""
    from fdm.engine import detect, load, table
    from fdm.parameter_map import load_map
    from fdm.proposing import propose

    name, flown = next(iter(flights.items()))
    write(tmp_path / f"{name}.mat", flown, np.random.default_rng([7, 0]))
    proposed = tmp_path / "proposed.toml"
    proposed.write_text(propose(tmp_path / f"{name}.mat").toml())
    entries = load_map(proposed).entries
    assert entries["main_gear_ground"].true_when == (0.0,)
    assert {n: (entries[n].column, entries[n].unit) for n in ANALOGUES if n in entries} == {
        n: told for n, told in ANALOGUES.items() if n in entries
    }
    assert {"ground_speed", "radio_height", "normal_acceleration", "heading", "n1.1", "n1.4"} <= set(entries)
    load([tmp_path / f"{name}.mat"], tmp_path / "archive", map_file=proposed)
    detect(tmp_path / "archive")
    mine, own = (
        table(tmp_path / "archive", "landings").row(0, named=True),
        loaded.of("landings", name).row(0, named=True),
    )
    for column in ("touchdown_s", "touchdown_earliest_s", "touchdown_latest_s", "kind", "bounces"):
        assert mine[column] == own[column], column
