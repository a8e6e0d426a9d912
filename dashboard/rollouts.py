"""The traces of one whole rollout, with its steps and findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from dashboard import figures
from dashboard.chart import Json
from dashboard.chart_marks import Finding, Step
from dashboard.rule_card import RuleCard
from dashboard.steps import StepRow, step_rows
from fdm.archive import Trace

AFTER_S = 6.0
AIR_S = 1.5  # shown before what was found in the air


def figure(
    landing: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    instants: pl.DataFrame,
    rules: Mapping[str, RuleCard],
    traces: Mapping[str, Trace],
    keys: Sequence[str] | None = None,
    beside: Mapping[str, Trace] | None = None,
) -> Json | None:
    """The chart of a landing; the cursor is at its first event, else at touchdown.

    events    the first one's finding is drawn where several are about the same panel
    keys      only these panels, and those of the events
    beside    another landing's traces, drawn thin behind
    """
    findings: dict[str, Finding] = {}
    for event in events:
        found = figures.finding_of(event, rules.get(event["rule"]), instants)
        if found and found.key not in findings:
            findings[found.key] = found
    rows = step_rows(instants, events, {}, landing["bounces"])
    steps = [Step(row.number, row.last.at_s, bool(row.events)) for row in rows if row.number and row.last]
    cursor = _cursor(events[0], rules, instants) if events else 0.0
    chosen = None if keys is None else [*keys, *findings]
    drawn, end, start = list(findings.values()), end_s(landing, rows), start_s(events)
    return figures.rollout(traces, steps, drawn, end, cursor, chosen, beside, start)


def _cursor(event: Mapping[str, Any], rules: Mapping[str, RuleCard], instants: pl.DataFrame) -> float:
    return figures.looked_at(event, figures.finding_of(event, rules.get(event["rule"]), instants))


def start_s(events: Sequence[Mapping[str, Any]]) -> float:
    """The first second worth drawing: just before touchdown, or before what was found in the air."""
    found = [event["at_s"] for event in events if figures.finite(event["at_s"])]
    early = min(found, default=0.0) - AIR_S
    return min(-figures.BEFORE_S, early) if early < -figures.BEFORE_S - AIR_S else -figures.BEFORE_S


def end_s(landing: Mapping[str, Any], rows: Sequence[StepRow]) -> float:
    """The last second worth drawing: a little after the last step, and not the whole taxi."""
    last = max((at.at_s for row in rows for at in row.times), default=30.0)
    end = landing["rollout_end_s"]
    return last + AFTER_S if end is None else min(max(last + AFTER_S, 20.0), max(end + AFTER_S, last + AFTER_S))
