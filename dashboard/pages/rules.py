"""The rules, as their files word them: what is measured, the limits, why, what they miss, and what they found."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
from dash import Dash, html
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.elements import Block
from dashboard.held import Held, can, distinct
from dashboard.pages.frame import changed_since, message
from dashboard.query import LEVELS, Query
from dashboard.queue import Tile, tiles
from dashboard.reasons import by_reason
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.statistics import Rate, rate_of_rule


def layout(store: Store, name: str, _search: str) -> html.Div:
    """The list of rules, or one rule."""
    held = store.held()
    if not name:
        return html.Div(Block("rules-list", rule_list(held), "sheet"), className="plain-page")
    card = held.rules.get(name)
    if card is None:
        return message("There is no such rule in this rule book.", "/rules", "All rules")
    return html.Div(Block("rule", rule_page(store, held, card), "sheet rule-page"), className="plain-page")


def register(_app: Dash, _store: Store) -> None:
    """The pages of rules need no callback."""


def rule_list(held: Held) -> Markup:
    """Every rule with its limits and what it found."""
    counts = _counts(held)
    body = marks.joined(
        _row(held, card, counts.get(card.name, {})) for card in sorted(held.rules.values(), key=lambda c: c.title)
    )
    heads = ("Rule", "Measured", "Low", "Medium", "High", "Events", "Per 1,000 (95 %)", "Not assessed")
    return Markup(
        '<div class="sheet-head"><h1>Rules</h1><p class="subject">{}</p></div>{}'
        '<table class="list-table rules"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>'
        '<p class="soft note">Shipped limits are starting points. The operator’s own manual decides.</p>'
    ).format(
        f"{held.run.get('rule_book', 'Rule book')}: {words.count(len(held.rules), 'rule')}, "
        f"{words.count(held.landings.height, 'landing')}",
        changed(held),
        marks.joined(
            Markup('<th class="{}">{}</th>').format(
                "num" if head in ("Low", "Medium", "High", "Not assessed") else "", head
            )
            for head in heads
        ),
        body,
    )


def changed(held: Held) -> Markup:
    """A warning when rule files are not those the archive was judged by."""
    if not held.changed_rules:
        return Markup("")
    titles = ", ".join(held.rules[name].title for name in held.changed_rules)
    return changed_since(titles)


def _counts(held: Held) -> dict[str, dict[str, int]]:
    """Per rule: landings assessed, not assessed and left out, events by severity."""
    found = {rule: {"assessed": int(held.landings.get_column(can(rule)).sum())} for rule in held.rules}
    for what, frame in (("missing", held.missing), ("left_out", held.left_out)):
        for rule, n in frame.group_by("rule").len().iter_rows():
            found.setdefault(rule, {})[what] = n
    for rule, severity, n in held.events.group_by("rule", "severity").len().iter_rows():
        found.setdefault(rule, {})[severity] = n
    return found


def _row(held: Held, card: RuleCard, counts: Mapping[str, int]) -> Markup:
    assessed, missing = counts.get("assessed", 0), counts.get("missing", 0)
    few = held.hides(missing) or held.hides(counts.get("left_out", 0))
    events = sum(counts.get(level, 0) for level in LEVELS)
    tail = (
        Markup('{:,} <span class="soft">of {:,}</span>').format(missing, assessed + missing)
        if missing and not few  # small, it came out of all less those assessed
        else _shown(held, missing)
        if missing
        else "none"
    )
    return Markup(
        '<tr><td><a href="/rules/{}">{}</a></td><td class="soft">{}</td>{}<td class="marks">{}</td>'
        '<td>{}</td><td class="num">{}</td></tr>'
    ).format(
        card.name,
        card.title,
        names.measure(card.measure),
        _limit_cells(card, card.limits),
        marks.joined(
            Markup('<span class="mark-count">{} {:,}</span>').format(marks.severity(level), counts[level])
            for level in LEVELS
            if counts.get(level)
        ),
        words.rate_alone(rate_of_rule(events, assessed)),
        tail,
    )


def _shown(held: Held, count: int) -> str:
    """A count, or only that it is too small to be shown to this reader."""
    return f"< {held.least}" if held.hides(count) else f"{count:,}"


def _limit_cells(card: RuleCard, limits: Mapping[str, float]) -> Markup:
    if card.yes_or_no:
        return Markup('<td class="soft" colspan="3">yes or no: {}</td>').format(_yes_or_no_level(limits))
    return marks.joined(
        Markup('<td class="num">{}</td>').format(limit_words(card, limits.get(level)))
        for level in ("low", "medium", "high")
    )


def _yes_or_no_level(limits: Mapping[str, float]) -> str:
    return names.SEVERITY[max(limits, key=LEVELS[::-1].index)]


def limit_words(card: RuleCard, limit: float | None) -> str:
    """ "> 5.0 s", or a dash where the level is not used."""
    if limit is None:
        return "–"
    return f"{'>' if card.direction == 'above' else '<'} {words.quantity(limit, card.unit)}"


def rule_page(store: Store, held: Held, card: RuleCard) -> Markup:
    """One rule in full."""
    query = Query(rule=card.name, week="all")
    return Markup(
        '<p class="crumb no-print"><a href="/rules">All rules</a></p><div class="sheet-head"><h1>{}</h1>'
        '<p class="subject">{}</p></div>{}'
        '<div class="rule-columns"><div>{}{}{}</div><div>{}{}{}</div></div>'
    ).format(
        card.title,
        f"Measures {names.measure(card.measure)}",
        changed(held),
        _texts(held, card),
        _measured(card),
        _limits(card),
        _found(held, tiles(held, query), query),
        _not_assessed(held, card) + _usual(store, held, card),
        _cases(card),
    )


def _texts(held: Held, card: RuleCard) -> Markup:
    parts = [
        ("Why it matters", card.why),
        ("What it can miss", card.misses),
        ("Procedure", card.procedure),
        ("Basis of the limits", card.basis),
        ("Only where", card.where.replace("_", " ")),
    ]
    return marks.joined(
        Markup('<h2><b>{}</b></h2><p class="prose">{}</p>').format(name, words.sentence(words.plain(text, held.titles)))
        for name, text in parts
        if text
    )


def _measured(card: RuleCard) -> Markup:
    """How the measure is defined, and the parameters it is taken from."""
    if not card.measured:
        return Markup("")
    needs = "; ".join(_either(need) for need in card.needs)
    return Markup('<h2><b>How it is measured</b></h2><p class="prose">{}</p>{}').format(
        words.sentence(words.plain(card.measured)),
        Markup('<h2><b>Parameters needed</b></h2><p class="prose">{}</p>').format(words.sentence(needs))
        if needs
        else "",
    )


def _either(need: str) -> str:
    each = [
        names.parameter(name.removesuffix(".N")).lower() + (" of each engine" if name.endswith(".N") else "")
        for name in need.split("|")
    ]
    return " or ".join(each)


def _cases(card: RuleCard) -> Markup:
    """The worked examples in the rule's file, which it must answer as they say."""
    if not card.cases:
        return Markup("")
    body = marks.joined(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td></tr>").format(
            words.sentence(words.plain(case.name)).rstrip("."), words.plain(case.given), _expected(case.expect)
        )
        for case in card.cases
    )
    return Markup(
        '<h2><b>Cases</b> <span class="soft">worked examples that the rule must answer so</span></h2>'
        '<table class="list-table small"><thead><tr><th>Case</th><th>Given</th><th>Outcome</th></tr></thead>'
        "<tbody>{}</tbody></table>"
    ).format(body)


def _expected(outcome: str) -> Markup:
    if outcome in LEVELS:
        return marks.severity_words(outcome)
    return Markup('<span class="soft">{}</span>').format(outcome.replace("_", " "))


def _limits(card: RuleCard) -> Markup:
    rows = [("Every fleet" if not card.limits_by_fleet else "Other fleets", card.limits), *card.limits_by_fleet.items()]
    body = marks.joined(
        Markup("<tr><th>{}</th>{}</tr>").format(fleet, _limit_cells(card, limits)) for fleet, limits in rows
    )
    return Markup(
        '<h2><b>Limits</b></h2><table class="list-table small"><thead><tr>'
        '<th><span class="spoken">Fleet</span></th><th class="num">Low</th>'
        '<th class="num">Medium</th><th class="num">High</th></tr></thead><tbody>{}</tbody></table>'
        '<p class="no-print"><a href="/limits/{}">Try other limits</a></p>'
    ).format(body, card.name)


def _found(held: Held, found: list[Tile], query: Query) -> Markup:
    total = sum(tile.events for tile in found)
    rows = marks.joined(
        Markup('<div class="tile">{}<p class="count">{:,}</p><p class="soft">{}</p>{}</div>').format(
            marks.severity_words(tile.severity),
            tile.events,
            _rate(held, rate_of_rule(tile.events, tile.rate.landings), query.rule),
            marks.rate_weeks(tile.severity, [(at, one) for at, one in tile.weeks if not held.hides(one.landings)]),
        )
        for tile in found
    )
    link = (
        Markup('<a href="/{}">{} in all weeks</a>').format(query.link(), words.count(total, "event"))
        if total
        else "No event so far."
    )
    return Markup('<h2><b>Found</b> <span class="soft">{}</span></h2><div class="tiles">{}</div>').format(link, rows)


def _apart(held: Held, rule: str) -> bool:
    """Whether all landings less those assessed would tell how few a rule was not assessed on, or is not for."""
    missing, out = (frame.filter(pl.col("rule") == rule).height for frame in (held.missing, held.left_out))
    return held.hides(missing) or held.hides(out)


def _rate(held: Held, found: Rate, rule: str) -> str:
    """A rate, with how many were assessed unless that would tell how few were not."""
    if held.hides(held.landings.height - found.landings) or _apart(held, rule):
        return words.TOO_FEW if words.too_few(found) else f"{words.rate_alone(found)} per 1,000 assessed"
    return words.rate(found)


def _not_assessed(held: Held, card: RuleCard) -> Markup:
    reasons = by_reason(held.missing.filter(pl.col("rule") == card.name), held)
    if not reasons:
        which = " that it is for" if held.left_out.filter(pl.col("rule") == card.name).height else ""
        return Markup('<h2><b>Not assessed</b></h2><p class="prose">Every landing{} was assessed.</p>').format(which)
    body = marks.joined(
        Markup('<tr><td>{} {}</td><td class="num">{}</td></tr>').format(
            marks.HATCH, words.sentence(r.sentence), _shown(held, r.landings)
        )
        for r in reasons
    )
    return Markup(
        '<h2><b>Not assessed</b></h2><table class="list-table small"><thead><tr><th>Reason</th>'
        '<th class="num">Landings</th></tr></thead>'
        "<tbody>{}</tbody></table>"
    ).format(body)


def _usual(store: Store, held: Held, card: RuleCard) -> Markup:
    fleets = distinct(held.landings, "fleet")
    spreads = [(fleet, store.spread(card.measure, fleet)) for fleet in fleets]
    known = [(fleet, spread) for fleet, spread in spreads if spread and not held.hides(spread["n"])]
    if card.yes_or_no or not known:
        return Markup("")
    body = marks.joined(
        Markup(
            '<tr><td>{}</td><td class="num">{}</td><td class="num">{}</td><td class="num">{}</td>'
            '<td class="num">{:,}</td></tr>'
        ).format(fleet, *(words.quantity(spread[key], card.unit) for key in ("low", "mid", "high")), spread["n"])
        for fleet, spread in known
    )
    return Markup(
        '<h2><b>What is usual</b> <span class="soft">in the fleet’s measured landings</span></h2>'
        '<table class="list-table small"><thead><tr>'
        '<th>Fleet</th><th class="num">5 %</th><th class="num">Median</th><th class="num">95 %</th>'
        '<th class="num">Landings</th></tr></thead>'
        "<tbody>{}</tbody></table>"
    ).format(body)
