"""What each landing measured for one rule, ready to say what other limits of it would find.

Turned so that more is worse, four numbers of a landing say what any limit finds. It is an event at every limit below
`worst`, for certain below `sure`, within from `safe` on, and could be an event below `top` (see recounting for the
first and the third). Whatever is counted here is what detect finds with that limit, not an estimate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.bounded import Bounded, Measured
from fdm.errors import RuleError, nearest
from fdm.recounting import refuse_other_settings, standing, turned
from fdm.results import Results
from fdm.rule import Direction, Limits, Rule
from fdm.rulebook import RuleBook
from fdm.schemas import SEVERITIES, UTC
from fdm.wide import measured_from_wide

STOOD: dict[str, Any] = {
    "landing_id": pl.String,
    "tail": pl.String,
    "fleet": pl.String,
    "arrival": pl.String,
    "runway": pl.String,
    "touchdown_utc": UTC,
    "worst": pl.Float64,
    "sure": pl.Float64,
    "safe": pl.Float64,
    "top": pl.Float64,
    "engine": pl.Int8,        # whose value it is; null where the measure has one value per landing
    "value": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "barred": pl.Boolean,     # the rule is not, or may not be, for this landing
}  # fmt: skip
MOST_POINTS = 501
FEWEST_NEAR = 25  # landings nearest to a limit that say what the recorder resolves there
STEPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
FINEST = {"s": 0.1, "kt": 1.0, "m": 5.0, "deg": 0.1, "g": 0.002, "fraction": 0.01, "%": 0.5, "ratio": 0.05}


def landings_stood(archive: Archive, book: RuleBook, rule: str, where: str | None = None) -> pl.DataFrame:
    """What every landing of an archive measured for a rule of a book (STOOD).

    where    a condition to be tried in place of the rule's own; "" for none
    raises   RuleError when there is no such rule, or the archive was measured with other settings; ArchiveError
    """
    if rule not in book.rules:
        raise RuleError(f"there is no rule '{rule}'", source=book.folder, cure=nearest(rule, book.rules))
    results = archive.results_now()
    refuse_other_settings(results, book)
    chosen = book.rules[rule] if where is None else replace(book.rules[rule], where=where or None)
    frames = [_of_part(archive, results, part, chosen) for part in results.parts]
    return pl.concat(frames) if frames else pl.DataFrame(schema=STOOD)


def _of_part(archive: Archive, results: Results, part: str, rule: Rule) -> pl.DataFrame:
    named = set(pl.sql_expr(rule.where).meta.root_names()) if rule.where else set()
    measured = some_measured(results, part, archive.layout(part).reversers, {rule.measure, *named})
    ((_, landings),) = results.frames("landings", [part])
    ids = pl.DataFrame({"landing_id": pl.Series(list(measured.landing_id), dtype=pl.String)})
    return stood(rule, measured, ids.join(landings, on="landing_id", maintain_order="left"))


def some_measured(results: Results, part: str, engines: Sequence[int], names: set[str]) -> Measured:
    """Some measures of a part as they were judged, without reading the others."""
    place = results.storage.place(results.keys("measures", part))
    keys = pl.scan_parquet(place).collect_schema().names()
    mine = [key for key in keys if key == "landing_id" or key.partition("|")[0].partition(".")[0] in names]
    ((_, frame),) = results.frames("measures", [part], mine)
    return measured_from_wide(frame, engines, results.reasons(part))


def stood(rule: Rule, measured: Measured, landings: pl.DataFrame) -> pl.DataFrame:
    """STOOD of measured landings; `landings` (schemas.LANDINGS) in their order."""
    found = standing(rule, measured, landings)
    safe = found["safe"].to_numpy()
    bounded = measured.values.get(rule.measure)
    if bounded is None or (bounded.value.ndim == 2 and not bounded.value.shape[1]):
        nothing = np.full(len(found), np.nan)
        own: dict[str, Any] = {
            "sure": -safe,
            "top": safe,
            "engine": None,
            "value": nothing,
            "lower": nothing,
            "upper": nothing,
        }
    else:
        own = _of_worst_engine(rule, bounded, measured.engines)
        own["top"] = np.maximum(own["top"], safe)
    columns = {name: pl.Series(name, x, dtype=STOOD[name]) for name, x in own.items() if x is not None}
    facts = landings.select("landing_id", "tail", "fleet", "arrival", "runway", "touchdown_utc")
    whole = facts.with_columns(found["worst"], found["safe"], found["barred"], **columns)
    if "engine" not in whole.columns:
        whole = whole.with_columns(engine=pl.lit(None, pl.Int8))
    return whole.select(pl.col(name).cast(kind) for name, kind in STOOD.items())


def _of_worst_engine(rule: Rule, bounded: Bounded, engines: Sequence[int]) -> dict[str, Any]:
    """Of the engine that judging goes by, the first of the worst: bounds turned, engine, and its own numbers. `top` is
    of every engine: a landing within a limit by its worst engine is beyond it when another one is."""
    near, value, far = turned(bounded, rule)
    judged_by = np.where(np.isnan(value), near, value)
    judged_by = np.where(np.isnan(judged_by), -np.inf, judged_by)
    column = judged_by.argmax(axis=1)
    rows = np.arange(len(column))
    worst, near = judged_by[rows, column], near[rows, column]
    furthest = np.where(np.isnan(far), -np.inf, far).max(axis=1)
    shape = (len(column), -1)
    own = {name: getattr(bounded, name).reshape(shape)[rows, column] for name in ("value", "lower", "upper")}
    per_engine = bounded.value.ndim == 2
    return own | {
        "sure": np.minimum(np.where(np.isnan(near), worst, near), worst),
        "top": np.maximum(furthest, worst),
        "engine": np.array(engines, dtype=np.int8)[column] if per_engine else None,
    }


@dataclass(frozen=True)
class Sweep:
    """What a single limit would find, at each of `limits` (k,), ascending, in the measure's unit; counts (k,).

    events     landings beyond it by their best value; `certain` by their nearer bound too
    possible   events, and landings within it of which an engine's further bound is beyond it
    assessed   landings of which it can be said: the denominator of rates
    """

    limits: np.ndarray
    events: np.ndarray
    certain: np.ndarray
    possible: np.ndarray
    assessed: np.ndarray


def sweep(found: pl.DataFrame, direction: Direction, limits: np.ndarray) -> Sweep:
    """Counts of STOOD at each limit, by binary search."""
    sign = -1.0 if direction == "below" else 1.0
    open_ = found.filter(~pl.col("barred"))
    n = open_.height

    def beyond(name: str) -> np.ndarray:
        return np.asarray(n - np.searchsorted(np.sort(open_[name].to_numpy()), sign * limits, side="right"))

    events, not_within = beyond("worst"), beyond("safe")
    return Sweep(limits, events, beyond("sure"), events + beyond("top") - not_within, events + n - not_within)


def points(found: pl.DataFrame, levels: Mapping[str, float], unit: str) -> tuple[np.ndarray, float]:
    """At most 501 limits worth trying, ascending, and the step between them; the rule's own limits are among them."""
    values = found.filter(~pl.col("barred"))["value"].drop_nulls().drop_nans()
    values = values.filter(values.is_finite())
    own = [float(x) for x in levels.values()]
    room_about = max(max(own) - min(own), 0.5 * max(map(abs, own)))
    least, most = values.quantile(0.001), values.quantile(0.999)
    low = min(own) if least is None else min(*own, max(float(least), min(own) - 3 * room_about))
    high = max(own) if most is None else max(*own, min(float(most), max(own) + 2 * room_about))
    pad = 0.12 * (high - low) or abs(high) or 1.0
    low, high = (max(low - pad, 0.0) if low >= 0 else low - pad), high + pad
    room = MOST_POINTS - 1 - len(own)
    fits = [step for step in STEPS if step >= FINEST.get(unit, 0.001) and (high - low) / step < room - 1]
    step = fits[0] if fits else float(10 ** np.ceil(np.log10((high - low) / (room - 2))))
    grid = np.arange(np.floor(low / step), np.ceil(high / step) + 1) * step
    return np.unique(np.round([*grid, *own], 9)), step


def resolved(found: pl.DataFrame, limits: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """How far below and above each limit values lie that the recorder cannot tell from it, of the landings near it.

    None when fewer than 25 landings have finite bounds.
    """
    finite = pl.all_horizontal(pl.col(name).is_finite() for name in ("value", "lower", "upper"))
    near = found.filter(~pl.col("barred") & finite).sort("value")
    if near.height < FEWEST_NEAR:
        return None
    value, lower, upper = (near[name].to_numpy() for name in ("value", "lower", "upper"))
    first = np.clip(np.searchsorted(value, limits) - FEWEST_NEAR // 2, 0, near.height - FEWEST_NEAR)
    rows = first[:, None] + np.arange(FEWEST_NEAR)
    return np.median((upper - value)[rows], axis=1), np.median((value - lower)[rows], axis=1)


def outcomes_by(found: pl.DataFrame, direction: Direction, limits: Limits) -> pl.Series:
    """What each landing of STOOD is by some limits: low, medium, high, within or not_assessed."""
    sign = -1.0 if direction == "below" else 1.0
    steps = limits.steps(direction) * sign
    worst, safe = found["worst"].to_numpy(), found["safe"].to_numpy()
    codes = sum((worst > step).astype(np.int8) for step in steps)
    unknown = ((codes == 0) & (safe > steps[0])) | found["barred"].to_numpy()
    words = np.array([*SEVERITIES, "not_assessed"])
    return pl.Series("outcome", words[np.where(unknown, len(SEVERITIES), codes)], dtype=pl.String)


def ordered(limits: Limits, direction: Direction) -> bool:
    """Whether no higher severity begins before a lower one."""
    sign = -1.0 if direction == "below" else 1.0
    stated = [sign * x for x in limits if x is not None]
    return all(a <= b for a, b in pairwise(stated))
