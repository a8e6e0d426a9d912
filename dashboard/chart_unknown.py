"""Where nothing is known of a line panel: hatched, with the words on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from dashboard import chart, ribbons
from dashboard.chart import Json, Placed, Stack
from dashboard.ribbons import Stretch
from dashboard.timeaxis import TimeAxis
from fdm.archive import Trace

WORDS = "not known"
CHAR_PX = 6.5


def hatching(stack: Stack, traces: Mapping[str, Trace], axis: TimeAxis, drawn: Json) -> list[Json]:
    """Hatching over the height of each line panel where none of its lines is known.

    drawn    the layout, in which the panels' ranges stand
    """
    found = []
    for place, holes in _holes(stack, traces, axis):
        low, high = drawn[f"yaxis{'' if place.axis == 1 else place.axis}"]["range"]
        bars = chart.bars(place, "", "analogue", None, holes, axis)
        found.append(bars | {"y": [(low + high) / 2] * len(holes), "width": high - low, "meta": {}})
    return found


def in_words(stack: Stack, traces: Mapping[str, Trace], axis: TimeAxis) -> list[Json]:
    """What the hatching means, where there is room for it."""
    per_px = (axis.range[1] - axis.range[0]) / (chart.NARROW_PX if axis.sparse else chart.DRAWN_PX)
    spans = [
        (place, axis.unit(hole.start_s), axis.unit(hole.end_s))
        for place, holes in _holes(stack, traces, axis)
        for hole in holes
    ]
    return [
        chart.note(WORDS, (start + end) / 2, place.middle, anchor="center", xref="x", size=11, ground="paper")
        for place, start, end in spans
        if end - start > len(WORDS) * CHAR_PX * per_px
    ]


def _holes(stack: Stack, traces: Mapping[str, Trace], axis: TimeAxis) -> Iterator[tuple[Placed, list[Stretch]]]:
    for place in stack.placed:
        if place.panel.kind == "line":
            each = [traces[name] for name in place.panel.series]
            if holes := ribbons.unknown(each, axis.start_s, axis.end_s):
                yield place, holes
