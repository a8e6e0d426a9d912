"""The traces of a landing as its measures believe them: without what the recorder got wrong, samples at their time."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from fdm.archive import Trace

# As fdm/quality.py says a fault: "ground_speed: frozen from 1.2 to 13.7 s after touchdown", "n1.2: spike at 4.0 s ...".
FAULT = re.compile(r"(\S+): .+ (?:at|from) (-?[\d.]+)(?: to (-?[\d.]+))? s after touchdown")
SAID_TO_S = 0.0501  # such times are said to a tenth
WHOLE = ("ground speed is ", "ground_speed never changes")  # how sentences begin that leave it out from end to end


def believed(traces: Mapping[str, Trace], quality: Iterable[str] | None) -> dict[str, Trace]:
    """The traces without the samples that the landing's quality names as wrong.

    A sample may be up to `lag_s` older than its stamp: those of an analogue are placed in the middle of that, where the
    measures take them to be. Discretes keep their stamps, as their ribbons show the doubt.

    quality    of the landing, sentences (schemas.LANDINGS)
    """
    wrong: dict[str, list[tuple[float, float]]] = {}
    for sentence in quality or ():
        if sentence.startswith(WHOLE):
            wrong["ground_speed"] = [(-np.inf, np.inf)]
        elif found := FAULT.fullmatch(sentence):
            name, start, end = found.groups()
            wrong.setdefault(name, []).append((float(start) - SAID_TO_S, float(end or start) + SAID_TO_S))
    return {name: _placed(_without(trace, wrong.get(name, ()))) for name, trace in traces.items()}


def _without(trace: Trace, stretches: Iterable[tuple[float, float]]) -> Trace:
    kept = np.ones(len(trace.time_s), bool)
    for start_s, end_s in stretches:
        kept &= (trace.time_s < start_s) | (trace.time_s > end_s)
    return trace if kept.all() else replace(trace, time_s=trace.time_s[kept], values=trace.values[kept])


def _placed(trace: Trace) -> Trace:
    if trace.kind != "analogue" or not trace.lag_s:
        return trace
    return replace(trace, time_s=trace.time_s - trace.lag_s / 2, lag_s=0.0)
