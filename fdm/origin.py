"""Where an event most likely came from: crew action, aircraft system or the recording, argued in sentences.

Each line of evidence has a condition, a sentence, the origin it points to and a weight. The origin with the most
weight is the likely one; without any, or in a tie, it is undetermined. The mechanism's facts are used as evidence
(common practice, no source, unless a line names one): a lever moves the crew's wish, a sleeve the mechanism's answer,
and an interlock holds the lever at idle until the sleeve is nearly out: power without deployment is a wrong discrete.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fdm.bounded import Measured

ORIGINS = ("crew", "aircraft", "recording")
LIKELY = 2.0  # weight from which an origin is called likely rather than possible

_c = pl.col


@dataclass(frozen=True)
class Line:
    """One line of evidence: for which rules, when it holds, what it says, where it points and how strongly."""

    rules: tuple[str, ...]
    when: pl.Expr
    says: pl.Expr
    towards: str | None
    weight: float = 1.0


def _say(text: str, *columns: str, digits: int = 1) -> pl.Expr:
    if not columns:
        return pl.lit(text)
    return pl.format(text, *(_c(name).round(digits) for name in columns))


ASYMMETRY = ("asymmetric_deployment",)
NOT_OUT = ("asymmetric_deployment", "reverser_not_deployed")
REVERSER = (*NOT_OUT, "slow_transit", "reverser_unstowed_in_air")
SPOILERS = ("late_spoilers", "spoilers_partial")
POWER = ("slow_high_reverse", "stow_before_idle", "late_reverser_stow")


def lines() -> tuple[Line, ...]:
    """Every line of evidence."""
    lever = _c("lever_recorded") == 1
    together = (_c("select_split") <= 1.0) & lever
    apart = (_c("select_split") > 1.0) & lever
    return (
        Line(
            ASYMMETRY,
            apart & (_c("select_split") > 0.6 * _c("value")),
            _say("Reverse lever {} was raised {} s after lever {}.", "engine", "select_split", "other"),
            "crew",
            2.0,
        ),
        Line(
            ASYMMETRY,
            together,
            _say("Both reverse levers were raised within {} s of each other.", "select_split"),
            "aircraft",
            1.0,
        ),
        Line(
            ASYMMETRY,
            _c("transit") > _c("other_transit") + 1.0,
            _say("Reverser {} took {} s in transit, its mirror {} s.", "engine", "transit", "other_transit"),
            "aircraft",
            1.5,
        ),
        Line(
            ("asymmetric_deployment", "reverser_not_deployed"),
            _c("unlocked").is_not_null() & _c("deployed").is_null(),
            _say("Reverser {} left stowed and never reached deployed: it stayed in transit.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            NOT_OUT,
            _c("selected").is_not_null() & lever & _c("unlocked").is_null() & (_c("n1_locked") < 5.0),
            _say("Lever {} was raised, but the reverser never left stowed and N1 stayed at idle.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            NOT_OUT,
            _c("n1_locked") > 10.0,
            _say(
                "N1 of engine {} rose {} points above idle in reverse while its discrete said not deployed; "
                "the interlock would not allow that.",
                "engine",
                "n1_locked",
            ),
            "recording",
            3.0,
        ),
        Line(
            NOT_OUT,
            lever & _c("selected").is_null() & _c("other_selected").is_not_null(),
            _say("Lever {} was not raised; lever {} was.", "engine", "other"),
            "crew",
            2.0,
        ),
        Line(
            REVERSER,
            _c("fault") == 1,
            _say("A control-system fault of reverser {} was flagged.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            REVERSER,
            _c("hydraulic") < 0.7,
            _say("Hydraulic pressure on that side fell to {} of what it was before touchdown.", "hydraulic", digits=2),
            "aircraft",
            1.5,
        ),
        Line(
            ("slow_transit",),
            pl.lit(True),
            _say("The sleeve's own travel took {} s, whatever the crew did.", "value"),
            "aircraft",
            1.5,
        ),
        Line(
            ("slow_transit",),
            (_c("other_transit") + 0.5 < _c("transit")),
            _say("The other side took {} s.", "other_transit"),
            "aircraft",
            0.5,
        ),
        Line(
            ("reverser_unstowed_in_air",),
            lever & (_c("selected") < 0),
            _say("Reverse lever {} was raised {} s before touchdown.", "engine", "before"),
            "crew",
            2.0,
        ),
        Line(
            ("reverser_unstowed_in_air",),
            lever & ~(_c("selected") < 0),
            _say("Reverse lever {} was down while the reverser read as not stowed.", "engine"),
            "aircraft",
            1.5,
        ),
        Line(("late_reverse",), lever, _say("The lever itself was raised {} s after touchdown.", "value"), "crew", 2.0),
        Line(
            ("late_reverse",),
            ~lever,
            _say("Levers are not recorded: the time is that of the reverser unlocking."),
            None,
        ),
        Line(SPOILERS, _c("not_armed") == 1, _say("The spoilers were not armed at touchdown."), "crew", 2.0),
        Line(SPOILERS, _c("not_armed") == 0, _say("The spoilers were armed at touchdown."), "aircraft", 1.0),
        Line(("late_spoilers",), _c("spoilers_moving").is_null(), _say("They never moved."), "aircraft", 0.5),
        Line(
            ("late_spoilers",),
            _c("reverse_to_spoilers").is_between(-0.5, 1.5),
            _say(
                "They began to move {} s after reverse was selected: the reverse levers drove them up.",
                "reverse_to_spoilers",
            ),
            "crew",
            0.5,
        ),
        Line(
            SPOILERS,
            _c("thrust_lever") > 10.0,
            _say(
                "A thrust lever stood {} deg above its idle position after touchdown, which holds spoilers down.",
                "thrust_lever",
                digits=0,
            ),
            "crew",
            2.0,
        ),
        Line(
            ("spoilers_partial",),
            (_c("handle_max") > 0.9) & (_c("value") < 0.85),
            _say("The handle reached {} of its travel, the panels only {}.", "handle_max", "value", digits=2),
            "aircraft",
            2.0,
        ),
        Line(
            ("spoilers_partial",),
            _c("handle_max") <= 0.9,
            _say("The handle itself only reached {} of its travel.", "handle_max", digits=2),
            "crew",
            1.0,
        ),
        Line(
            ("spoilers_not_armed",),
            pl.lit(True),
            _say("The armed discrete was off at the last sample before touchdown."),
            "crew",
            2.0,
        ),
        Line(
            ("spoilers_retracted_early",),
            (_c("thrust_lever") > 10.0),
            _say("A thrust lever was advanced by {} deg, which stows the spoilers.", "thrust_lever", digits=0),
            "crew",
            2.0,
        ),
        Line(
            ("late_reverser_stow",),
            lever & (_c("cancelled_to_stowed") > 6.0),
            _say("Lever {} was back down {} s before the reverser read stowed.", "engine", "cancelled_to_stowed"),
            "aircraft",
            2.0,
        ),
        Line(
            ("late_reverser_stow",),
            lever & ~(_c("cancelled_to_stowed") > 6.0),
            _say("The lever stayed in reverse below taxi speed."),
            "crew",
            2.0,
        ),
        Line(
            ("slow_high_reverse",),
            lever & (_c("cancelled").is_null() | (_c("cancelled") >= _c("taxi_speed"))),
            _say("Lever {} was still in reverse below taxi speed.", "engine"),
            "crew",
            2.0,
        ),
        Line(("stow_before_idle",), lever, _say("The lever was put down before the engine had run down."), "crew", 2.0),
        Line(
            ("reverse_then_go_around",),
            pl.lit(True),
            _say("Reverse had been selected before the aeroplane was flown again."),
            "crew",
            2.0,
        ),
        Line(
            ("forward_power_with_reverser_out",),
            _c("thrust_lever") > 10.0,
            _say("A forward thrust lever stood {} deg above its lowest position.", "thrust_lever", digits=0),
            "crew",
            2.0,
        ),
        Line(
            ("late_braking",),
            _c("autobrake") == 1,
            _say("The autobrake was active, so the brakes are the system's."),
            "aircraft",
            1.0,
        ),
        Line(
            ("late_braking",),
            _c("autobrake") == 0,
            _say("The autobrake was not active: the brakes are the crew's."),
            "crew",
            1.5,
        ),
        Line(
            ("bounce", "no_reverse"),
            pl.lit(True),
            _say("Seen in the recording; no system clue speaks against it."),
            "crew",
            1.0,
        ),
    )


def explain(events: pl.DataFrame, measured: Measured, instants: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """Events with `origin`, `origin_confidence` and `evidence` filled in.

    events    frame of schemas.EVENTS, of landings that `measured` holds
    instants  step -> seconds after touchdown, (n,) or (n, e)
    """
    if not events.height:
        return events
    context = _context(events, measured, instants)
    chosen = lines()
    holds = [pl.when(_c("rule").is_in(line.rules) & line.when.fill_null(False)) for line in chosen]
    said = pl.concat_list([hold.then(line.says) for hold, line in zip(holds, chosen, strict=True)]).list.drop_nulls()
    scores = {
        origin: pl.sum_horizontal(
            [
                hold.then(line.weight).otherwise(0.0)
                for hold, line in zip(holds, chosen, strict=True)
                if line.towards == origin
            ]
        )
        for origin in ORIGINS
    }
    found = context.select(evidence=said, **scores)
    weights = found.select(ORIGINS).to_numpy()
    order = np.sort(weights, axis=1)
    clear = (order[:, -1] > 0) & (order[:, -1] > order[:, -2])
    best = np.where(clear, np.array(ORIGINS)[weights.argmax(axis=1)], "undetermined")
    sure = np.where(~clear, "none", np.where(order[:, -1] - order[:, -2] >= LIKELY, "likely", "possible"))
    return events.with_columns(
        pl.Series("origin", best), pl.Series("origin_confidence", sure), found["evidence"].alias("evidence")
    )


def _context(events: pl.DataFrame, measured: Measured, instants: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """One row per event with what the lines of evidence ask for."""
    rows = _rows(events, measured)
    engines = np.array(measured.engines or (0,))
    column, mirror = _columns(events, engines, instants, rows)

    def step(name: str, which: np.ndarray) -> np.ndarray:
        return _pick(instants.get(name), rows, which)

    def value(name: str, which: np.ndarray) -> np.ndarray:
        bounded = measured.values.get(name)
        return _pick(None if bounded is None else bounded.value, rows, which)

    selected, other_selected = step("reverse_selected", column), step("reverse_selected", mirror)
    thrust = measured.values.get("thrust_lever_forward_deg")
    cancelled = step("reverse_cancelled", column)
    numbers = {
        "value": events["value"].to_numpy(),
        "selected": selected,
        "other_selected": other_selected,
        "select_split": selected - other_selected,
        "before": -selected,
        "unlocked": step("unlocked", column),
        "deployed": step("deployed", column),
        "transit": value("deploy_transit_s", column),
        "other_transit": value("deploy_transit_s", mirror),
        "n1_locked": value("n1_above_idle_not_deployed_pct", column),
        "fault": value("reverser_fault_flagged", column),
        "hydraulic": value("hydraulic_share_in_transit", column),
        "lever_recorded": value("lever_recorded", column),
        "cancelled": cancelled,
        "cancelled_to_stowed": step("stowed", column) - cancelled,
        "taxi_speed": step("taxi_speed", column),
        "not_armed": value("spoilers_not_armed", column),
        "spoilers_moving": step("spoilers_moving", column),
        "reverse_to_spoilers": value("reverse_to_spoilers_s", column),
        "handle_max": value("spoiler_handle_max", column),
        "thrust_lever": _row_max(None if thrust is None else thrust.value, rows),
        "autobrake": value("autobrake_in_rollout", column),
    }
    series = [pl.Series(name, np.asarray(x, np.float64)).fill_nan(None) for name, x in numbers.items()]
    return pl.DataFrame([events["rule"], *series]).with_columns(
        pl.Series("engine", engines[column]),
        pl.Series("other", engines[mirror]),
        select_split=_c("select_split").abs(),
    )


def _rows(events: pl.DataFrame, measured: Measured) -> np.ndarray:
    index = pl.DataFrame({"landing_id": pl.Series(measured.landing_id, dtype=pl.String)}).with_row_index("row")
    return events.select("landing_id").join(index, on="landing_id", how="left", maintain_order="left")["row"].to_numpy()


def _columns(
    events: pl.DataFrame, engines: np.ndarray, instants: Mapping[str, np.ndarray], rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Column of the engine an event is about, and of its mirror.

    An event of a pair names no engine: it is about the one that deployed last, or never.
    """
    total = int(engines.max() + engines.min())  # mirrors add up to it: 1 + 2, or 1 + 4 = 2 + 3
    partner = np.array(
        [int(np.flatnonzero(engines == total - e)[0]) if total - e in engines else i for i, e in enumerate(engines)]
    )
    named = events["engine"].fill_null(0).to_numpy()
    column = np.argmax(engines[None, :] == named[:, None], axis=1)
    deployed = instants.get("deployed")
    if deployed is None or deployed.ndim != 2:
        return column, partner[column]
    late = np.argmax(np.where(np.isnan(deployed), np.inf, deployed), axis=1)[rows]
    column = np.where(named > 0, column, late)
    return column, partner[column]


def _pick(matrix: np.ndarray | None, rows: np.ndarray, column: np.ndarray) -> np.ndarray:
    if matrix is None or matrix.size == 0:
        return np.full(len(rows), np.nan)
    return matrix[rows, column] if matrix.ndim == 2 else matrix[rows]


def _row_max(matrix: np.ndarray | None, rows: np.ndarray) -> np.ndarray:
    if matrix is None or matrix.size == 0:
        return np.full(len(rows), np.nan)
    return np.where(np.isnan(matrix), -np.inf, matrix).max(axis=1)[rows]
