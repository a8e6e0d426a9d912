"""The tables as a role may see them. What stands in no list here is taken out, so a new column is hidden at first.

officer         everything
analyst         pseudonyms for aircraft, flight, departure and landing; a month in the place of the week; no time
captain         landings released to debriefing, with what the officer released of month and airfield; else no place
administrator   nothing
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from dashboard.held import Held, can, searched
from fdm import schemas
from fdm.archive import Trace
from fdm.measures.rollout import ALONG_RUNWAY_S, EXCURSION_ABOVE_KT
from fdm.people.errors import NotAllowed
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ANALYST, CAPTAIN, OFFICER
from fdm.people.views import AIRFIELD, DAY, LEAST, LEFT_OUT, seen_by

NOT_RELEASED = "not released to debriefing"
WORKED_OUT = {  # what the dashboard adds to the tables, and no one can be known by
    *("judged", "assessed", "high", "medium", "low", "title", "certain", "rank", "at", "at_lower", "at_upper"),
    *("verdict", "rule_changed", "snoozed", "in_debriefing"),
}
SHORTEST_NAME = 3  # shorter ones stand in too many words
ELSEWHERE = ("tail", "flight", "departure", "arrival")  # names that another landing's sentence may hold
RULE_OF = r"(-[a-z][a-z0-9_]*)$"  # an event's id is its landing's, and this
PLACED = ("latitude", "longitude", "pressure_altitude", "wind_from")  # recorded, and tell where
RELEASED: dict[str, Any] = {"landing_id": pl.String, "event_id": pl.String, "month": pl.Boolean, "airfield": pl.Boolean}


@dataclass(frozen=True)
class Seen:
    """What a role sees, and the landing behind each key it may ask by; None when keys are the landings' own ids."""

    held: Held
    behind: Mapping[str, str] | None = None

    def landing_id(self, key: str) -> str:
        """The landing behind a key. NotAllowed when it is not among those seen."""
        if self.behind is None:
            return key
        if key not in self.behind:
            raise NotAllowed(f"this landing is {NOT_RELEASED}, or not in the archive")
        return self.behind[key]


def seen_as(held: Held, role: str, names: Pseudonyms, released: pl.DataFrame) -> Seen:
    """The tables for a role.

    held        everything there is
    released    RELEASED: the events released to debriefing, the last one first, and what goes with their landing
    """
    if role == OFFICER:
        return Seen(held)
    landings = held.landings
    events = held.events
    if role == CAPTAIN:
        landings = landings.join(released.unique("landing_id"), on="landing_id", how="semi")
        events = events.join(released, on="event_id", how="semi")
    elif role != ANALYST:
        landings, events = landings.clear(), events.clear()
    told = _Told.among(held.landings, role)
    with_what = released.group_by("landing_id", maintain_order=True).agg(pl.col("month", "airfield").any())
    ids = landings["landing_id"].to_list()
    keys = {one: names.of("landing_id", one) for one in ids}
    shown = _shown(landings, role, names, told, with_what)
    mine = pl.col("landing_id").is_in(pl.Series(ids, dtype=pl.String).implode())
    named = pl.col("landing_id").replace_strict(keys, return_dtype=pl.String)
    missing = held.missing.filter(mine)
    missing = missing.with_columns(
        named,
        told.apart(pl.col("reason"), missing).alias("reason"),
    )
    costs = held.costs.join(events, on="event_id", how="semi").with_columns(
        pl.col("landing_id").replace_strict(keys, default=None, return_dtype=pl.String)
    )
    order = ["week", "landing_id"] if role == ANALYST else ["landing_id"]
    return Seen(
        replace(
            held,
            run={name: held.run.get(name) for name in ("rule_book", "version", "rule_book_hash") if name in held.run},
            landings=shown.sort(order, descending=True, nulls_last=True),
            events=_numbered(_shown(events, role, names, told, with_what)),
            missing=missing.sort("landing_id", "rule"),
            left_out=held.left_out.filter(mine).with_columns(named).sort("landing_id", "rule"),
            weeks=tuple(shown["week"].drop_nulls().unique().sort().to_list()),
            least=LEAST,
            costs=costs.with_columns(event_id=pl.format("{}-{}", "landing_id", "rule")).sort("event_id"),
        ),
        {key: one for one, key in keys.items()},
    )


def released_of(current: pl.DataFrame) -> pl.DataFrame:
    """RELEASED, from what stands on events (standing.CURRENT)."""
    if "released_utc" not in current.columns:
        return pl.DataFrame(schema=RELEASED)
    context = pl.col("released_context") if "released_context" in current.columns else pl.lit("", pl.String)
    ordered = current.filter(pl.col("released_utc").is_not_null(), pl.col("verdict") == "valid")
    return (
        ordered.sort("released_utc", descending=True)
        .select(
            "event_id",
            landing_id=pl.col("event_id").str.replace(RULE_OF, ""),
            month=context.fill_null("").str.contains("month"),
            airfield=context.fill_null("").str.contains("airfield"),
        )
        .select(*RELEASED)
    )


def shown_to(frame: pl.DataFrame, role: str, names: Pseudonyms, landings: pl.DataFrame) -> pl.DataFrame:
    """Any frame with some columns of the landings or events tables, as a role may see it: the same columns, with what
    it may not see null. Columns of neither table stay: they must be counts and values.

    landings    every landing of the archive, for the names that a sentence must not hold
    """
    if role == OFFICER:
        return frame
    own = [name for name in frame.columns if name not in schemas.EVENTS]
    shown = _shown(frame, role, names, _Told.among(landings, role), pl.DataFrame(schema=RELEASED))
    return shown.with_columns(frame.select(name for name in own if name not in ("week", "place", "words")))


def shown_traces(traces: Mapping[str, Trace], *, airfield: bool) -> Mapping[str, Trace]:
    """Traces without what tells the airfield, unless it may be known: position, height, and where the nose pointed."""
    if airfield:
        return traces
    kept = {name: one for name, one in traces.items() if name not in PLACED}
    if "heading" not in kept:
        return kept
    return kept | {"heading_change": _from_the_runway(kept.pop("heading"), kept.get("ground_speed"))}


def _from_the_runway(heading: Trace, speed: Trace | None) -> Trace:
    """Heading from the way the runway lies: its median from 2 s after touchdown to 60 kt, as the excursion is measured
    from; from touchdown where there are no such samples."""
    if not len(heading.time_s):
        return heading
    t, off = heading.time_s, (heading.values - heading.values[abs(heading.time_s).argmin()] + 180) % 360 - 180
    slow = np.empty(0) if speed is None else speed.time_s[(speed.time_s > 0) & (speed.values < EXCURSION_ABOVE_KT)]
    rolling = (t >= ALONG_RUNWAY_S) & (t < (slow[0] if len(slow) else np.inf))
    along = float(np.median(off[rolling])) if np.count_nonzero(rolling) >= 3 else 0.0
    return replace(heading, values=off - along)


@dataclass(frozen=True)
class _Told:
    """Leaves out sentences that name somebody."""

    names: tuple[str, ...]

    @classmethod
    def among(cls, landings: pl.DataFrame, role: str) -> _Told:
        """Every name of the archive that a role may not read."""
        columns = [name for name in ELSEWHERE if name in landings.columns and (name != "arrival" or role == CAPTAIN)]
        names = [landings.get_column(name).drop_nulls().unique().to_list() for name in columns]
        return cls(tuple(sorted({name for some in names for name in some if len(name) >= SHORTEST_NAME})))

    def apart(self, sentence: pl.Expr, frame: pl.DataFrame) -> pl.Expr:
        """The column of sentences with those that name somebody, or a day, left out."""
        told = frame.select(sentence.cast(pl.String).drop_nulls().unique()).to_series()
        names = pl.Series([list(self.names)], dtype=pl.List(pl.String))  # typed: there may be none
        tells = told.str.contains_any(names) | told.str.contains(DAY) if len(told) else None
        bad = told.filter(tells) if tells is not None else told
        return pl.when(sentence.is_in(bad.implode())).then(pl.lit(LEFT_OUT)).otherwise(sentence)

    def apart_in_lists(self, frame: pl.DataFrame, name: str) -> pl.Series:
        """The same for a column of lists of sentences."""
        long = frame.select(name).with_row_index("row").explode(name, empty_as_null=True)
        kept = long.with_columns(self.apart(pl.col(name), long).alias(name))
        lists = kept.group_by("row", maintain_order=True).agg(pl.col(name).drop_nulls())
        return lists.sort("row")[name]


def _shown(frame: pl.DataFrame, role: str, names: Pseudonyms, told: _Told, with_what: pl.DataFrame) -> pl.DataFrame:
    """The frame with the same columns, and null wherever this role may not look."""
    own = frame.select(name for name in frame.columns if name in schemas.EVENTS)
    seen = seen_by(own, role, names)
    free = {name for name in frame.columns if name in WORKED_OUT or name.startswith(can(""))}
    kept = [
        seen[name] if name in seen.columns else frame[name] if name in free else pl.lit(None, kind).alias(name)
        for name, kind in frame.schema.items()
    ]
    shown = frame.select(kept) if frame.width else frame
    shown = shown.with_columns(told.apart_in_lists(shown, n) for n in ("evidence", "quality") if n in shown.columns)
    if "silent" in frame.columns:
        shown = shown.with_columns(frame["silent"]).with_columns(told.apart(pl.col("silent"), frame).alias("silent"))
    shown = shown.with_columns(**_relative(frame), **_month_and_airfield(frame, role, with_what))
    return _with_place_and_words(shown)


def _relative(frame: pl.DataFrame) -> dict[str, pl.Series]:
    """Touchdown and its bounds, counted from touchdown: the recording's clock would tell the hour."""
    if "touchdown_s" not in frame.columns:
        return {}
    sides = [name for name in ("touchdown_s", "touchdown_earliest_s", "touchdown_latest_s") if name in frame.columns]
    return {name: frame[name] - frame["touchdown_s"] for name in sides}


def _month_and_airfield(frame: pl.DataFrame, role: str, with_what: pl.DataFrame) -> dict[str, Any]:
    if "touchdown_utc" not in frame.columns:
        return {}
    month = frame["touchdown_utc"].dt.strftime("%Y-%m")
    if role == ANALYST:
        return {name: month for name in ("week", "month") if name in frame.columns}
    if role != CAPTAIN or not frame.height:
        return {}
    granted = frame.select("landing_id").join(with_what, on="landing_id", how="left", maintain_order="left")
    month = frame.select(pl.when(granted["month"].fill_null(False)).then(month).alias("month")).to_series()
    places = {
        name: frame.select(pl.when(granted["airfield"].fill_null(False)).then(pl.col(name)).alias(name)).to_series()
        for name in frame.columns
        if name in AIRFIELD
    }
    return {name: month for name in ("week", "month") if name in frame.columns} | places


def _with_place_and_words(frame: pl.DataFrame) -> pl.DataFrame:
    made: dict[str, pl.Expr] = {}
    if {"place", "arrival", "runway"} <= set(frame.columns):
        place = pl.concat_str("arrival", "runway", separator=" ", ignore_nulls=True)
        made["place"] = pl.when(place != "").then(place)
    frame = frame.with_columns(**made)
    return frame.with_columns(words=searched()) if "words" in frame.columns else frame


def _numbered(events: pl.DataFrame) -> pl.DataFrame:
    """Worst first, equals in no order that tells which came later."""
    order = ["rank", "certain", pl.col("at").fill_nan(None), "event_id"]
    ordered = events.sort(order, descending=True, nulls_last=True).drop("index")
    return ordered.with_row_index("index").select(events.columns)


def told_apart(frame: pl.DataFrame, columns: Iterable[str], landings: pl.DataFrame, role: str) -> pl.DataFrame:
    """A frame whose columns of sentences name nobody that the role may not know."""
    if role == OFFICER:
        return frame
    told = _Told.among(landings, role)
    return frame.with_columns(told.apart(pl.col(name), frame).alias(name) for name in columns if name in frame.columns)
