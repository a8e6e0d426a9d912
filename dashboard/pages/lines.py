"""The list of events: groups of lines by severity, each value among its limits; and what it says when it is empty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.held import Held
from dashboard.novelty import news
from dashboard.pages.frame import exports, nothing, pager, printed
from dashboard.query import ALL_WEEKS, Query
from dashboard.queue import (
    LINES_PER_PAGE,
    Group,
    Line,
    at_most_last,
    coverage,
    groups,
    next_open,
    set_aside,
    to_decide_of,
    verdicts,
    week_of,
)

COLUMNS = (
    ("", "Severity"),
    ("event", "Event"),
    ("aircraft", "Aircraft"),
    ("place", "Where, when"),
    ("worst", "Value (bounds)"),
)


def queue_list(
    held: Held, query: Query, *, decides: bool = False, gone: int = 0, weeks: Sequence[str] = (), flights: int = 0
) -> Markup:
    """The list: groups of lines by severity.

    gone       events that something was done about and that are none now
    weeks      weeks of landings or of flights flown, oldest first; those of landings when left out
    flights    flights flown under the filters
    """
    week = week_of(held, query)
    query = at_most_last(held, query)
    found = groups(held, query)
    if not found:
        return _empty(held, query, week, weeks or held.weeks, flights)
    heads = marks.joined(_column_head(key, name, query) for key, name in COLUMNS)
    scale_head = Markup('<span class="limit-heads" aria-label="Limits"><i>low</i><i>med</i><i>high</i></span>')
    body = marks.joined(_group(held, group, query, decides=decides) for group in found)
    lines = sum(group.total for group in found)
    return Markup(
        '{}<p class="tally"><span>{} in {}</span><span class="spring"></span>{}</p>'
        '<div class="rows" role="group" aria-label="Events"><div class="row column-heads">{}{}'
        "<span>Origin</span></div>{}</div>{}{}"
        '<p class="soft note">Limits stand at the same place in every line; each event keeps its own scale '
        "between them, closing up beyond.{}</p>"
    ).format(
        printed("Events", held, query, week),
        _tally(held, query, week, decides=decides),
        words.count(lines, "line"),
        exports("events", query) if decides else "",
        heads,
        scale_head,
        body,
        pager(lines, LINES_PER_PAGE, query, "lines") + _next_open(next_open(held, query) if decides else None),
        _below(held, query, week, decides=decides),
        _gone(gone),
    )


def _below(held: Held, query: Query, week: str, *, decides: bool) -> Markup:
    """What the list does not hold: landings not assessed; and what was decided so far."""
    found = coverage(held, query)
    missing = found.missing
    part = found.assessed - found.complete
    kept = {name: getattr(query, name) for name in ("fleet", "runway", "tail", "rule")}
    link = Query(week=week, **kept).link()
    said = f"by any rule, {part:,} in part." if not query.rule else "by this rule."
    silent = Markup('<p class="below">{} <b>Not assessed</b> {} <a href="/not-assessed{}">Show</a></p>').format(
        marks.HATCH, f"{words.count(missing, 'landing')} {said}", link
    )
    given = verdicts(held, query, week) if decides else {}
    told = ", ".join(f"{n:,} {names.VERDICT[verdict].lower()}" for verdict, n in given.items())
    return (silent if missing or part else Markup("")) + (
        Markup('<p class="below soft">Decided: {}.</p>').format(told) if told else Markup("")
    )


def _gone(n: int) -> Markup:
    if not n:
        return Markup("")
    said = f"{words.count(n, 'event')} that something was done about {'is' if n == 1 else 'are'} none now."
    return Markup(' {} <a href="/no-longer">Show</a>').format(said)


def _next_open(query: Query | None) -> Markup:
    """Where the key for the next to decide goes when this page has none left."""
    return (
        Markup('<a href="{}" data-next-open hidden></a>').format(query.link(page=query.page)) if query else Markup("")
    )


def _tally(held: Held, query: Query, week: str, *, decides: bool) -> Markup:
    """ "65 to decide of 96 events", whatever of them is shown."""
    to_decide, n = to_decide_of(held, query, week)
    if not decides:
        return Markup("<b>{}</b>").format(words.count(n, "event"))
    aside = set_aside(held, query, week) if query.passed == "" else 0
    more = Markup(', <a href="{}">{:,} set aside</a>').format(query.link(passed="snoozed", event=""), aside)
    told = Markup("<b>{:,} to decide</b> of {}").format(to_decide, words.count(n, "event"))
    return told + more if aside else told


def _column_head(key: str, name: str, query: Query) -> Markup:
    if not key:
        return Markup("<span>{}</span>").format(name)
    here = query.sort == key
    return Markup('<a href="{}"{}>{}</a>').format(
        query.link(sort=key, event=""), Markup(' aria-current="true"') if here else "", name
    )


def _group(held: Held, group: Group, query: Query, *, decides: bool) -> Markup:
    if not group.lines:
        return Markup("")
    events = words.count(group.events, "event")
    head = Markup('<h3 class="group">{} <span class="soft">{} in {}</span></h3>').format(
        marks.severity_words(group.severity),
        f"{group.to_decide:,} to decide of {events}" if decides else events,
        words.count(group.total, "line"),
    )
    return head + marks.joined(_row(held, line, query) for line in group.lines)


def _row(held: Held, line: Line, query: Query) -> Markup:
    event = line.event
    card = held.rules.get(event["rule"])
    limits = card.limits_for(event["fleet"]) if card else {}
    yes_or_no = card is not None and card.yes_or_no
    value = Markup('<b>{}</b> <span class="soft">{}</span>').format(
        *words.parts_of_event(event),
    )
    return Markup(
        '<a class="row" href="{}" data-event="{}" data-landing="{}"{}>'
        '<span class="sev-cell">{}</span><span class="title" title="{}"><span>{}</span>{}{}</span>'
        '<span>{}</span><span class="where">{}</span><span>{}</span>{}'
        '<span class="origin-cell">{} <i>{}</i></span></a>'
    ).format(
        query.link(event=event["event_id"]),
        event["event_id"],
        event["landing_id"],
        Markup(' data-verdict="{}"').format(event["verdict"]) if event["verdict"] else "",
        marks.severity_words(event["severity"], certain=event["certain"]),
        event["title"],
        event["title"],
        Markup(' <b class="times">×{}</b>').format(line.repeats) if line.repeats > 1 else "",
        _standing(event),
        event["tail"] or "unknown" if line.tails == 1 else f"{line.tails} aircraft",
        where_when(line, one_week=query.week != ALL_WEEKS),
        Markup('<span class="soft">yes</span>') if yes_or_no else value,
        Markup("<span></span>")
        if yes_or_no
        else marks.limit_column(event["at"], event["at_lower"], event["at_upper"], marks.drawn_levels(limits)),
        marks.origin(event["origin"], event["origin_confidence"]),
        names.ORIGIN_SHORT.get(event["origin"], event["origin"]),
    )


def _standing(event: dict[str, Any]) -> Markup:
    """What was decided, where it was passed on to, and whether it is new."""
    said = []
    if event["verdict"]:
        why = "Decided under another version of this rule" if event["rule_changed"] else ""
        verdict = names.VERDICT.get(event["verdict"], event["verdict"]) + (", rule changed" if why else "")
        said.append((verdict, why))
    said += [(text, "") for text in passed_on(event)]
    if event["new"] and not event["verdict"]:
        said.append(("new", news(event)))
    return marks.joined(
        Markup(' <i class="verdict"{}>{}</i>').format(Markup(' title="{}"').format(why) if why else "", text)
        for text, why in said
    )


def passed_on(event: dict[str, Any]) -> list[str]:
    """Where an event was passed on to, in a word or two each."""
    said = [f"to {event['assigned_to']}"] if event["assigned_to"] else []
    said += [topic for topic in ("maintenance", "training") if event[topic] == "open"]
    return said + (["released"] if event["in_debriefing"] else [])


def where_when(line: Line, *, one_week: bool) -> str:
    """ "Korsby 09L, Thu 12"; "6 landings, Mon–Sun" for repeats; dates alone in a list of many weeks."""
    event = line.event
    if line.first is None or line.last is None:
        return f"{event['place'] or 'Runway unknown'}, date unknown"
    if line.repeats == 1:
        day = f"{line.first:%a %-d}" if one_week else f"{line.first:%-d %b}"
        return f"{event['place'] or 'Runway unknown'}, {day}"
    if line.places == 1 and event["place"]:
        return f"{event['place']}, {words.span(line.first, line.last, one_week=one_week)}"
    dates = words.span(line.first, line.last, one_week=one_week)
    return f"{words.count(line.repeats, 'landing')}, {dates}" if one_week else dates


def not_there(held: Held, week: str) -> bool:
    """Whether a week was asked for that no landing of the archive is of."""
    return week != ALL_WEEKS and week not in held.weeks


def _no_such_week(query: Query, week: str, weeks: Sequence[str]) -> Markup:
    said = f"No landing of {words.week_name(week).lower()} of {week[:4]} is in this archive."
    return nothing(said, _to_week(query, "", weeks[-1], "the newest") if weeks else "")


def _not_recorded(held: Held, query: Query, week: str, flights: int) -> Markup:
    """Of a week that was flown, none was recorded."""
    in_week = words.week_name(week).lower()
    none = "none" if flights > 1 else "not"
    said = f"{words.count(flights, 'flight')} flown in {in_week}, {none} recorded."
    newest = _to_week(query, held.weeks[-1], held.weeks[-1], "the newest with landings") if held.weeks else ""
    return nothing(said if flights else f"No flight of {in_week} was recorded.", newest)


def _to_week(query: Query, asked: str, week: str, what: str) -> Markup:
    return Markup('<a href="{}">Show {}, {}</a>').format(
        query.link(week=asked, page=1, event=""), what, words.period(week).replace("W", "w", 1)
    )


def _empty(held: Held, query: Query, week: str, weeks: Sequence[str], flights: int) -> Markup:
    """Nothing in the list: say how much was looked at."""
    if not_there(held, week):
        return _not_recorded(held, query, week, flights) if week in weeks else _no_such_week(query, week, weeks)
    found = coverage(held, query)
    span = "in all weeks" if week == ALL_WEEKS else f"in {words.week_name(week).lower()}"
    under = f"{span} under these filters" if _narrowed(query) else span
    everything = Markup('<a href="{}">Show every event {}</a>').format(Query(week=query.week).link(), span)
    if not found.landings:
        return nothing(f"No landing {span} under these filters.", everything)
    looked = f"{words.count(found.assessed, 'landing')} assessed, {found.landings - found.assessed:,} not assessed."
    n = to_decide_of(held, query, week)[1]
    if query.decided and n:
        return nothing(f"{_none_so_decided(held, query, week, under)} {looked}", everything)
    if query.decided or _narrowed(query):
        return nothing(f"No event {under}.", everything)
    return nothing(f"No event {span}. {looked}")


def _narrowed(query: Query) -> bool:
    """Whether anything but the week and what was decided keeps events out of the list."""
    wide = Query(week=query.week, decided=query.decided, passed="any" if query.passed == "any" else "")
    return replace(query, sort="worst", lines="together", show="", page=1, event="") != wide


def _none_so_decided(held: Held, query: Query, week: str, under: str) -> str:
    """That none of the list is left to decide, or was decided, of how many; and what is left beyond the filters."""
    to_decide, n = to_decide_of(held, query, week)
    gone = "Nothing left to decide" if query.decided == "no" else "Nothing decided yet"
    aside = set_aside(held, query, week) if query.passed == "" else 0
    left = to_decide_of(held, Query(week=query.week), week)[0] if _narrowed(query) else 0
    more = (
        f" Without these filters, {words.count(left, 'event')} {'is' if left == 1 else 'are'} to decide."
        if left
        else ""
    )
    later = f" {aside:,} set aside." if aside else ""
    return f"{gone} {under}. {n - to_decide:,} of {words.count(n, 'event')} decided.{later}{more}"
