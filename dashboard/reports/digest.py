"""The digest of a week for the safety review: three pages of A4, from the data in digest_data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.health_marks import presence
from dashboard.novelty import FEWEST_BEFORE
from dashboard.reports import multiples
from dashboard.reports.digest_data import Digest
from dashboard.reports.paper import CAUTION, Sheet, document, heading
from dashboard.reports.weekly import Given, Kind, Place, Share, Week

MOST_KINDS = 18
BLANK_QUESTIONS = 4
BAR_PX = 130
NONE_ASSESSED = "no landing was assessed"
MUCH = 0.2  # of the week's high and medium events, on one aircraft
METHODS = (
    "Rates of one kind: Clopper and Pearson’s exact interval; other rates: Garwood’s. Shares: Wilson’s score interval. "
    "Usual range: u-chart with three-sigma limits over the weeks shown (NIST/SEMATECH e-Handbook 6.3.3.1), from six "
    "weeks on. Slopes: Theil and Sen. Runway given away: a point mass fitted to each landing and replayed with the "
    "device on time. "
)


def html(of: Digest) -> str:
    """The digest as one HTML file."""
    left = Markup("<b>Rollout Watch</b> digest of a week for the safety review")
    right = f"{words.week_name(of.week.week)}, {words.week_days(of.week.week)}"
    foot = f"Limits: {of.rule_book}. Intervals 95 % unless said otherwise."
    return document(
        f"Digest {of.week.week}", [Sheet(left, right, body(of), foot) for body in (_first, _second, _third)]
    )


# first page: what the week comes to ------------------------------------------------------------------------------


def _first(of: Digest) -> Markup:
    week = of.week
    weeks = words.count(len(week.kinds[0].weeks) if week.kinds else 0, "week")
    span = f"{weeks}, one scale; line: the weeks before; ring: outside limits"
    return Markup(
        '<h1>{}</h1><p class="finding">{}</p><div class="two"><div>{}{}</div><div>{}{}</div></div>{}{}{}{}'
    ).format(
        headline(of),
        lead(of),
        heading("Landings", words.count(week.tails, "aircraft", "aircraft")),
        _landings(of),
        heading("Events", f"per 1,000 of {week.assessed.part:,} assessed" if week.assessed.part else NONE_ASSESSED),
        _severities(of),
        heading("Rate by kind", f"events per 1,000 assessed landings, {span}") if week.kinds else "",
        multiples.drawing(week.kinds),
        heading("Kinds, severities and decisions", _decided(week.decided, week.to_decide)),
        _kinds(week),
    )


def headline(of: Digest) -> str:
    """The result in a line."""
    week = of.week
    risen = [kind for kind in week.kinds if kind.signal == "above"]
    if risen:
        more = f", and {words.count(len(risen) - 1, 'other kind')}," if len(risen) > 1 else ""
        return f"“{risen[0].title}”{more} rose above the usual range"
    higher = sum(s.events for s in week.severities if s.severity in ("high", "medium"))
    if week.aircraft and week.aircraft[0].rate.events >= max(3, MUCH * higher):
        return f"{week.aircraft[0].name} had {week.aircraft[0].rate.events} of the {higher} high and medium events"
    if not week.landings:
        return _flown_in_vain(of) or "No landing was recorded"
    if not week.assessed.part:
        return "No landing could be assessed"
    if week.kinds and all(kind.usual is None for kind in week.kinds):
        return f"{words.count(higher, 'high or medium event')} in {words.count(week.landings, 'landing')}"
    return "No rate left its usual range" if week.kinds else "No event"


def _flown_in_vain(of: Digest) -> str:
    """ "121 flights were flown, none recorded"; nothing where that is not known of this week."""
    if not of.recovery or not of.recovery_of_week or not of.recovery.whole:
        return ""
    flights = of.recovery.whole
    return f"{words.count(flights, 'flight')} {'was' if flights == 1 else 'were'} flown, none recorded"


def lead(of: Digest) -> str:
    """The counts, and what they leave open, in sentences."""
    week = of.week
    if not week.landings:
        return f"No landing of {_week(week.week)} is in the archive, so none was assessed."
    if not week.assessed.part:
        return f"Of {words.count(week.landings, 'landing')}, none was assessed."
    counts = ", ".join(f"{s.events:,} {s.severity}" for s in week.severities[:-1])
    low = week.severities[-1]
    all_ = "all" if week.assessed.part == week.landings else f"{week.assessed.part:,}"
    said = [
        f"Of {words.count(week.landings, 'landing')}, {all_} were assessed.",
        f"They held {counts} and {low.events:,} low events.",
    ]
    metres = sum(row.metres for row in of.given_by_fleet)
    if metres >= 100:
        landings = sum(row.landings for row in of.given_by_fleet)
        away = f"{round(metres, -1):,.0f} m of runway in {words.count(landings, 'landing')}"
        said.append(f"Late or missing devices gave away about {away}.")
    new = sum(week.new.values())
    if new:
        said.append(
            f"{words.count(new, 'event')} {'was' if new == 1 else 'were'} new on the aircraft or at the runway."
        )
    return " ".join(said)


def _week(week: str) -> str:
    """ "week 48 of 2026"."""
    return f"{words.week_name(week).lower()} of {week[:4]}"


def _landings(of: Digest) -> Markup:
    week = of.week
    rows = [
        _bar("Recorded", week.landings, week.landings, ""),
        _bar("Assessed", week.assessed.part, week.landings, share(week.assessed)),
        _bar("By every rule", week.complete.part, week.landings, share(week.complete)),
    ]
    told = "; ".join(f"{words.plain(reason)} ({n:,})" for reason, n in week.reasons)
    notes = [f"Not assessed: {told}." if told else ""]
    if of.recovery:
        found = of.recovery
        flown = "flown this week" if of.recovery_of_week else "flown"
        notes.append(f"Recorded of the flights {flown}: {found.part:,} of {found.whole:,}, {share(found)}.")
    return Markup('<table class="bars">{}</table>{}').format(
        marks.joined(rows), marks.joined(Markup('<p class="small">{}</p>').format(note) for note in notes if note)
    )


def _bar(name: str, part: int, whole: int, note: str) -> Markup:
    wide = BAR_PX * part / whole if whole else 0
    rest = BAR_PX - wide if whole else 0
    return Markup(
        '<tr><td>{}</td><td class="right"><b>{:,}</b></td><td><svg width="{}" height="9">'
        '<rect class="bar dark" width="{}" '
        'height="9"/><rect class="unknown" x="{}" width="{}" height="9"/></svg></td><td class="soft">{}</td></tr>'
    ).format(name, part, BAR_PX, round(wide, 1), round(wide, 1), round(rest, 1), note)


def share(of: Share) -> str:
    """97.1 % (94.5–98.6)"""
    if of.share is None or of.lower is None or of.upper is None:
        return "–"
    return f"{100 * of.share:.1f} % ({100 * of.lower:.1f}–{100 * of.upper:.1f})"


def _severities(of: Digest) -> Markup:
    rows = marks.joined(
        Markup(
            '<tr><td>{}</td><td class="right"><b>{}</b></td><td class="right">{}</td><td class="right">{}</td>'
            '<td class="right">{}</td><td class="right">{}</td></tr>'
        ).format(
            marks.severity_words(s.severity),
            s.events,
            s.certain,
            s.possible,
            words.rate_alone(s.rate),
            "–" if s.usual is None else f"{s.usual:.{0 if s.usual >= 30 else 1}f}",
        )
        for s in of.week.severities
    )
    return Markup(
        '<table><tr><th></th><th class="right">Events</th><th class="right">Certain</th><th class="right">Possible</th>'
        '<th class="right">Rate (95 %)</th><th class="right">Median before</th></tr>{}</table>'
    ).format(rows)


def _decided(decided: int, left: int) -> str:
    return f"{decided:,} of {words.count(decided + left, 'event')} decided, {left:,} open" if decided + left else ""


def _no_event(week: Week, none: str) -> Markup:
    """That there is no event, or that nothing was assessed which could have held one."""
    return Markup('<p class="soft">{}</p>').format(none if week.assessed.part else f"{NONE_ASSESSED.capitalize()}.")


def _kinds(week: Week) -> Markup:
    kinds = week.kinds
    if not kinds:
        return _no_event(week, "No event in this week.")
    most = max(kind.events for kind in kinds)
    rows = marks.joined(_kind(kind, most) for kind in kinds[:MOST_KINDS])
    hidden = kinds[MOST_KINDS:]
    more = (
        Markup('<p class="small">And {} in {}.</p>').format(
            words.count(sum(k.events for k in hidden), "event"), words.count(len(hidden), "other kind")
        )
        if hidden
        else Markup("")
    )
    heads = ("Events", "High", "Med.", "Low", "New")
    return Markup(
        "<table><tr><th>Kind</th>{}<th>Decisions</th>{}</tr>{}</table>{}"
        '<p class="small">Bars: dark valid, grey nuisance, open false, hatched to be decided.</p>'
    ).format(
        marks.joined(Markup('<th class="right">{}</th>').format(head) for head in heads),
        marks.joined(Markup('<th class="right">{}</th>').format(h) for h in ("Valid", "Nuis.", "False", "Open")),
        rows,
        more,
    )


def _kind(kind: Kind, most: int) -> Markup:
    counts = [kind.high, kind.medium, kind.low, kind.new]
    decisions = [kind.valid, kind.nuisance, kind.false, kind.open]
    return Markup('<tr><td>{}</td><td class="right"><b>{}</b></td>{}<td>{}</td>{}</tr>').format(
        kind.title,
        kind.events,
        marks.joined(Markup('<td class="right">{}</td>').format(n) for n in counts),
        _decision_bar(decisions, most),
        marks.joined(Markup('<td class="right">{}</td>').format(n) for n in decisions),
    )


def _decision_bar(counts: Sequence[int], most: int) -> Markup:
    looks = ("bar dark", "bar", "bar open", "unknown")
    parts, at = [], 0.0
    for look, n in zip(looks, counts, strict=True):
        wide = BAR_PX * n / most
        if n:
            parts.append(
                Markup('<rect class="{}" x="{}" y="0.5" width="{}" height="8"/>').format(
                    look, round(at, 1), round(max(wide - 1, 1), 1)
                )
            )
        at += wide
    return Markup('<svg width="{}" height="9">{}</svg>').format(BAR_PX, marks.joined(parts))


# second page: where, who, what it cost ---------------------------------------------------------------------------


def _second(of: Digest) -> Markup:
    week = of.week
    return Markup(
        '{}{}<div class="two"><div>{}{}</div><div>{}{}</div></div><div class="two"><div>{}{}</div><div>{}{}</div></div>'
        '<div class="two"><div>{}{}</div><div>{}{}</div></div>'
    ).format(
        heading("High events", _high_head(of)),
        _high(of),
        heading("Runways", "high and medium per 1,000 assessed landings"),
        _places(week, week.runways),
        heading("Aircraft", "high and medium per 1,000 assessed landings"),
        _places(week, week.aircraft),
        heading("Likely origin", words.count(sum(week.origins.values()), "event")),
        _origins(week.origins),
        heading("New and repeated", _against(week.weeks_before)),
        _new(of),
        heading("Runway given away, by type", "to 30 kt; one lapse of each landing"),
        _given(week, of.given_by_fleet),
        heading("Runway given away, by runway", "80 % bounds added up"),
        _given(week, of.given_by_runway),
    )


def _high_head(of: Digest) -> str:
    said = f"{words.count(of.high_events, 'event')} in {words.count(of.high_lines_in_all, 'line')}"
    lines, held = len(of.high_lines), sum(line["repeats"] for line in of.high_lines)
    if lines == of.high_lines_in_all:
        return said
    worst = "the worst" if lines == 1 else f"the {lines} worst"
    return f"{said}; {worst} with {held:,} of them here, {of.high_events - held:,} more on the screen"


def _high(of: Digest) -> Markup:
    if not of.high_lines:
        return _no_event(of.week, "No high event in this week.")
    return _table(
        ("Severity", "Event", "Worst (bounds)", "Likely origin", "Decision"),
        (
            (
                marks.severity_words("high", certain=line["certain"]),
                Markup('<b>{}</b>{} <span class="soft">{}</span>').format(
                    line["title"], f" ×{line['repeats']}" if line["repeats"] > 1 else "", _where(line)
                ),
                Markup('<b>{}</b> <span class="soft">{}</span>').format(
                    words.quantity(line["value"], line["unit"]),
                    words.bounds(line["value"], line["lower"], line["upper"], line["unit"]),
                )
                if line["unit"] != "count"
                else "yes",
                Markup("{} {}").format(
                    marks.origin(line["origin"], line["origin_confidence"]), names.ORIGIN_SHORT.get(line["origin"], "")
                ),
                names.VERDICT.get(line["verdict"] or "", "to be decided"),
            )
            for line in of.high_lines
        ),
    )


def _where(line: Mapping[str, Any]) -> str:
    days = words.span(line["first"], line["last"], one_week=True) if line["first"] else ""
    place = line["place"] if line["repeats"] == 1 else words.count(line["repeats"], "landing")
    return ", ".join(part for part in (line["tail"], place, days) if part)


def _places(week: Week, places: Sequence[Place]) -> Markup:
    if not places:
        return _no_event(week, "No high or medium event.")
    return _table(
        ("", "Events", "Rate (95 %)"), ((p.name, p.rate.events, words.rate_alone(p.rate)) for p in places), right=True
    )


def _origins(origins: Mapping[str, int]) -> Markup:
    return _table(
        ("", "Events"),
        ((Markup("{} {}").format(marks.origin(name), names.ORIGIN[name]), n) for name, n in origins.items()),
        right=True,
    )


def _against(weeks: int) -> str:
    if weeks < FEWEST_BEFORE:
        return f"new is not told with {words.count(weeks, 'week') if weeks else 'no week'} before"
    return f"new against the {weeks} weeks before"


def _new(of: Digest) -> Markup:
    week = of.week
    kinds = {"aircraft": "new on the aircraft", "runway": "new at the runway", "both": "new on both"}
    rows: list[tuple[Any, ...]] = [(kinds[name], n) for name, n in week.new.items()]
    rows += [(f"{title}, {tail}", f"×{n}") for tail, title, n in week.repeats]
    if rows:
        return _table(("", "Events"), rows, right=True)
    return _no_event(
        week, "Nothing repeated." if week.weeks_before < FEWEST_BEFORE else "Nothing new, nothing repeated."
    )


def _given(week: Week, rows: Sequence[Given]) -> Markup:
    if not rows:
        return _no_event(week, "No event that costs runway, or its cost was not estimated yet.")
    return _table(
        ("", "Landings", "Not told", "Metres (bounds)"),
        (
            (
                row.name,
                row.landings,
                row.untold,
                Markup('<b>{:,.0f}</b> <span class="soft">({:,.0f}–{:,.0f})</span>').format(
                    *(round(x, -1) for x in (row.metres, row.lower, row.upper))
                ),
            )
            for row in rows
        ),
        right=True,
    )


# third page: what wears, what was not seen, what to decide -------------------------------------------------------


def _third(of: Digest) -> Markup:
    return Markup('{}{}<div class="two"><div>{}{}</div><div>{}{}</div></div>{}{}<p class="small">{}</p>').format(
        heading("Drifting", "reversers, spoilers and idle reverse: robust slope over all landings until now"),
        _drifting(of),
        heading("What was not seen"),
        _unseen(of),
        heading("Decisions and rule book", "in the days of this week"),
        _people(of),
        heading("For the board to decide"),
        _questions(of),
        METHODS + CAUTION,
    )


def _drifting(of: Digest) -> Markup:
    if not of.drifting:
        return Markup('<p class="soft">Nothing drifts by more than its own noise.</p>')
    return _table(
        ("Aircraft", "What", "Landings", "Was", "Now", "Per 30 days (95 %)"),
        (
            (
                Markup("<b>{}</b>").format(row["tail"]),
                row["what"] + (f", engine {row['engine']}" if row["engine"] else ""),
                row["landings"],
                words.quantity(row["was"], row["unit"]),
                Markup("<b>{}</b>").format(words.quantity(row["now"], row["unit"])),
                f"{row['per_30_days']:+.2f} ({row['per_30_days_lower']:+.2f} to {row['per_30_days_upper']:+.2f})",
            )
            for row in of.drifting
        ),
    ) + _more(of.drifting_more, "more trend")


def _more(n: int, what: str) -> Markup:
    if not n:
        return Markup("")
    return Markup('<p class="small">And {}, listed under Health.</p>').format(words.count(n, what))


def _unseen(of: Digest) -> Markup:
    said = [_not_assessed(of.week)]
    said += [f"Not recorded: {words.count(n, 'flight')} of {tail}." for tail, n in of.unrecorded]
    if of.unrecorded_more:
        others = words.count(of.unrecorded_more_aircraft, "other aircraft", "other aircraft")
        said.append(f"And {words.count(of.unrecorded_more, 'more flight')} of {others}.")
    said += [f"{row['tail']}: {names.parameter(row['parameter'])} {presence(row)}." for row in of.silent]
    if of.silent_more:
        said.append(f"And {words.count(of.silent_more, 'more parameter')}, listed under Health.")
    return marks.joined(Markup("<p>{}</p>").format(sentence) for sentence in said)


def _not_assessed(week: Week) -> str:
    if not week.landings:
        return "No landing was recorded."
    missing, partly = week.landings - week.assessed.part, week.assessed.part - week.complete.part
    in_part = f", {partly:,} not by every rule" if week.assessed.part else ""
    return f"{missing:,} of {words.count(week.landings, 'landing')} could not be assessed at all{in_part}."


def _people(of: Digest) -> Markup:
    if of.problem:
        return Markup("<p>{}</p>").format(words.sentence(of.problem))
    made = sum(of.decisions.values())
    by = ", ".join(f"{n:,} {name}" for name, n in of.decisions.items())
    people = f" by {words.count(of.decided_by, 'person', 'people')}" if made else ""
    said = [f"{words.count(made, 'decision')} made{people}{': ' + by if by else ''}."]
    said.append(
        f"Open from this week: {of.week.to_decide:,}; from the weeks before: {of.open_before:,}" + _since(of) + "."
    )
    if of.other_limits:
        said.append(f"{words.count(of.other_limits, 'decision')} were made under limits that have changed since.")
    said += [f"Rule book {b['name']} {b['version']} saved by {b['saved_by']}: {b['reason']}" for b in of.books]
    if not of.books:
        said.append(f"No rule book was saved; {of.rule_book} is in force.")
    return marks.joined(Markup("<p>{}</p>").format(words.sentence(sentence)) for sentence in said)


def _since(of: Digest) -> str:
    return f", the oldest of {words.day(of.oldest_open)}" if of.oldest_open else ""


def _questions(of: Digest) -> Markup:
    rows = [
        Markup(
            '<tr><td><span class="number">{}</span></td><td><b>{}</b><br><span class="soft">{}</span></td>'
            "<td></td></tr>"
        ).format(number, question.asks, question.evidence)
        for number, question in enumerate(of.questions, 1)
    ]
    rows += [Markup("<tr><td></td><td></td><td></td></tr>")] * BLANK_QUESTIONS
    return Markup(
        '<table class="write"><colgroup><col style="width:8mm"><col style="width:104mm"><col></colgroup>'
        "<tr><th></th><th>Question and evidence</th><th>Decision, owner, date</th></tr>{}</table>"
    ).format(marks.joined(rows))


def _table(heads: Sequence[str], rows: Iterable[Sequence[Any]], *, right: bool = False) -> Markup:
    """A table; with `right`, every column but the first is numbers."""

    def looks(i: int) -> Markup:
        return Markup(' class="right"') if right and i else Markup("")

    head = marks.joined(Markup("<th{}>{}</th>").format(looks(i), text) for i, text in enumerate(heads))
    body = marks.joined(
        Markup("<tr>{}</tr>").format(
            marks.joined(Markup("<td{}>{}</td>").format(looks(i), cell) for i, cell in enumerate(row))
        )
        for row in rows
    )
    return Markup("<table><tr>{}</tr>{}</table>").format(head, body)
