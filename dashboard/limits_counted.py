"""What a draft's very limits find: the browser holds the counts of the drawing's points alone."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
from markupsafe import Markup

from dashboard.limits_asked import Asked
from dashboard.limits_sweep import counted_at, sent, swept
from dashboard.rule_card import RuleCard
from fdm.rule import Limits

COUNTS = ("x", "events", "now", "both", "certain", "possible", "assessed", "lower", "upper", "below", "above")
DECIDED = ("decided", "nuisance", "undecided")


def counted(here: pl.DataFrame, card: RuleCard, wanted: Asked, limits: Limits, number: object) -> Markup:
    """The counts, for the browser to read; nothing is shown.

    here     the landings asked about (analysis.stood)
    number   of the browser's question, by which it knows the answer
    """
    at = np.unique([x for x in limits if x is not None])
    whole = counted_at(swept(card, wanted.fleet, here), at)
    data = {name: values for name, values in sent(whole).items() if name in (*COUNTS, *DECIDED)}
    data["no"] = number if isinstance(number, int) else None
    return Markup('<i hidden data-counted="{}"></i>').format(json.dumps(data, separators=(",", ":")))
