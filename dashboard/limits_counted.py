"""What a draft's very limits find: the browser holds the counts of the drawing's points alone."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
from markupsafe import Markup

from dashboard.limits_asked import Asked, direction, movable, population
from dashboard.limits_sweep import sent, swept
from dashboard.rule_card import RuleCard
from fdm.rule import Limits
from fdm.tuning import resolved, sweep

COUNTS = ("x", "events", "certain", "possible", "assessed", "lower", "upper", "below", "above")
DECIDED = ("decided", "nuisance", "undecided")


def counted(found: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits, number: object) -> Markup:
    """The counts, for the browser to read; nothing is shown.

    found    of every landing (analysis.stood)
    number   of the browser's question, by which it knows the answer
    """
    if not movable(card):
        return Markup("")
    here = population(found, card, wanted)
    at = np.unique([x for x in limits if x is not None])
    whole = replace(swept(card, wanted.fleet, here), sweep=sweep(here, direction(card), at), near=resolved(here, at))
    data = {name: values for name, values in sent(whole).items() if name in (*COUNTS, *DECIDED)}
    data["no"] = number if isinstance(number, int) else None
    return Markup('<i hidden data-counted="{}"></i>').format(json.dumps(data, separators=(",", ":")))
