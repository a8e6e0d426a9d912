"""From a schedule to recorded flights with their truth: plan, spoil, fly, record, tell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from sample_flights import anomalies, circuits, faults, physics, recorder, schedule, truth
from sample_flights.layouts import ROWS_HZ, Layout
from sample_flights.physics import STEP_S, ZERO, History
from sample_flights.plan import NEVER, normal
from sample_flights.schedule import Flight

Samples = dict[str, np.ndarray]


@dataclass
class Flown:
    """Flights of one fleet, recorded. Row i of samples, rows, origin_s, condition_code and gaps belongs to listed[i].

    `whole` holds, by position, the samples and the number of rows of recordings with two landings.
    """

    listed: list[Flight]
    layout: Layout
    samples: Samples
    rows: np.ndarray
    origin_s: np.ndarray
    condition_code: np.ndarray
    gaps: list[list[tuple[int, int]]]
    whole: dict[int, tuple[Samples, int]]
    truth: pl.DataFrame


def fly(listed: list[Flight], layout: Layout, rng: np.random.Generator) -> Flown:
    """Fly and record flights of one fleet; who goes around flies a circuit and lands again in the same recording."""
    fleet, n = layout.fleet, len(listed)
    around = [i for i, f in enumerate(listed) if f.deal is not None and f.deal[0] in schedule.GO_AROUNDS]
    legs = listed + [replace(listed[i], deal=None) for i in around]
    runways = [f.runway for f in legs]
    plan = normal(rng, fleet, runways)
    stories = schedule.tell_stories(plan, legs, rng)
    anomalies.inject(plan, fleet, runways, [f.deal for f in legs], rng)
    history = physics.fly(plan, fleet, runways, rng)
    start_s, rows = recorder.usual_span(plan, history, rng)
    block = recorder.Block(fleet, plan, history, runways, start_s, rows)
    samples = recorder.sample(block, layout, rng)
    dealt = faults.deal(n, layout, rng) + [[] for _ in around]
    for i in around:
        dealt[i] = []
    faults.spoil(samples, layout, start_s, dealt, rng)
    deaf = schedule.lose_discretes(samples, legs)
    origin_s = rng.integers(2000 * ROWS_HZ, 60000 * ROWS_HZ, n) / ROWS_HZ if layout.form == "long" else np.zeros(n)
    whole, later_s = _circuits(block, samples, layout, around, rng)
    touchdown_s = np.concatenate([origin_s, origin_s[around] + later_s]) - start_s
    out = np.array([[e in f.reversers_out for f in legs] for e in range(1, fleet.engines + 1)])
    said = truth.tell(history, plan, fleet, runways, block.end_s, out)
    known = pl.DataFrame(
        {
            "flight": [f.flight for f in legs],
            "landing": pl.Series([1] * n + [2] * len(around), dtype=pl.Int8),
            "tail": [f.tail for f in legs],
            "fleet": [fleet.name] * len(legs),
            "kind": np.where(plan.go_around_s < NEVER, "go_around", "full_stop"),
            "anomaly": pl.Series([f.deal and f.deal[0] for f in legs], dtype=pl.String),
            "strength": pl.Series([f.deal and f.deal[1] for f in legs], dtype=pl.Float64),
            "stories": pl.Series(stories, dtype=pl.List(pl.String)),
            "faults": pl.Series(
                [[str(x) for x in d] + lost for d, lost in zip(dealt, deaf, strict=True)],
                dtype=pl.List(pl.String),
            ),
        }
    )
    gaps = [faults.gap_rows(d, s) for d, s in zip(dealt, start_s, strict=True)]
    first = {name: values[:n] for name, values in samples.items()}
    return Flown(
        listed,
        layout,
        first,
        rows[:n],
        origin_s,
        plan.condition_code[:n],
        gaps[:n],
        whole,
        known.hstack(truth.frame(said, touchdown_s)),
    )


def _circuits(
    block: recorder.Block, samples: Samples, layout: Layout, around: list[int], rng: np.random.Generator
) -> tuple[dict[int, tuple[Samples, int]], np.ndarray]:
    """Whole recordings of flights that went around, and by how much their second landing's rows come later."""
    whole, later_s, n = {}, [], len(block.plan) - len(around)
    for k, i in enumerate(around):
        j = n + k
        leave = _end(block.history, i, block.end_s[i] + 1 / ROWS_HZ)
        circuit = circuits.plan_circuit(
            block.runways[i], leave, _end(block.history, j, block.start_s[j]), int(block.rows[i])
        )
        one, two = ({name: x[row] for name, x in samples.items()} for row in (i, j))
        before = int(block.rows[i]) + circuit.rows
        whole[i] = (
            circuits.joined(one, int(block.rows[i]), two, circuit, layout, rng),
            before + int(block.rows[j]),
        )
        later_s.append(before / ROWS_HZ)
    return whole, np.array(later_s)


def _end(history: History, i: int, when_s: float) -> circuits.End:
    k = min(round(when_s / STEP_S) + ZERO, len(history.x_m) - 1)
    return circuits.End(float(history.x_m[k, i]), float(history.height_m[k, i]), float(history.speed_mps[k, i]))
