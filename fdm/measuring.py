"""From blocks of landings to landings, instants and measures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Instants, Measured, Reasons
from fdm.finding import frames_of
from fdm.frames import Block, stack_frames
from fdm.measures import CATALOGUE
from fdm.recording import Recording
from fdm.rolling import interpolate_heading
from fdm.schemas import LANDINGS
from fdm.screening import Screened, parameter_health, screened
from fdm.sequences import odd_sequences
from fdm.settings import Settings
from fdm.steps import Rollout
from fdm.windows import interpolate

HEADWIND_OVER_S = 5.0


@dataclass(frozen=True)
class Result:
    """What was made of one block.

    landings   frame of schemas.LANDINGS
    measured   every measure
    health     frame of screening.parameter_health
    instants   step -> instants, seconds after touchdown; (n,) or (n, e)
    speed_kt, distance_m, runway_left_m   step -> value at that instant, shaped alike
    """

    landings: pl.DataFrame
    measured: Measured
    health: pl.DataFrame
    instants: Mapping[str, Instants]
    speed_kt: Mapping[str, np.ndarray]
    distance_m: Mapping[str, np.ndarray]
    runway_left_m: Mapping[str, np.ndarray]


def measure_block(block: Block, settings: Settings, reasons: Reasons) -> Result:
    """Rebuild and measure every landing of a block."""
    screen = screened(block, reasons)
    batch = Rollout(screen.block, settings, reasons, screen.unusable)
    with np.errstate(invalid="ignore"):
        landings = _with_faults(_landings(batch), _sentences(batch, screen))
        values = {name: _judgeable(batch, m.function(batch)) for name, m in CATALOGUE.items()}
        contact = batch.contact.best
        at_s = {name: _after(contact, value.at_s) for name, value in values.items()}
        steps = batch.table
        moments = {name: when.best for name, when in steps.items()}
        measured = Measured(
            landings["landing_id"].to_numpy(),
            batch.layout.reversers,
            values,
            tuple(reasons.sentences),
            at_s,
            SpeedAt(batch, at_s),
        )
        return Result(
            landings,
            measured,
            parameter_health(block, screen.faults),
            {name: _relative(when, contact) for name, when in steps.items()},
            *(_asked_at_once(ask, moments) for ask in (batch.speed_then, batch.distance_then, batch.runway_left_then)),
        )


def measure_recordings(recordings: Sequence[Recording], settings: Settings) -> tuple[pl.DataFrame, list[Measured]]:
    """Landings and measures of recordings straight from memory, without an archive; one `Measured` per landing."""
    reasons = Reasons()
    results = [
        measure_block(stack_frames([frame]), settings, reasons)
        for recording in recordings
        for frame in frames_of(recording)
    ]
    return pl.concat([r.landings for r in results]), [r.measured for r in results]


class SpeedAt(Mapping[str, np.ndarray]):
    """Ground speed at each measure's `at_s`, worked out when one is asked for first."""

    def __init__(self, batch: Rollout, at_s: Mapping[str, np.ndarray]):
        self._batch, self._at_s = batch, at_s

    @cached_property
    def _speed_kt(self) -> dict[str, np.ndarray]:
        contact = self._batch.contact.best
        moments = {name: _after(-contact, at) for name, at in self._at_s.items()}
        return _asked_at_once(self._batch.speed_then, moments)

    def __getitem__(self, name: str) -> np.ndarray:
        return self._speed_kt[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._at_s)

    def __len__(self) -> int:
        return len(self._at_s)


def _asked_at_once(ask: Callable[[np.ndarray], np.ndarray], moments: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """What is answered for moments (n,) or (n, e) of each name: one question about all of them is the quickest."""
    columns = {name: at if at.ndim == 2 else at[:, None] for name, at in moments.items()}
    ends = np.cumsum([at.shape[1] for at in columns.values()])
    answers = np.split(ask(np.concatenate(list(columns.values()), axis=1)), ends[:-1], axis=1)
    return {
        name: found if at.ndim == 2 else found[:, 0] for (name, at), found in zip(moments.items(), answers, strict=True)
    }


def _judgeable(batch: Rollout, value: Bounded) -> Bounded:
    """Bounds in order, and nothing where there was no touchdown to count from."""
    contact = batch.contact
    happened, why = contact.happened, contact.why
    if value.value.ndim == 2:
        happened, why = happened[:, None], np.broadcast_to(why[:, None], value.why.shape)
    known = ~np.isnan(value.value)  # a value whose bound is not known has none on that side
    lower = np.where(known, np.minimum(np.where(np.isnan(value.lower), -np.inf, value.lower), value.value), value.lower)
    upper = np.where(known, np.maximum(np.where(np.isnan(value.upper), np.inf, value.upper), value.value), value.upper)
    ordered = replace(value, lower=lower, upper=upper, why=np.where(happened, value.why, why))
    return ordered.map(lambda x: np.where(happened, x, np.nan))


def _after(contact: np.ndarray, at: np.ndarray) -> np.ndarray:
    return at - (contact[:, None] if at.ndim == 2 else contact)


def _relative(when: Instants, contact: np.ndarray) -> Instants:
    return when.map(lambda x: _after(contact, x))


# the landings table -------------------------------------------------------------------------------------------------


def _landings(batch: Rollout) -> pl.DataFrame:
    contact, anchor = batch.contact, batch.facts["anchor_s"].to_numpy()
    start_utc = batch.facts["start_utc"]
    end_s, end_by = _rollout_end(batch)
    touchdown = batch.touchdown
    columns = {
        "touchdown_s": anchor + contact.best,
        "touchdown_earliest_s": anchor + contact.earliest,
        "touchdown_latest_s": anchor + contact.latest,
        "touchdown_by": np.where(contact.happened, touchdown.by, np.array(None)),
        "kind": _kind(batch),
        "bounces": touchdown.bounces.value,
        "touchdown_ground_speed_kt": batch.speed_then(contact.best),
        "touchdown_airspeed_kt": _value(batch, "airspeed", contact.best),
        "touchdown_distance_m": batch.along_runway_m - np.nan_to_num(batch.fact("runway_displaced_m")),
        "gross_weight_kg": _value(batch, "gross_weight", contact.best),
        "headwind_kt": _headwind(batch),
        "rollout_end_s": end_s - contact.best,
        "rollout_end_by": end_by,
    }
    frame = batch.facts.with_columns(
        *(pl.Series(name, _plain(values), dtype=LANDINGS[name], strict=False) for name, values in columns.items()),
    )
    frame = frame.with_columns(
        (start_utc + pl.Series(frame["touchdown_s"] * 1e6).cast(pl.Int64).cast(pl.Duration("us"))).alias(
            "touchdown_utc"
        )
    )
    return frame.select(pl.col(name).cast(dtype) for name, dtype in LANDINGS.items())


def _sentences(batch: Rollout, screen: Screened) -> list[list[str]]:
    """What was found wrong with each landing's recording."""
    sentences = screen.sentences(batch.contact.best)
    for row, notes in [*batch.touchdown.notes.items(), *odd_sequences(batch).items()]:
        sentences[row] = [*sentences[row], *notes]
    return sentences


def _with_faults(landings: pl.DataFrame, sentences: list[list[str]]) -> pl.DataFrame:
    if not any(sentences):
        return landings
    found = pl.Series("found", sentences, dtype=pl.List(pl.String))
    return landings.with_columns(quality=pl.concat_list(pl.col("quality").fill_null([]), found))


def _plain(values: np.ndarray) -> Any:
    if values.dtype == object:
        return values.tolist()
    return pl.Series(values, nan_to_null=True) if values.dtype.kind == "f" else values


def _value(batch: Rollout, name: str, time_s: np.ndarray) -> np.ndarray:
    if not batch.has(name):
        return np.full(batch.n, np.nan)
    return interpolate(batch.signal(name), time_s)


def _headwind(batch: Rollout) -> np.ndarray:
    """Wind along the landing direction just before contact, as recorded; else airspeed less ground speed."""
    before = batch.contact.earliest - 1.0
    if batch.has("wind_speed") and batch.has("wind_from") and batch.has("heading"):
        wind_from = interpolate_heading(batch.signal("wind_from"), before)
        heading = interpolate_heading(batch.signal("heading"), before)
        return _value(batch, "wind_speed", before) * np.cos(np.radians(wind_from - heading))
    return _value(batch, "airspeed", before) - _value(batch, "ground_speed", before)


def _kind(batch: Rollout) -> np.ndarray:
    found = np.where(batch.went_around, "go_around", "full_stop").astype(object)
    found[~batch.contact.happened] = "no_touchdown"
    return found


def _rollout_end(batch: Rollout) -> tuple[np.ndarray, np.ndarray]:
    """When the rollout ended, relative to the anchor, and by what."""
    end = batch.record_end.astype(np.float64)
    by = np.full(batch.n, "end of data", dtype=object)
    left = batch.touchdown.left_ground
    candidates = (
        ("60 s below taxi speed", batch.taxi_speed.best + 60.0),
        ("runway exit", batch.runway_exit.best),
        ("airborne again", left.best),
    )
    for name, when in candidates:
        sooner = when < end
        end, by = np.where(sooner, when, end), np.where(sooner, name, by)
    return end, by


__all__ = ["Result", "measure_block", "measure_recordings"]
