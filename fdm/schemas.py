"""Columns and types of every table the product writes; exports and the archive keep to them."""

from __future__ import annotations

import polars as pl

UTC = pl.Datetime("us", "UTC")

# What is known of a flight from outside its recording. Crew identity is never among it.
FACTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "source_file": pl.String,
    "tail": pl.String,
    "fleet": pl.String,
    "flight": pl.String,
    "departure": pl.String,
    "arrival": pl.String,
    "runway": pl.String,
    "start_utc": UTC,
    "reversers_out": pl.List(pl.Int8),  # engine numbers whose reverser is known to be out of use
    "runway_condition_code": pl.Int8,
    "runway_length_m": pl.Float64,  # physical length of the landing runway, None when unknown
    "runway_displaced_m": pl.Float64,  # displaced threshold at the landing end
    "runway_width_m": pl.Float64,
    "runway_heading_deg": pl.Float64,  # true
    "runway_latitude_deg": pl.Float64,  # physical end at which the landing begins
    "runway_longitude_deg": pl.Float64,
    "airport_elevation_ft": pl.Float64,
}

LANDINGS: dict[str, pl.DataType | type[pl.DataType]] = {
    "landing_id": pl.String,
    **FACTS,
    "recorder": pl.String,  # name of the parameter map
    "touchdown_utc": UTC,
    "touchdown_s": pl.Float64,  # on the recording's own clock
    "touchdown_earliest_s": pl.Float64,
    "touchdown_latest_s": pl.Float64,
    "touchdown_by": pl.String,
    "kind": pl.String,  # full_stop, go_around, no_touchdown
    "bounces": pl.Int16,
    "touchdown_ground_speed_kt": pl.Float64,
    "touchdown_airspeed_kt": pl.Float64,
    "touchdown_distance_m": pl.Float64,  # from the landing threshold, None when positions or runway are unknown
    "gross_weight_kg": pl.Float64,
    "headwind_kt": pl.Float64,
    "rollout_end_s": pl.Float64,  # after touchdown
    "rollout_end_by": pl.String,  # runway exit, 60 s below taxi speed, end of data, airborne again
    "quality": pl.List(pl.String),  # faults found, one sentence each
}

INSTANTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "landing_id": pl.String,
    "step": pl.String,
    "engine": pl.Int8,
    "at_s": pl.Float64,  # seconds after touchdown
    "earliest_s": pl.Float64,
    "latest_s": pl.Float64,
    "ground_speed_kt": pl.Float64,
    "distance_m": pl.Float64,  # from touchdown
    "runway_left_m": pl.Float64,
}

MEASURES: dict[str, pl.DataType | type[pl.DataType]] = {
    "landing_id": pl.String,
    "measure": pl.String,
    "engine": pl.Int8,
    "value": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "unit": pl.String,
    "reason": pl.String,
}

OUTCOMES: dict[str, pl.DataType | type[pl.DataType]] = {
    "landing_id": pl.String,
    "rule": pl.String,
    "outcome": pl.String,  # event, within, not_assessed
    "reason": pl.String,
}

# An event carries its landing's columns too, after these.
EVENTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "event_id": pl.String,  # landing_id-rule
    "landing_id": pl.String,
    "rule": pl.String,
    "severity": pl.String,  # low, medium, high
    "severity_lowest": pl.String,  # within, low, medium, high: for certain
    "severity_highest": pl.String,  # what it could be
    "measure": pl.String,
    "engine": pl.Int8,
    "value": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "unit": pl.String,
    "limit": pl.Float64,  # the highest limit passed by the value
    # Seconds after touchdown: where it began, of what lasted (the first time, where it came and went); when it came, of
    # what was waited for; when it was so, of a speed or distance; where its window begins, of a mean or highest value.
    "at_s": pl.Float64,
    "ground_speed_kt": pl.Float64,
    "origin": pl.String,  # crew, aircraft, recording, undetermined
    "evidence": pl.List(pl.String),
    "rule_hash": pl.String,
    "rule_book": pl.String,
    **{name: kind for name, kind in LANDINGS.items() if name != "landing_id"},
    "origin_confidence": pl.String,  # likely, possible, none
}


# What an event cost, for the kinds of event that cost metres; null best values say why in `reason`.
COSTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "event_id": pl.String,
    "landing_id": pl.String,
    "rule": pl.String,
    "extra_m": pl.Float64,  # longer to 30 kt than with the device on time; bounds hold it in eight of ten
    "extra_m_lower": pl.Float64,
    "extra_m_upper": pl.Float64,
    "extra_s": pl.Float64,
    "extra_s_lower": pl.Float64,
    "extra_s_upper": pl.Float64,
    "brake_energy_mj": pl.Float64,  # more energy into the wheel brakes
    "brake_energy_mj_lower": pl.Float64,
    "brake_energy_mj_upper": pl.Float64,
    "reason": pl.String,  # why no best value is given; there may still be bounds
    "notes": pl.List(pl.String),  # what had to be assumed
    "method": pl.String,
}


def typed(frame: pl.DataFrame, schema: dict[str, pl.DataType | type[pl.DataType]]) -> pl.DataFrame:
    """Exactly the columns of a schema, in its order and types."""
    return frame.select(pl.col(name).cast(kind) for name, kind in schema.items())


SEVERITIES = ("within", "low", "medium", "high")
