"""The invented airline: its truth, its files, and whether a safety officer can find the stories in it."""

from __future__ import annotations

import ast
import hashlib
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from fdm.reading import Refusal, read
from sample_flights import anomalies, schedule
from sample_flights.airline import FIRST_DAY, WEEKS
from sample_flights.make import make
from sample_flights.schedule import flights

TOP = Path(__file__).parent.parent
SMALL = TOP / "sample_flights" / "data"
KT = 1852 / 3600  # international knot: exact, NIST SP 811 appendix B
SEED = 1

YES_NO = {"reverse_then_go_around", "spoilers_not_armed", "no_reverse"}


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("big"), landings=2000, seed=SEED)


@pytest.fixture(scope="module")
def truth(big: Path) -> pl.DataFrame:
    return pl.read_parquet(big / "truth.parquet")


# -- the same seed makes the same files ------------------------------------------------------------------------------


def digests(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_same_seed_same_files_other_seed_other_files(tmp_path: Path) -> None:
    one, two = (make(tmp_path / name, landings=12, seed=5, mixed=True) for name in ("one", "two"))
    assert digests(one) == digests(two)
    assert flights(12, np.random.default_rng([6, 0])) != flights(12, np.random.default_rng([5, 0]))


def test_committed_set_is_what_the_documented_command_makes(tmp_path: Path) -> None:
    made = make(tmp_path, landings=60, seed=47, mixed=True)
    assert (made / "flights.csv").read_text() == (SMALL / "flights.csv").read_text()
    columns = ["flight", "landing", "touchdown_at_s", "rollout_60_m", "spoiler_delay_s", "runway_left_60_m"]
    ours, theirs = (pl.read_parquet(folder / "truth.parquet").select(columns) for folder in (made, SMALL))
    for name in columns[2:]:
        np.testing.assert_allclose(ours[name].to_numpy(), theirs[name].to_numpy(), rtol=1e-3, equal_nan=True)


def test_committed_set_is_small_and_shows_every_form() -> None:
    files = [p for p in SMALL.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 8e6
    heads = {p.read_text().split("\n", 1)[0].split(",", 2)[0:2][0] for p in SMALL.glob("*/*.csv")}
    assert heads == {"time_s", "time_utc"}
    assert any(p.read_text().startswith("time_s,parameter,value") for p in SMALL.glob("*/*.csv"))
    assert all("flight" in pl.read_parquet_schema(p) for p in SMALL.glob("*/*.parquet"))


# -- the files keep to the contract ----------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["small", "big"])
def test_files_keep_to_the_contract(which: str, big: Path) -> None:
    folder = {"small": SMALL, "big": big}[which]
    listed = pl.read_csv(folder / "flights.csv")
    wanted = ["file", "tail", "fleet", "start_utc", "departure", "arrival", "runway", "flight", "map", "reversers_out"]
    wanted.append("runway_condition_code")
    assert listed.columns == wanted
    assert listed["flight"].is_unique().all()
    for name in {*listed["file"], *listed["map"]}:
        assert (folder / name).is_file(), name
    ends = set()
    for row in pl.read_csv(folder / "runways.csv", infer_schema_length=None).iter_rows(named=True):
        ends |= {(row["airport_ident"], str(row["le_ident"])), (row["airport_ident"], str(row["he_ident"]))}
    runways = zip(listed["arrival"], listed["runway"].cast(pl.String), strict=True)
    assert all((a, r.zfill(2)) in {(x, y.zfill(2)) for x, y in ends} for a, r in runways)
    weeks = set(listed["start_utc"].str.to_datetime(time_zone="UTC").dt.strftime("%G-W%V"))
    assert max(weeks) == "2026-W47"
    assert len(weeks) == WEEKS


@pytest.mark.filterwarnings("default")
def test_every_recording_of_the_small_set_is_read() -> None:
    found = list(read([SMALL]))
    assert not [str(x.error) for x in found if isinstance(x, Refusal)]
    assert {x.facts["flight"] for x in found if not isinstance(x, Refusal)} == set(
        pl.read_csv(SMALL / "flights.csv")["flight"]
    )


def test_truth_owes_nothing_to_the_engine() -> None:
    for path in (TOP / "sample_flights").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not any(name.split(".")[0] in ("fdm", "dashboard", "rules") for name in names), path


# -- the recordings tell of the truth --------------------------------------------------------------------------------


def recorded(folder: Path, fleet: str, count: int) -> list[tuple[dict[str, Any], pl.DataFrame]]:
    """(truth, table) of some healthy full stops of a fleet."""
    truth = pl.read_parquet(folder / "truth.parquet")
    plain = truth.filter(
        pl.col("fleet") == fleet, pl.col("faults").list.len() == 0, ~pl.col("flight").is_in(twice(truth))
    ).head(count)
    tables = {
        file: pl.read_parquet(folder / file).partition_by("flight", as_dict=True) for file in plain["file"].unique()
    }
    return [(row, tables[row["file"]][(row["flight"],)]) for row in plain.iter_rows(named=True)]


def twice(truth: pl.DataFrame) -> list[str]:
    return truth.filter(pl.col("landing") == 2)["flight"].to_list()


def offsets(folder: Path, key: str) -> dict[str, float]:
    """Column -> seconds from a row's stamp to its sample, as the map says."""
    table = tomllib.loads((folder / "maps" / f"{key}.toml").read_text())["parameter"]
    return {entry["column"]: entry.get("offset_s", 0.0) for entry in table.values()}


def test_changes_of_state_lie_between_two_samples(big: Path) -> None:
    late = offsets(big, "tern200")
    checked = 0
    for row, table in recorded(big, "Tern 200", 60):
        for engine in (1, 2):
            for column, step in ((f"T/R {engine} UNLK", "unlocked_at_s"), (f"T/R {engine} DPLY", "deployed_at_s")):
                true = row[step][engine - 1]
                seen = table.select("time_s", column).drop_nulls()
                time_s = seen["time_s"].to_numpy() + late[column]
                after = seen[column].to_numpy() == 1
                after &= time_s > row["touchdown_at_s"]
                if true is None or row["anomaly"] == "reverser_unstowed_in_air":
                    continue
                first = int(after.argmax())
                assert time_s[first - 1] - 1e-3 < true <= time_s[first] + 1e-3, (row["flight"], column)
                checked += 1
    assert checked > 200


def test_recorded_speed_and_positions_give_the_true_distance(big: Path) -> None:
    late = offsets(big, "tern200")
    for row, table in recorded(big, "Tern 200", 60):
        speed = table.select("time_s", "GS").drop_nulls()
        t = speed["time_s"].to_numpy() + late["GS"]
        v = speed["GS"].to_numpy() * KT
        fine = np.linspace(row["touchdown_at_s"], row["speed_60kt_at_s"], 4000)
        integral = np.trapezoid(np.interp(fine, t, v), fine)
        assert integral == pytest.approx(row["rollout_60_m"], rel=0.01)
        lat, lon = (table.select("time_s", name).drop_nulls() for name in ("LAT", "LON"))
        where = [
            tuple(np.interp(at, x["time_s"] + late[x.columns[1]], x[x.columns[1]]) for x in (lat, lon))
            for at in (row["touchdown_at_s"], row["speed_60kt_at_s"])
        ]
        assert great_circle_m(*where[0], *where[1]) == pytest.approx(row["rollout_60_m"], rel=0.01, abs=8)


def great_circle_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Haversine on a sphere of 6,371,009 m radius (IUGG mean radius)."""
    p1, p2, half = math.radians(lat1), math.radians(lat2), math.radians(lon2 - lon1) / 2
    h = math.sin((p2 - p1) / 2) ** 2 + math.cos(p1) * math.cos(p2) * math.sin(half) ** 2
    return 2 * 6_371_009 * math.asin(math.sqrt(h))


def test_acceleration_rests_at_one_g_and_deceleration_is_recorded(big: Path) -> None:
    for row, table in recorded(big, "Curlew 300", 20):
        after = table.filter(pl.col("time_s") > row["taxi_speed_at_s"])
        assert after["NZ"].median() == pytest.approx(1.0, abs=0.01)
        rolling = table.filter(pl.col("time_s").is_between(row["touchdown_at_s"] + 4, row["speed_60kt_at_s"]))
        assert -rolling["NX"].mean() == pytest.approx(row["mean_deceleration_g"], abs=0.03)


def test_faults_touch_only_recordings_that_name_them(big: Path, truth: pl.DataFrame) -> None:
    named = truth["faults"].explode().drop_nulls().str.split(":").list.first()
    assert set(named) == {"dropout", "spike", "frozen", "time_gap", "chatter", "late_ground", "stuck_flag", "lost"}
    gaps = truth.filter(pl.col("faults").list.contains("time_gap"))
    for row in gaps.head(5).iter_rows(named=True):
        steps = (
            pl.read_parquet(big / row["file"]).filter(pl.col("flight") == row["flight"])["time_s"].diff().drop_nulls()
        )
        assert 1.4 < steps.max() < 5.3  # type: ignore[operator]
    for row, table in recorded(big, "Tern 200", 20):
        assert table["time_s"].diff().drop_nulls().max() == pytest.approx(0.125), row["flight"]


# -- what a safety officer can find ----------------------------------------------------------------------------------


def rules() -> dict[str, dict[str, Any]]:
    found = {p.stem: tomllib.loads(p.read_text()) for p in (TOP / "rules").glob("*.toml") if p.stem != "settings"}
    return {name: rule for name, rule in found.items() if name in anomalies.ANOMALIES}


def worst(truth: pl.DataFrame, rule: dict[str, Any]) -> np.ndarray:
    """The measure's value that counts, by landing; NaN where there is none."""
    column = truth[rule["measure"]]
    if column.dtype == pl.List:
        column = column.list.max() if rule["direction"] == "above" else column.list.min()
    return column.cast(pl.Float64).to_numpy()


def severity(values: np.ndarray, rule: dict[str, Any]) -> np.ndarray:
    """How many of the rule's limits each value passes."""
    sign = 1 if rule["direction"] == "above" else -1
    with np.errstate(invalid="ignore"):
        return np.sum([sign * values > sign * limit for limit in rule["limits"].values()], axis=0)


def test_every_shipped_rule_has_an_anomaly() -> None:
    shipped = {p.stem for p in (TOP / "rules").glob("*.toml")} - {"settings"}
    assert shipped == set(anomalies.ANOMALIES) - {"go_around_without_reverse"}


@pytest.mark.parametrize("name", sorted(rules()))
def test_every_rule_has_true_positives_and_near_misses(name: str, truth: pl.DataFrame) -> None:
    rule = rules()[name]
    values = worst(truth, rule)
    passed = severity(values, rule)
    meant = (truth["anomaly"] == name).fill_null(False).to_numpy()
    assert (passed[meant] > 0).sum() >= 5
    if name in YES_NO:
        assert (passed == 0).sum() > 1000
        return
    distinct = len(set(rule["limits"].values()))
    assert {int(x) for x in passed} == set(range(distinct + 1)), "some severity never happens"
    low = rule["limits"]["low"]
    near = (passed == 0) & (np.abs(values - low) <= 0.55 * low)
    assert near[meant].sum() >= 1


def test_normal_landings_dominate(truth: pl.DataFrame) -> None:
    trips = np.sum([severity(worst(truth, rule), rule) > 0 for rule in rules().values()], axis=0) > 0
    assert 0.10 < trips.mean() < 0.25
    plain = truth["anomaly"].is_null().to_numpy() & (truth["stories"].list.len() == 0).to_numpy()
    assert trips[plain].mean() < 0.02
    assert truth.filter(pl.col("faults").list.len() > 0).height < 0.08 * truth.height


def test_one_reverser_slows_down_over_the_weeks(truth: pl.DataFrame) -> None:
    engine = schedule.SLOWING_ENGINE - 1
    tail = (truth["tail"] == schedule.SLOWING_TAIL) & truth["anomaly"].is_null()
    day = truth["flight"].str.split("-").list.last().str.to_date("%Y%m%d")
    weeks = ((day - FIRST_DAY.date()).dt.total_days() / 7).to_numpy()[tail.to_numpy()]
    transit_s = truth.filter(tail)["deploy_transit_s"].list.get(engine).to_numpy()
    other_s = truth.filter(tail)["deploy_transit_s"].list.get(1 - engine).to_numpy()
    known = ~np.isnan(transit_s)
    slope, others = (np.polyfit(weeks[known], x[known], 1)[0] for x in (transit_s, other_s))
    assert slope > 0.3
    assert abs(others) < 0.03


def test_one_runway_is_rushed(truth: pl.DataFrame, big: Path) -> None:
    listed = pl.read_csv(big / "flights.csv", schema_overrides={"runway": pl.String}).select(
        "flight", "arrival", "runway"
    )
    joined = truth.join(listed, on="flight")
    rushed = (joined["arrival"] == schedule.RUSHED_RUNWAY[0]) & (joined["runway"] == schedule.RUSHED_RUNWAY[1])
    high = pl.Series(severity(worst(joined, rules()["slow_high_reverse"]), rules()["slow_high_reverse"]) > 0)
    assert high.filter(rushed).mean() > 8 * high.filter(~rushed).mean()  # type: ignore[operator]


def test_one_tail_waits_for_its_spoilers_and_one_recorder_goes_deaf(truth: pl.DataFrame, big: Path) -> None:
    late = truth["spoiler_delay_s"].fill_null(0) > 1.6
    lazy = truth["tail"] == schedule.LAZY_SPOILER_TAIL
    assert late.filter(lazy).mean() > 0.15 > 4 * late.filter(~lazy).mean()  # type: ignore[operator]
    deaf = truth.filter(pl.col("faults").list.contains(f"lost:{schedule.DEAF_PARAMETER}"))
    assert set(deaf["tail"]) == {schedule.DEAF_TAIL}
    row = deaf.row(0, named=True)
    table = pl.read_parquet(big / row["file"]).filter(pl.col("flight") == row["flight"])
    assert table["SPLR ARM"].null_count() == table.height


def test_a_known_inoperative_reverser_is_listed_and_left_alone(truth: pl.DataFrame, big: Path) -> None:
    listed = pl.read_csv(big / "flights.csv").filter(pl.col("reversers_out").is_not_null())
    assert set(listed["tail"]) == {schedule.LOCKED_TAIL}
    told = truth.filter(pl.col("flight").is_in(listed["flight"].to_list()))
    assert told["deploy_transit_s"].list.get(schedule.LOCKED_ENGINE - 1).null_count() == told.height
    assert told["deploy_transit_s"].list.get(0).drop_nulls().len() > 0


def test_who_goes_around_lands_again_in_the_same_recording(truth: pl.DataFrame, big: Path) -> None:
    again = truth.filter(pl.col("flight").is_in(twice(truth)))
    assert again.group_by("flight").len()["len"].unique().to_list() == [2]
    row = again.filter(pl.col("fleet") == "Tern 200").sort("flight", "landing").head(2)
    table = pl.read_parquet(big / row["file"][0]).filter(pl.col("flight") == row["flight"][0])
    assert table["time_s"].diff().drop_nulls().max() == pytest.approx(0.125)
    height = table.select("time_s", "RALT").drop_nulls()
    for at in row["touchdown_at_s"]:
        near = height.filter((pl.col("time_s") - at).abs() < 0.6)["RALT"]
        assert near.min() < 1  # type: ignore[operator]
    between = height.filter(pl.col("time_s").is_between(*row["touchdown_at_s"]))["RALT"]
    assert between.max() > 1400  # type: ignore[operator]
    assert height["RALT"].diff().abs().max() < 30  # type: ignore[operator]
    for name in ("LAT", "LON"):
        assert table[name].drop_nulls().diff().abs().max() < 0.002  # type: ignore[operator]
