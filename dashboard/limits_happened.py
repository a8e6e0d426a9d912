"""Numbers of a rule that asks whether something happened: it has no limit to move, so they stand as they are."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from dashboard import marks, words
from dashboard.limits_asked import IN_FORCE, Asked, is_tried, limits_now
from dashboard.limits_lists import EVENTS, HATCHED, both_sides, in_force_told
from dashboard.limits_sweep import FEWEST_DECIDED, LEFT_OUT, decisions, left_out, used
from dashboard.rule_card import RuleCard
from fdm.statistics import rate_of_rule, wilson_interval


def numbers(chosen: pl.DataFrame, card: RuleCard, wanted: Asked, least: int = 0, head: str = IN_FORCE) -> Markup:
    """Events in force and with the condition that is tried, their rates, and nuisance among decisions.

    chosen    landings of analysis.stood
    least     numbers of landings below this are not told
    head      what stands over those in force (limits_asked.by_now)
    """
    said = both_sides(chosen, card, wanted, limits_now(card, wanted.fleet))
    was, now = (said[side].is_in(EVENTS) for side in ("was", "now"))
    counts = int(was.sum()), int(now.sum())
    of = [int(((said[side] == "within") | said[side].is_in(EVENTS)).sum()) for side in ("was", "now")]
    assessed = [f"{n:,}" for n in of]
    per = [words.rate_alone(rate_of_rule(n, landings)) for n, landings in zip(counts, of, strict=True)]
    if hides := not in_force_told(chosen, card, wanted, least):
        assessed[0] = per[0] = marks.HATCH
    level = marks.severity_words(used(card, wanted.fleet)[-1])
    rows = [
        _row(level, *counts, _signed("+", int((now & ~was).sum())), _signed("−", int((was & ~now).sum()))),
        _row("Assessed", *assessed, "", ""),
        _row("Per 1,000 (95 %)", *per, "", ""),
    ]
    return Markup(
        '<h2><b>Events</b> <span class="soft">yes or no</span></h2><table class="list-table tune-numbers"><thead><tr>'
        '<th><span class="spoken">What</span></th><th class="num">{}</th><th class="num">Draft</th>'
        '<th class="num">Gained</th><th class="num">Lost</th></tr></thead><tbody>{}</tbody></table>'
        '<p class="soft note">Exact interval of a share of landings (Clopper and Pearson).</p>{}{}'
    ).format(head, marks.joined(rows), HATCHED if hides else "", _nuisance(chosen, card, tried=is_tried(card, wanted)))


def _signed(sign: str, n: int) -> str:
    return f"{sign}{n:,}" if n else "0"


def _row(what: Markup | str, *cells: int | str) -> Markup:
    told = (f"{cell:,}" if isinstance(cell, int) else cell for cell in cells)
    return Markup("<tr><td>{}</td>{}</tr>").format(
        what, marks.joined(Markup('<td class="num">{}</td>').format(cell) for cell in told)
    )


def _nuisance(chosen: pl.DataFrame, card: RuleCard, *, tried: bool) -> Markup:
    kinds = {"All": chosen} | ({LEFT_OUT: left_out(chosen)} if tried else {})
    rows = marks.joined(_of_decided(title, decisions(rows, card)) for title, rows in kinds.items())
    return Markup(
        '<h2><b>Nuisance among decided events</b></h2><table class="list-table tune-numbers"><thead><tr>'
        '<th><span class="spoken">Events</span></th>'
        '<th class="num">Share (95 %)</th><th class="num">Decided</th><th class="num">Undecided</th></tr></thead>'
        '<tbody>{}</tbody></table><p class="soft note">Score interval of a share (Wilson).</p>'
    ).format(rows)


def _of_decided(title: str, found: dict[str, pl.DataFrame]) -> Markup:
    nuisance, of, undecided = (found[kind].height for kind in ("nuisance", "decided", "undecided"))
    return _row(title, share(nuisance, of), of, undecided)


def share(nuisance: int, of: int) -> str:
    """50 % (24–76); of fewer than ten, the numbers."""
    if of < FEWEST_DECIDED:
        return f"{nuisance} of {of}" if of else "none decided"
    low, high = wilson_interval(nuisance, of)
    return f"{nuisance / of * 100:.0f} % ({low * 100:.0f}–{high * 100:.0f})"
