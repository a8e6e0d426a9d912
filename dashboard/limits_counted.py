"""What a draft's very limits find: the browser holds the counts of the drawing's points alone."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
from markupsafe import Markup

from dashboard.limits_sweep import counted_at
from dashboard.rule_card import RuleCard
from fdm.rule import Limits


def counted(here: pl.DataFrame, card: RuleCard, limits: Limits, number: object) -> Markup:
    """The counts, for the browser to read; nothing is shown.

    here     the landings asked about (analysis.stood)
    number   of the browser's question, by which it knows the answer
    """
    at = np.unique([x for x in limits if x is not None])
    data = counted_at(card, here, at) | {"no": number if isinstance(number, int) else None}
    return Markup('<i hidden data-counted="{}"></i>').format(json.dumps(data, separators=(",", ":")))
