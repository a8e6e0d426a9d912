"""The four card rules in SQL over long tables, one per parameter: `landing, time_s, value`. Kept as a benchmark."""

from __future__ import annotations

from pathlib import Path

import duckdb

RULES = """
WITH gear AS ({gear}),
touch AS (SELECT landing, min(time_s) AS t0 FROM gear WHERE value = 1 AND time_s > -8 GROUP BY landing),
taxi AS (
  SELECT g.landing, min(g.time_s) AS t FROM {ground_speed} g JOIN touch USING (landing)
  WHERE g.time_s > t0 AND g.value < 30 GROUP BY g.landing),
spoiler AS (
  SELECT s.landing, min(s.time_s) AS t FROM ({spoiler}) s JOIN touch USING (landing)
  WHERE s.time_s > t0 AND s.value >= 0.7 GROUP BY s.landing),
rev AS ({reversers}),
out AS (
  SELECT r.landing, r.engine,
         min(r.time_s) FILTER (r.deployed) AS first_deployed,
         max(r.time_s) FILTER (r.deployed) AS last_deployed,
         max(r.time_s) FILTER (r.is_out) AS last_out
  FROM rev r JOIN touch USING (landing) WHERE r.time_s > t0 - 10 GROUP BY r.landing, r.engine),
n1 AS ({n1}),
idle AS (SELECT landing, engine, quantile_cont(value, 0.05) AS idle FROM n1 WHERE time_s > 0 GROUP BY landing, engine),
high AS (
  SELECT n1.landing, n1.engine, count(*) AS samples
  FROM n1 JOIN out USING (landing, engine) JOIN idle USING (landing, engine) JOIN taxi ON taxi.landing = n1.landing
  WHERE n1.time_s BETWEEN greatest(out.first_deployed, taxi.t) AND out.last_deployed AND n1.value > idle.idle + 5
  GROUP BY n1.landing, n1.engine),
events AS (
  SELECT landing, 'late_spoilers' AS rule FROM touch LEFT JOIN spoiler USING (landing)
    WHERE spoiler.t IS NULL OR spoiler.t - t0 > 2
  UNION ALL SELECT landing, 'asymmetric_deployment' FROM out GROUP BY landing
    HAVING max(first_deployed) - min(first_deployed) > 1.5
  UNION ALL SELECT out.landing, 'late_reverser_stow' FROM out JOIN taxi USING (landing)
    GROUP BY out.landing, taxi.t HAVING max(last_out) - taxi.t > 5
  UNION ALL SELECT landing, 'slow_high_reverse' FROM high GROUP BY landing HAVING max(samples) > 2)
SELECT (SELECT count(*) FROM events), (SELECT count(*) FROM touch)
"""


def judge_tables(folder: Path) -> tuple[int, int]:
    """(events, landings) found by SQL over a folder of per-parameter tables."""
    connection = duckdb.connect()
    connection.execute("SET threads = 1")
    names = [path.name for path in folder.iterdir() if path.is_dir()]

    def table(name: str) -> str:
        return f"read_parquet('{folder / name}/*.parquet')"

    def union(parts: list[str]) -> str:
        return " UNION ALL ".join(parts)

    gear = union([f"SELECT * FROM {table(n)}" for n in names if n.startswith("main_gear_ground")])
    spoiler = union([f"SELECT * FROM {table(n)}" for n in names if n.startswith("spoiler_")])
    n1 = union([f"SELECT *, {n[-1]} AS engine FROM {table(n)}" for n in names if n.startswith("n1.")])
    reversers = union(
        [
            f"SELECT landing, time_s, {n[-1]} AS engine, value = 2 AS deployed, value > 0 AS is_out FROM {table(n)}"
            for n in names
            if n.startswith("reverser_state.")
        ]
        + [
            f"SELECT landing, time_s, {n[-1]} AS engine, value = 1 AS deployed, value = 1 AS is_out FROM {table(n)}"
            for n in names
            if n.startswith("reverser_deployed.")
        ]
        + [
            f"SELECT landing, time_s, {n[-1]} AS engine, false AS deployed, value = 1 AS is_out FROM {table(n)}"
            for n in names
            if n.startswith("reverser_unlocked.")
        ]
    )
    sql = RULES.format(gear=gear, ground_speed=table("ground_speed"), spoiler=spoiler, reversers=reversers, n1=n1)
    row = connection.execute(sql).fetchone()
    assert row is not None
    return int(row[0]), int(row[1])
