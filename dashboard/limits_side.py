"""What stands beside the drawing of limits: the limits themselves, which landings, what was assessed, and saving."""

from __future__ import annotations

import json
from datetime import datetime

import polars as pl
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.conditions_help import columns_help
from dashboard.held import Held, distinct
from dashboard.limits_asked import IN_FORCE, Asked, by_now, is_tried, limits_now, movable
from dashboard.limits_lists import month_name
from dashboard.limits_sweep import LEFT_OUT, used
from dashboard.pages.frame import options
from dashboard.reasons import by_reason
from dashboard.rule_card import RuleCard
from fdm.conditions import LONGEST
from fdm.people.texts import NOTE

REASONS_TOLD = 4
EVERY = "every landing"
NOT_FOR = Markup(' <span class="soft">the rule does not apply</span>')


def rules(held: Held) -> Markup:
    """Every rule whose limits can be tried."""
    body = marks.joined(
        Markup(
            '<tr><td><a href="/limits/{}">{}</a></td><td class="soft">{}</td><td class="num">{}</td>'
            '<td class="num">{}</td><td class="num">{}</td></tr>'
        ).format(
            card.name,
            card.title,
            names.measure(card.measure),
            *(words.quantity(card.limits[level], card.unit) if level in card.limits and movable(card) else "–"
              for level in ("low", "medium", "high")),
        )
        for card in sorted(held.rules.values(), key=lambda c: c.title)
    )  # fmt: skip
    return Markup(
        '<div class="sheet-head"><h1>Limits</h1><p class="subject">Try other limits of a rule on '
        "every landing. Nothing "
        "is changed until a new version is saved and brought into force.</p></div><table "
        'class="list-table rules"><thead>'
        '<tr><th>Rule</th><th>Measured</th><th class="num">Low</th><th class="num">Medium</th><th class="num">High</th>'
        "</tr></thead><tbody>{}</tbody></table>"
    ).format(body)


def side(held: Held, card: RuleCard, wanted: Asked) -> Markup:
    """Title, the limits to type, and which landings are looked at."""
    fleets = distinct(held.landings, "fleet")
    places = distinct(held.landings, "place")
    return Markup(
        '<p class="crumb"><a href="/limits">All limits</a> <a href="/rules/{}">The rule</a></p><h1>{}</h1>'
        '<p class="finding">{}</p>{}<p class="tune-resolves" data-slot="resolves"></p>'
        '<h2><b>Landings</b></h2><div class="tune-filters"><span>Fleet</span>{}<span>Runway</span>{}'
        "<span>Month</span>{}</div>"
    ).format(
        card.name,
        card.title,
        words.sentence(names.measure(card.measure)[:1].upper() + names.measure(card.measure)[1:]),
        _limit_fields(card, wanted.fleet, by_now(held, card)),
        options("fleet", "Fleet", _every(card), fleets, wanted.fleet),
        options("runway", "Runway", "Every runway", places, wanted.place),
        options("month", "Month", "Every month", [(m, month_name(m)) for m in months(held)], wanted.month),
    )


def on_paper(held: Held, card: RuleCard) -> Markup:
    """On paper alone: the rule, the rule book, and when; the browser says on what day it is printed."""
    judged = str(held.run.get("detected_utc", ""))[:10]
    return Markup(
        '<p class="print-only"><b>Limits, {}</b><br>{}{}. Printed on <span data-slot="printed"></span>.</p>'
    ).format(
        card.title,
        held.run.get("rule_book", ""),
        f", landings judged on {datetime.fromisoformat(judged):%-d %b %Y}" if judged else "",
    )


def _every(card: RuleCard) -> str:
    return "Every fleet without its own limits" if card.limits_by_fleet else "Every fleet"


def months(held: Held) -> list[str]:
    """Months that hold a landing, newest first."""
    return held.landings.get_column("month").drop_nulls().unique().sort(descending=True).to_list()


def _limit_fields(card: RuleCard, fleet: str, now: str) -> Markup:
    if not movable(card):
        return Markup('<p class="soft">Yes or no: there is no limit to move.</p>')
    own = limits_now(card, fleet)
    rows = marks.joined(
        Markup(
            '<tr><td>{1}</td><td class="num soft" data-slot="now-{0}">{2}</td><td class="num"><input name="limit-{0}" '
            'data-limit="{0}" value="{5}" disabled inputmode="decimal" autocomplete="off" '
            'aria-label="{3} limit, draft"><i>{4}</i></td></tr>'
        ).format(
            level,
            marks.severity_words(level),
            words.quantity(getattr(own, level), card.unit),
            names.SEVERITY[level],
            words.sign(card.unit).strip(),
            _plain(card, getattr(own, level)),
        )
        for level in used(card, fleet)
    )
    return Markup(
        '<table class="tune-limits"><thead><tr><th>{}</th><th class="num">{}</th><th class="num">Draft</th></tr>'
        '</thead><tbody>{}</tbody></table><p class="tune-back"><button type="button" data-tune-back '
        "disabled>Back to the "
        'limits in force</button></p><p class="tune-hint" role="status" data-slot="hint"></p>'
    ).format("Beyond" if card.direction == "above" else "Under", now, rows)


def _plain(card: RuleCard, limit: float) -> str:
    """A limit as it is typed: without the unit and marks of thousands."""
    return words.number(limit, card.unit).replace(",", "").replace("−", "-")


def without_numbers(card: RuleCard, wanted: Asked, why: Markup) -> Markup:
    """Why nothing is counted, in the place of the drawing; with the limits in force that the browser shows then."""
    own = limits_now(card, wanted.fleet)
    levels = used(card, wanted.fleet) if movable(card) else []
    now = {level: (words.quantity(x, card.unit), _plain(card, x)) for level in levels for x in [getattr(own, level)]}
    return Markup('<div data-none="{}">{}</div>').format(json.dumps(now), why)


def facts(held: Held, card: RuleCard, wanted: Asked, found: pl.DataFrame) -> Markup:
    """How many of these landings the rule is for and were assessed, by the limits in force and the condition that is
    tried, and why the others were not. `found` is analysis.stood with reasons that may be shown."""
    left_out = int(found["not_for"].sum())
    landings, assessed = found.height - left_out, found["reason"].null_count()
    missing = found.filter(pl.col("reason").is_not_null() & ~pl.col("not_for")).with_columns(rule=pl.lit(card.name))
    rows = [
        ("Left out", _number(held, left_out) + NOT_FOR) if left_out else None,
        ("Assessed", Markup("<b>{:,}</b>{}").format(assessed, _of(held, assessed, landings))),
        ("Not assessed", _number(held, landings - assessed)),
    ]
    told = marks.joined(
        Markup("<li>{} <b>{}</b></li>").format(sentence, "" if n is None else f"{n:,}")
        for sentence, n in _reasons_told(held, [(r.sentence, r.landings) for r in by_reason(missing, held)])
    )
    return Markup('{}<dl class="tune-facts">{}</dl><ul class="tune-why soft">{}</ul>').format(
        _tried(card, wanted.where or EVERY) if is_tried(card, wanted) else "",
        marks.joined(Markup("<dt>{}</dt><dd>{}</dd>").format(*row) for row in rows if row),
        told,
    )


def _tried(card: RuleCard, where: str) -> Markup:
    return Markup(
        '<p class="tune-tried"><b>Condition tried</b> {} <span class="soft">(in force: {})</span></p>'
    ).format(where, card.where or EVERY)


def _number(held: Held, n: int) -> Markup:
    hatch = marks.HATCH if n else ""
    return Markup("{} {}").format(hatch, f"fewer than {held.least}" if held.hides(n) else f"{n:,}")


def _of(held: Held, assessed: int, landings: int) -> str:
    """Of how many, unless that would tell how few were not assessed."""
    return "" if held.hides(landings - assessed) else f" of {words.count(landings, 'landing')}"


def _reasons_told(held: Held, reasons: list[tuple[str, int]]) -> list[tuple[str, int | None]]:
    """The first reasons, and the others in one number, so that all add up; None for a number that is too small, or
    that would tell one."""
    told = [(words.sentence(said).rstrip("."), n) for said, n in reasons[:REASONS_TOLD] if not held.hides(n)]
    left = sum(n for _, n in reasons) - sum(n for _, n in told)
    if not held.hides(left):
        return [*told, *([("Other reasons", left)] if left else [])]
    return [*told[:-1], *((said, None) for said, _ in told[-1:]), ("Other reasons", None)]


def condition_in(card: RuleCard, wanted: Asked) -> str:
    """The condition that stands in the box: the one asked for, else the rule's own."""
    return card.where if wanted.where is None else wanted.where


def condition_box(card: RuleCard, wanted: Asked) -> Markup:
    """The condition of the rule, to be edited; what is said of it stands right under it."""
    return Markup(
        '<p class="soft">Only landings on which this holds are judged by this rule. Empty: every landing.</p>'
        '<textarea name="where" data-condition maxlength="{}" rows="3" spellcheck="false" aria-label="Condition" '
        'placeholder="bounces = 0 AND touchdown_ground_speed_kt &gt; 60" data-now="{}">{}</textarea>'
    ).format(LONGEST, card.where, condition_in(card, wanted))


def condition_ways(wanted: Asked) -> Markup:
    """What can be done with the condition that stands in the box, and the names that may stand in it."""
    return Markup(
        '<p class="tune-hint" role="status" data-slot="untried"></p>'
        '<p><button type="button" data-tune-try>Try on these landings</button> '
        '<button type="button" class="quiet" data-tune-own{}>Back to the rule’s own</button></p>{}'
    ).format(Markup("") if wanted.where is not None else Markup(" hidden"), columns_help())


def saving(card: RuleCard, builds_on: Markup) -> Markup:
    """Name and reason of a new version, and what it builds on."""
    return Markup(
        '<form class="tune-save" data-rule="{}" data-every="{}"{} autocomplete="off">'
        "<h2><b>Save as a new version</b></h2>"
        '<input name="name" maxlength="40" placeholder="Name, such as 13 or winter 2026" '
        'aria-label="Name of the version">'
        '<textarea name="reason" maxlength="{}" rows="3" placeholder="Reason for the change" '
        'aria-label="Reason for the change"></textarea><div class="tune-base" data-base>{}</div>'
        '<p><button type="button" data-tune-ask="check" disabled>Show what changes</button> '
        '<button type="button" data-tune-ask="save" disabled>Save version</button></p>'
        '<p class="note" data-slot="scope"></p><p class="tune-hint" role="status" data-slot="unsaved"></p>'
        '<p class="soft note">No rule book is '
        "edited. Decisions stay with the version they were made under.</p></form>"
    ).format(card.name, _every(card), Markup(" data-by-fleet") if movable(card) else "", NOTE, builds_on)


_ALL = Markup(
    '<tr><td><b>All events</b></td><td class="num" data-slot="events-now-all"></td><td class="num"><b '
    'data-slot="events-draft-all"></b></td><td class="num" data-slot="gained-all"></td>'
    '<td class="num" data-slot="lost-all"></td></tr>'
    '<tr><td>Assessed</td><td class="num" data-slot="assessed-now"></td>'
    '<td class="num" data-slot="assessed-draft"></td><td></td><td></td></tr>'
)


def numbers(card: RuleCard, wanted: Asked, now: str = IN_FORCE) -> Markup:
    """Tables that the browser fills while a limit moves; `now` stands over what is in force (limits_asked.by_now)."""
    if not movable(card):
        return Markup("")
    levels = used(card, wanted.fleet)[::-1]
    events = (
        marks.joined(
            Markup(
                '<tr><td>{1}</td><td class="num" data-slot="events-now-{0}"></td><td class="num"><b '
                'data-slot="events-draft-{0}"></b></td><td class="num" data-slot="gained-{0}"></td>'
                '<td class="num" data-slot="lost-{0}"></td></tr>'
            ).format(level, marks.severity_words(level))
            for level in levels
        )
        + _ALL
    )
    beyond = marks.joined(
        Markup(
            '<tr><td>{1}</td><td class="num" data-slot="certain-{0}"></td><td class="num">'
            '<b data-slot="beyond-{0}"></b></td><td class="num" data-slot="possible-{0}"></td>'
            '<td class="num"><span data-slot="rate-{0}"></span> '
            '<span class="line soft" data-slot="of-{0}"></span></td></tr>'
        ).format(level, marks.severity_words(level))
        for level in levels
    )
    return Markup(
        '<p class="finding" role="status" aria-live="polite" data-slot="finding"></p>'
        '<h2><b>Events</b> <span class="soft" data-slot="assessed"></span></h2>'
        '<table class="list-table tune-numbers"><thead><tr>'
        '<th><span class="spoken">Severity</span></th><th class="num">{}</th><th class="num">Draft'
        '</th><th class="num">Gained</th><th class="num">Lost</th></tr></thead><tbody>{}</tbody></table>'
        '<p class="soft note">A severity also gains and loses events that only changed their severity; all events gain '
        "those that are new and lose those that are none any more. Assessed: landings of which the rule can tell.</p>"
        '<h2><b>Beyond each limit of the draft</b></h2><table class="list-table tune-numbers"><thead><tr>'
        '<th><span class="spoken">Limit</span></th>'
        '<th class="num">Certain</th><th class="num">Events</th><th class="num">Possible</th>'
        '<th class="num">Per 1,000 (95 %)</th></tr></thead>'
        '<tbody>{}</tbody></table><p class="soft note">Certain: beyond it by the nearer bound too. Possible: events, '
        "and landings within it whose further bound, of any engine, is beyond. The rate is of events, of the landings "
        "of which that limit can tell; exact interval of a share (Clopper and Pearson).</p>"
        '<h2><b>Nuisance among decided events</b></h2><table class="list-table tune-numbers">'
        '<thead><tr><th><span class="spoken">Events</span></th><th class="num">Share (95 %)</th>'
        '<th class="num">Decided</th><th class="num">Undecided</th>'
        '</tr></thead><tbody>{}</tbody></table><p class="soft note">All: every decision on the landings '
        "judged, also on what was an event under earlier limits. Undecided: events in force. Landings that no rule "
        "found were never decided. Score interval of a share (Wilson).</p>"
    ).format(now, events, beyond, _share_rows(card, levels))


def _share_rows(card: RuleCard, levels: list[str]) -> Markup:
    rows = [("all", "All")]
    for level in levels:
        inside = "within" if card.direction == "above" else "over"
        beyond = "beyond" if card.direction == "above" else "under"
        rows += [
            (f"beyond-{level}", f"{beyond} {names.SEVERITY[level]}"),
            (f"within-{level}", f"{inside} {names.SEVERITY[level]}"),
        ]
    rows.append(("left", LEFT_OUT))
    return marks.joined(
        Markup(
            '<tr><td>{1}</td><td class="num" data-slot="share-{0}"></td><td class="num" data-slot="decided-{0}"></td>'
            '<td class="num soft" data-slot="undecided-{0}"></td></tr>'
        ).format(key, title[:1].upper() + title[1:])
        for key, title in rows
    )
