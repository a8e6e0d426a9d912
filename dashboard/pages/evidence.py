"""One event, read beside the list: the finding, where it stands, what it may come from, and its traces."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard import figures, marks, names, officers, words
from dashboard.held import can
from dashboard.novelty import news
from dashboard.pages.frame import changed_since, nothing
from dashboard.query import Query
from dashboard.queue import REPEATS, at_most_last, first_event, place_of, repeats_of
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.statistics import rate_of_rule

REPEATS_NAMED = 6


def shown(store: Store, query: Query) -> tuple[str, str, Any]:
    """Markup above the traces, below them, and their figure, for the event that the address names."""
    event = event_of(store, query)
    if event is None and query.event:
        return str(nothing(_gone(store, query.event))), "", None
    if event is None:
        return "", "", None
    landing_id, card = event["landing_id"], _card(store, event)
    figure = figures.around_event(store.traces_of(landing_id), store.instants_of(landing_id), event, card)
    return str(event_markup(store, event, query)), str(more_markup(store, event)), figure


def _gone(store: Store, event_id: str) -> str:
    """Why an event is not here."""
    known = officers.no_longer(store).filter(pl.col("event_id") == event_id)
    if known.is_empty():
        return "This event is not in the archive. It may have come from other limits, or from recordings since removed."
    row = known.row(0, named=True)
    title = store.held().titles.get(row["rule"], row["rule"] or "Event")
    return f"{title}: {words.sentence(row['says'])} What was said of it stays below."


def event_of(store: Store, query: Query) -> dict[str, Any] | None:
    """The event that the address names, else the first of the list."""
    if query.event:
        return store.event(query.event)
    held = store.reviewed()
    return first_event(held, at_most_last(held, query))


def _card(store: Store, event: dict[str, Any]) -> RuleCard | None:
    return store.held().rules.get(event["rule"])


def head(store: Store, query: Query) -> Markup:
    """Above the event: how severe, its line in the list as that stands now, and the ways from here."""
    event = event_of(store, query)
    if event is None:
        return Markup("")
    return Markup(
        '<p class="standing">{}<span><b>{}</b><span class="soft">, {}</span></span>{}</p>'
        '<span class="spring"></span><a class="back" href="/">Back to the list</a>'
        '<span class="step no-print"><button type="button" class="quiet" data-move="-1">Up <kbd>K</kbd></button>'
        '<button type="button" class="quiet" data-move="1">Down <kbd>J</kbd></button></span>'
        '<a class="button no-print" href="/landing/{}?event={}" data-open>Whole landing <kbd>O</kbd></a>'
    ).format(
        marks.severity(event["severity"], certain=event["certain"]),
        names.SEVERITY[event["severity"]],
        words.standing(event),
        _line(store, event, query),
        event["landing_id"],
        event["event_id"],
    )


def event_markup(store: Store, event: dict[str, Any], query: Query) -> Markup:
    """Everything about the event but its head and its traces. `query`: the list that it is read beside."""
    card = _card(store, event)
    title = card.title if card else event["rule"]
    yes_or_no = card is not None and card.yes_or_no
    where = ", ".join(
        part for part in (event["tail"], event["fleet"], event["place"], words.moment(event["touchdown_utc"])) if part
    )
    scale = Markup("")
    if event["rule"] in store.held().changed_rules:  # its limits are not those that this was judged by
        scale = changed_since(title)
    elif card and not yes_or_no:
        scale = marks.limit_scale(
            event,
            card.limits_for(event["fleet"]),
            event["unit"],
            card.direction,
            store.spread(event["measure"], event["fleet"]),
        )
    return Markup('<h1>{}</h1><p class="subject">{}</p><p class="finding">{}</p>{}{}').format(
        title,
        where,
        marks.unbroken(words.finding(event, title, card.direction if card else "above", yes_or_no=yes_or_no)),
        scale,
        fact_list(
            [
                ("Likely origin", origin_words(event)),
                ("When", _when(event)),
                ("Cost", words.cost_fact(store.cost_of(event["event_id"]))),
                ("Same landing", _same_landing(store, event)),
                ("Same aircraft", _same_aircraft(store, event)),
                ("New", f"{news(event)}." if event["new"] else ""),
                ("Repeats", _repeats(store, event, query)),
            ]
        ),
    )


def more_markup(store: Store, event: dict[str, Any]) -> Markup:
    """What to know beside the traces: the procedure, what can mislead, and the recording."""
    card = _card(store, event)
    titles = store.held().titles
    return fact_list(
        [
            ("Procedure", words.plain(card.procedure, titles) if card else ""),
            ("Why it matters", words.plain(card.why, titles) if card else ""),
            ("Can mislead", words.plain(card.misses, titles) if card else ""),
            ("Limits", words.sentence(card.basis) if card else ""),
            ("Recording", " ".join(words.sentence(words.plain(fault)) for fault in event["quality"] or [])),
        ]
    )


def fact_list(facts: list[tuple[str, Markup | str]]) -> Markup:
    """Named facts; empty ones are left out."""
    rows = marks.joined(Markup("<dt>{}</dt><dd>{}</dd>").format(name, fact) for name, fact in facts if fact)
    return Markup('<dl class="facts">{}</dl>').format(rows)


def origin_words(event: Mapping[str, Any]) -> Markup:
    """Where an event most likely comes from, with its evidence in sentences."""
    where, confidence = event["origin"], event["origin_confidence"]
    said = names.ORIGIN.get(where, where) + (", possibly" if confidence == "possible" else "")
    return Markup("{} {}. {}").format(marks.origin(where, confidence), said, words.evidence(event["evidence"] or []))


def _when(event: dict[str, Any]) -> str:
    at, speed = words.after_touchdown(event["at_s"]), event["ground_speed_kt"]
    if not at:
        return ""
    return at[0].upper() + at[1:] + (f", {words.quantity(speed, 'kt')} ground speed" if speed is not None else "")


def _same_landing(store: Store, event: dict[str, Any]) -> Markup:
    others = store.events_of(event["landing_id"]).filter(pl.col("event_id") != event["event_id"])
    if others.is_empty():
        return Markup("No other event.")
    return Markup("<br>").join(
        Markup("{} {}{}").format(
            marks.severity(other["severity"], certain=other["certain"]), other["title"], _value(store, other)
        )
        for other in others.head(4).iter_rows(named=True)
    )


def _value(store: Store, event: dict[str, Any]) -> Markup:
    """ ", 4.0 s (3.7–4.3)"; nothing where the event says yes or no."""
    card = _card(store, event)
    if card is not None and card.yes_or_no:
        return Markup("")
    return Markup(', {} <span class="soft">{}</span>').format(
        *words.parts_of_event(event),
    )


def _line(store: Store, event: dict[str, Any], query: Query) -> Markup:
    """Its line in the list beside, and the way to it when another page of the list is shown."""
    held = store.reviewed()
    place = place_of(held, query, event)
    if place is None:
        return Markup('<span class="soft">not in this list</span>') if query.event else Markup("")
    said = f"line {place.line:,} of {place.lines:,}"
    if place.page == at_most_last(held, query).page:
        return Markup('<span class="soft">{}</span>').format(said)
    return Markup('<a class="soft" href="{}">{}</a>').format(query.link(page=place.page), said)


def _repeats(store: Store, event: dict[str, Any], query: Query) -> Markup | str:
    """The other events of the line, each a way to it."""
    others = repeats_of(store.reviewed(), event, query)
    if others.is_empty():
        return ""
    links = Markup(", ").join(
        Markup('<a href="{}">{} {}</a>{}').format(
            query.link(event=other["event_id"], page=query.page),
            words.day(other["touchdown_utc"]),
            other["tail"] if query.lines != "together" else other["place"] or "",
            Markup(' <span class="soft">{}</span>').format(names.VERDICT[other["verdict"]]) if other["verdict"] else "",
        )
        for other in others.head(REPEATS_NAMED).iter_rows(named=True)
    )
    more = others.height - REPEATS_NAMED
    rest = Markup(' <span class="soft">and {:,} more</span>').format(more) if more > 0 else Markup("")
    return links + rest + (_alone(event, others, query) if store.desk else "")


def _alone(event: dict[str, Any], others: pl.DataFrame, query: Query) -> Markup:
    """The way to a list of the repeats alone, where they are decided alike; nothing when fewer than two are left."""
    if others.get_column("verdict").null_count() + (event["verdict"] is None) < 2:
        return Markup("")
    same = {"tail": "tail", "place": "runway"}
    kept = {same[name]: event[name] or "" for name in REPEATS.get(query.lines, REPEATS["together"]) if name in same}
    link = query.link(rule=event["rule"], lines="single", decided="no", event="", **kept)
    return Markup('. <a href="{}">List them to decide alike</a>').format(link)


def _same_aircraft(store: Store, event: dict[str, Any]) -> str:
    if not event["tail"]:
        return ""
    held = store.held()
    if can(event["rule"]) not in held.landings.columns:
        return ""
    same = pl.col("fleet").eq_missing(pl.lit(event["fleet"])) & pl.col(can(event["rule"]))
    fleet = held.landings.lazy().filter(same).select("tail").collect()
    such = pl.col("fleet").eq_missing(pl.lit(event["fleet"])) & (pl.col("rule") == event["rule"])
    events = held.events.lazy().filter(such).select("tail").collect()
    mine = events.filter(pl.col("tail") == event["tail"]).height
    landings = fleet.filter(pl.col("tail") == event["tail"]).height
    return f"{_such(mine, landings)}; fleet {_such(events.height, fleet.height)}."


def _such(events: int, landings: int) -> str:
    """ "196 per 1,000 (94–339), 9 such events in 46 landings"."""
    per, _, between = words.rate_alone(rate_of_rule(events, landings)).partition(" (")
    among = f"{words.count(events, 'such event')} in {words.count(landings, 'landing')}"
    return f"{per} per 1,000{f' ({between}' if between else ''}, {among}" if landings else among
