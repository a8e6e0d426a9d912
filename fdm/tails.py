"""Reverser discretes that have died, as the landings of one tail together tell, or one landing alone.

Of the spoilers, `spoiler_sensors` tells; both are asked and applied here.

A reverser that reads stowed may truly be stowed. On landing after landing, with the other reverser deployed and this
engine's N1 rising as in reverse, the discrete is dead: it is then not believed on those landings. Nor is it where this
engine's N1 alone rises with its lever in reverse, which an interlock would not allow; nor, without levers, where its N1
rises and falls as another engine's does in reverse. Where both rise and neither reads
deployed it is believed: at Vnukovo in 2012 neither moved, and the engines pushed forward.

At idle reverse a dead discrete and a reverser that stayed shut look alike, on any one landing: then neither is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Measured, Reasons
from fdm.measures.catalogue import CATALOGUE
from fdm.spoiler_sensors import SEEN as SPOILERS_SEEN
from fdm.spoiler_sensors import (
    SPOILERS,
    TOLD,
    believed_spoilers,
    seen_spoilers,
    suspected,
    wrong_spoilers,
)

REVERSE_POWER_PCT = 10.0  # N1 above idle that counts as reverse power (common practice, no source)
EARLY_POWER_PCT = (
    15.0  # an engine that a sleeve lets go shortly before its end rises by less (common practice, no source)
)
FEWEST = 3  # landings in a row
DEAD = TOLD

SEEN: dict[str, Any] = {
    "landing_id": pl.String,
    "engine": pl.Int8,
    "moved": pl.Boolean,
    "other_out": pl.Boolean,
    "power_pct": pl.Float64,
    "lever_power_pct": pl.Float64,
    "other_pushed": pl.Boolean,
    "unclear": pl.Boolean,
    "follows": pl.Boolean,
    "swapped": pl.Int8,
    "with": pl.Int8,
    "early_power_pct": pl.Float64,
    **SPOILERS_SEEN,
}
GIVEN_UP_S = 3.0  # a lever put back so long before another one was given up (common practice, no source)
HELD_PCT = 5.0  # N1 above idle that an interlock leaves at the most (common practice, no source)


def dead_discretes(landings: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Landings and engines whose reverser discrete is dead, and those whose spoilers are not believed (columns DEAD).

    seen    landing_id, engine, moved (read deployed), other_out (another one was deployed), power_pct (N1 above idle
            meanwhile), lever_power_pct (N1 above idle with the lever in reverse and nothing deployed), other_pushed
            (another engine did the same: lever in reverse, never deployed, N1 above idle), unclear (at idle
            reverse, with nothing to tell a dead discrete from a reverser that stayed shut), follows (N1 rose and fell
            with another engine's, whose reverser was out, and no lever is recorded), swapped and with (the
            engine whose N1 rose while the other's reverser was out, and that other; null where it was not so),
            early_power_pct (rise of N1 with the lever in reverse, before deployed was read); and of the spoilers
            what `spoiler_sensors` asks
    """
    known = landings.select("landing_id", "tail", "touchdown_utc", pl.col("touchdown_s"))
    spoilers = wrong_spoilers(landings, seen)
    rows = (
        seen.filter(pl.col("engine") != SPOILERS)
        .join(known, on="landing_id")
        .sort("tail", "engine", "touchdown_utc", nulls_last=True)
    )
    at_once = _at_once()
    rows = rows.with_columns(silent=_silent("power_pct") | at_once, at_once=at_once)
    rows = rows.with_columns(run=pl.col("moved").cast(pl.Int64).cum_sum().over("tail", "engine"))
    together = ("tail", "engine", "run")
    rows = rows.with_columns(
        count=pl.col("silent").sum().over(together),
        since_utc=pl.col("touchdown_utc").filter(pl.col("silent")).min().over(together),
    )
    long = pl.col("tail").is_not_null() & (pl.col("count") >= FEWEST) & (pl.col("touchdown_utc") >= pl.col("since_utc"))
    swapped = pl.col("swapped").is_not_null()
    silent = ~pl.col("moved") & (long.fill_null(False) | pl.col("at_once") | pl.col("unclear") | pl.col("follows"))
    dead = rows.filter(silent | swapped | _behind()).with_columns(sentence=_sentence(long), possible=pl.lit(False))
    reversers = dead.select(pl.col(name).cast(kind) for name, kind in DEAD.items())
    return pl.concat([reversers, spoilers])


def _sentence(long: pl.Expr) -> pl.Expr:
    """Why a reverser discrete is not believed; long: it was silent on landing after landing of its aircraft."""
    number = pl.col("engine").cast(pl.String)
    always = pl.format(
        "reverser {} discrete never changes on this tail since {}", number, pl.col("since_utc").dt.strftime("%-d %B %Y")
    )
    once = pl.format(
        "reverser {} never reads deployed, yet N1 rose {} points above idle in reverse",
        number,
        pl.col("lever_power_pct").round(0).cast(pl.Int64),
    )
    alike = pl.format(
        "reverser {} never reads deployed and reverse stayed at idle: a dead discrete and a reverser that did not "
        "deploy look alike",
        number,
    )
    crossed = pl.format(
        "N1 of engine {} rose before reverser {} was out, and N1 of engine {} stayed at idle with reverser {} out: the "
        "engines look swapped",
        *("swapped", "swapped", "with", "with"),
    )
    followed = pl.format(
        "reverser {} never reads deployed, yet N1 rose and fell with another engine's in reverse", number
    )
    alone = pl.when(pl.col("at_once")).then(once).when(pl.col("follows")).then(followed).otherwise(alike)
    behind = pl.format(
        "N1 of engine {} rose {} points in reverse before reverser {} reads deployed: its discrete stood still",
        number,
        pl.col("early_power_pct").round(0).cast(pl.Int64),
        number,
    )
    told = pl.when(long.fill_null(False)).then(always).otherwise(alone)
    return pl.when(pl.col("swapped").is_not_null()).then(crossed).when(_behind()).then(behind).otherwise(told)


def _behind() -> pl.Expr:
    """Rows whose N1 rose with the lever in reverse before the reverser read deployed, and no other's without one."""
    return pl.col("moved") & ~pl.col("other_pushed") & (pl.col("early_power_pct").fill_null(0) > EARLY_POWER_PCT)


def _silent(power: str) -> pl.Expr:
    """Rows on which a reverser did not move, while another one was out and its own engine pushed."""
    return ~pl.col("moved") & pl.col("other_out") & (pl.col(power).fill_null(0) > REVERSE_POWER_PCT)


def _at_once() -> pl.Expr:
    """Rows whose N1 rose with the lever in reverse, and no other engine's that did not deploy either."""
    return ~pl.col("moved") & ~pl.col("other_pushed") & (pl.col("lever_power_pct").fill_null(0) > REVERSE_POWER_PCT)


def suspects_of(landings: pl.DataFrame, seen: pl.DataFrame) -> tuple[tuple[str | None, int], ...]:
    """Tails and engines with a landing that hints at a dead discrete: no others need to be looked at."""
    hints = seen.filter(
        _silent("power_pct")
        | _at_once()
        | pl.col("unclear")
        | pl.col("follows")
        | pl.col("swapped").is_not_null()
        | _behind()
        | suspected()
    )
    pairs = hints.join(landings.select("landing_id", "tail"), on="landing_id").select("tail", "engine").unique()
    return tuple(pairs.sort("tail", "engine", nulls_last=True).iter_rows())


def seen_of(measured: Measured, instants: dict[str, np.ndarray]) -> pl.DataFrame:
    """What `dead_discretes` asks of some landings, one row per landing and engine, and one for its spoilers."""
    parts = []
    for column, engine in enumerate(measured.engines):
        deployed = instants["deployed"]
        others = np.delete(deployed, column, axis=1)
        parts.append(
            pl.DataFrame(
                {
                    "landing_id": pl.Series(measured.landing_id, dtype=pl.String),
                    "engine": pl.repeat(engine, len(deployed), dtype=pl.Int8, eager=True),
                    "moved": ~np.isnan(deployed[:, column]),
                    "other_out": ~np.isnan(others).all(axis=1),
                    "power_pct": measured.values["n1_above_idle_mirror_out_pct"].value[:, column],
                    "lever_power_pct": measured.values["n1_above_idle_not_deployed_pct"].value[:, column],
                    "other_pushed": np.delete(_pushed(measured), column, axis=1).any(axis=1),
                    "unclear": _unclear(measured, instants, column),
                    "follows": measured.values["power_like_anothers"].value[:, column] == 1,
                    **_swapped(measured, column),
                    "early_power_pct": measured.values["n1_rise_before_deployed_pct"].value[:, column],
                }
            ).with_columns(pl.col("power_pct", "lever_power_pct", "early_power_pct").cast(pl.Float64).fill_nan(None))
        )
    return pl.concat([pl.DataFrame(schema=SEEN), *parts, seen_spoilers(measured)], how="diagonal")


def _swapped(measured: Measured, column: int) -> dict[str, pl.Series]:
    """The engine whose N1 rose on the wrong side, of this engine and its mirror, and the other of them."""
    engines = measured.engines
    mirror = engines[0] + engines[-1] - engines[column]
    wrong = measured.values["power_on_the_wrong_side"].value == 1
    here = wrong[:, column]
    there = wrong[:, engines.index(mirror)] if mirror in engines else np.zeros(len(here), bool)
    first = np.where(here, engines[column], np.where(there, mirror, 0))
    second = np.where(here, mirror, np.where(there, engines[column], 0))
    names = {"swapped": first, "with": second}
    return {name: pl.Series(x, dtype=pl.Int8).replace(0, None) for name, x in names.items()}


def _pushed(measured: Measured) -> np.ndarray:
    """(n, e) true where a lever was in reverse, the reverser never deployed, and N1 yet rose."""
    recorded = measured.values["lever_recorded"].value == 1
    return recorded & (measured.values["n1_above_idle_not_deployed_pct"].value > HELD_PCT)


def _unclear(measured: Measured, instants: dict[str, np.ndarray], column: int) -> np.ndarray:
    """(n,) true where reverse was asked for at idle, this reverser never read deployed, and nothing tells why.

    Told by power on another engine while this one was held at idle; by another lever raised in vain too, for two
    discretes do not die at once; by a lever put back well before another, for the crew knew; by a state that read in
    transit, for then it lives.
    """
    values, never = measured.values, _never_deployed(measured)
    recorded = values["lever_recorded"].value[:, column] == 1
    selected = ~np.isnan(instants["reverse_selected"])
    others_out = ~np.isnan(np.delete(instants["deployed"], column, axis=1)).all(axis=1)
    asked = np.where(recorded, selected[:, column], others_out)
    pushed = values["n1_above_idle_not_deployed_pct"].value[:, column] > REVERSE_POWER_PCT
    elsewhere = values["n1_above_idle_other_reversing_pct"].value[:, column] > REVERSE_POWER_PCT
    in_vain = np.delete(never & selected, column, axis=1).any(axis=1) & recorded
    back = instants["reverse_cancelled"]
    given_up = recorded & (back[:, column, None] + GIVEN_UP_S < np.delete(back, column, axis=1)).any(axis=1)
    alive = values["state_in_transit"].value[:, column] == 1
    return np.asarray(never[:, column] & asked & ~pushed & ~elsewhere & ~in_vain & ~given_up & ~alive)


def _never_deployed(measured: Measured) -> np.ndarray:
    """(n, e) true where a reverser is known not to have read deployed."""
    sentence = "the reverser was never deployed"
    code = measured.reasons.index(sentence) if sentence in measured.reasons else -1
    return measured.values["deploy_delay_s"].why == code


RESTS_ON_REVERSER = tuple(
    name for name, m in CATALOGUE.items() if any(need.startswith("reverser_") for need in m.needs)
)


@dataclass(frozen=True)
class Believed:
    """Measures without what rests on dead discretes, and whether anything was taken out."""

    measured: Measured
    changed: bool


def without_dead(measured: Measured, dead: pl.DataFrame, reasons: Reasons) -> Believed:
    """The measures without what rests on a dead reverser discrete or a wrong spoiler sensor, for the reason found."""
    ids = pl.DataFrame({"landing_id": pl.Series(measured.landing_id, dtype=pl.String)}).with_row_index("row")
    here = dead.join(ids, on="landing_id")
    if not here.height:
        return Believed(replace(measured, reasons=tuple(reasons.sentences)), False)
    values = dict(measured.values)
    for (sentence, engine, possible), group in here.group_by("sentence", "engine", "possible", maintain_order=True):
        code, rows = np.int16(reasons.code(str(sentence))), group["row"].to_numpy()
        if engine == SPOILERS:
            believed_spoilers(values, rows, str(sentence), int(code), bool(possible))
            continue
        for name in RESTS_ON_REVERSER:
            values[name] = _blank(values[name], rows, measured.engines.index(engine), code)
    return Believed(replace(measured, values=values, reasons=tuple(reasons.sentences)), True)


def _blank(bounded: Bounded, rows: np.ndarray, column: int, code: np.int16) -> Bounded:
    at = (rows, column) if bounded.value.ndim == 2 else (rows,)
    value, lower, upper, why = (x.copy() for x in (bounded.value, bounded.lower, bounded.upper, bounded.why))
    for x in (value, lower, upper):
        x[at] = np.nan
    why[at] = code
    return Bounded(value, lower, upper, why, bounded.at)


__all__ = ["DEAD", "dead_discretes", "seen_of", "suspects_of", "without_dead"]
