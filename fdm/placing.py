"""Which runway a landing was on, when its facts do not say: from the position and heading just after touchdown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fdm.flights import RunwayEnd, find_runway
from fdm.frames import Frame

AFTER_S = (0.0, 10.0)  # relative to the anchor: on the runway, before any turn-off
NEEDED = ("latitude", "longitude", "heading")


def placed(frame: Frame, runways: Sequence[RunwayEnd]) -> Frame:
    """The frame with the facts of the runway that it landed on, where they were missing and the position tells."""
    if frame.facts.get("runway_length_m") is not None or not runways or any(n not in frame.values for n in NEEDED):
        return frame
    here = [_middle(frame, name) for name in NEEDED]
    if any(np.isnan(here)):
        return frame
    found = find_runway(runways, frame.facts.get("arrival"), *here)
    if found is None:
        return frame
    named = frame.facts.get("runway")
    note = None if named else f"runway {found.get('runway')} was found from the touchdown position"
    facts = {**frame.facts, **found}
    return replace(frame, facts={**facts, "quality": [*(facts.get("quality") or []), *([note] if note else [])]})


def _middle(frame: Frame, name: str) -> float:
    """Middle one of a parameter's samples just after touchdown, NaN when there is none."""
    step = dict(frame.layout.steps)[name]
    values = frame.values[name]
    time_s = frame.start_s[name] + np.arange(len(values)) * step
    inside = values[(time_s > AFTER_S[0]) & (time_s < AFTER_S[1])]
    inside = inside[~np.isnan(inside)]
    return float(inside[len(inside) // 2]) if len(inside) else np.nan
