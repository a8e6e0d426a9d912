"""Sentences and numbers as a pilot would write them: short, past tense, no blame, no codes."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from dashboard import names
from fdm.parameters import PARAMETERS
from fdm.statistics import Rate

DECIMALS = {"s": 1, "deg": 1, "g": 2, "ratio": 2}
MOST_DECIMALS = 4  # more than a unit deserves, to tell a value from a limit
SIGNS = {"deg": "°", "fraction": " %", "count": "", "ratio": ""}
_NAME = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*(?:\.(?:[1-4]|left|right|centre))?")
RANK = {"within": 0, "low": 1, "medium": 2, "high": 3}

# {v}: value with bounds, {e}: " of engine 2" or nothing. The second sentence is for a value with no upper bound.
FINDINGS = {
    "spoiler_delay_s": (
        "Spoilers were up {v} after touchdown",
        "Spoilers were still not up {v} after touchdown",
    ),
    "reverse_select_delay_s": (
        "Reverse{e} was selected {v} after touchdown",
        "Reverse{e} was still not selected {v} after touchdown",
    ),
    "deploy_delay_s": (
        "The reverser{e} was deployed {v} after touchdown",
        "The reverser{e} was still not deployed {v} after touchdown",
    ),
    "reverse_wait_s": (
        "The reverser{e} deployed {v} after reverse was selected",
        "The reverser{e} had not deployed {v} after reverse was selected",
    ),
    "deploy_transit_s": (
        "The reverser{e} took {v} from unlocked to deployed",
        "The reverser{e} was still moving {v} after it unlocked",
    ),
    "one_side_deployed_s": ("One reverser of a pair was deployed alone for {v}",),
    "high_reverse_below_taxi_s": ("Reverse{e} stayed above idle for {v} below taxi speed",),
    "reverser_out_below_taxi_s": (
        "A reverser was not stowed for {v} below taxi speed",
        "A reverser was still out {v} after taxi speed, where the recording ends",
    ),
    "n1_above_idle_at_stow_pct": ("N1{e} was {v} above idle reverse when the reverser began to stow",),
    "forward_power_with_reverser_out_s": ("Forward power was set for {v} with a reverser still out",),
    "spoiler_extension_max": ("Spoilers rose to {v} of full travel",),
    "spoiler_retract_speed_kt": ("Spoilers were lowered at {v}",),
    "spoilers_not_armed": ("Spoilers were not armed at touchdown",),
    "reverse_not_used": ("Reverse was not used",),
    "go_around_after_reverse": ("The aeroplane went around after reverse had been selected",),
    "unstowed_in_air_s": ("The reverser{e} was not stowed for {v} in the air",),
    "reverse_power_split_pct": ("N1 of a pair of engines differed by {v} on average while both were in reverse",),
    "autothrottle_in_reverse_s": ("The autothrottle stayed engaged for {v} in reverse",),
    "brake_delay_s": ("Brakes came on {v} after touchdown", "Brakes were still not on {v} after touchdown"),
    "mean_deceleration_g": ("The mean deceleration down to 60 kt was {v}",),
    "runway_left_60_m": ("{v} of runway remained at 60 kt",),
    "bounce_airborne_s": ("The aeroplane was airborne again for {v} after first contact",),
    "heading_excursion_deg": ("Heading swung {v} on the rollout",),
}


def number(value: float | None, unit: str, more: int = 0) -> str:
    """The number alone, with the decimals that its unit deserves, or so many more: 4.0, 1,024, 0.11."""
    if value is None or math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "no end"
    value = value * 100 if unit == "fraction" else value
    digits = DECIMALS.get(unit, 0) + more
    said = Decimal(str(value)).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP) + 0
    return f"{said:,.{digits}f}".replace("-", "−")


def sign(unit: str) -> str:
    """What follows the number: " s", "°", " %"."""
    return SIGNS.get(unit, f" {unit}" if unit else "")


def quantity(value: float | None, unit: str, more: int = 0) -> str:
    """4.0 s"""
    return number(value, unit, more) + (sign(unit) if value is not None and math.isfinite(value) else "")


def bounds(value: float | None, lower: float | None, upper: float | None, unit: str, more: int = 0) -> str:
    """(3.7–4.3), or nothing when the number is exact or not known."""
    if value is None or lower is None or upper is None or math.isnan(lower) or math.isnan(upper):
        return ""
    if math.isinf(upper):
        return "(or more)"
    low, high = number(lower, unit, more), number(upper, unit, more)
    return "" if low == high == number(value, unit, more) else f"({low}–{high})"


def bounded(value: float | None, lower: float | None, upper: float | None, unit: str, more: int = 0) -> str:
    """4.0 s (3.7–4.3)"""
    return f"{quantity(value, unit, more)} {bounds(value, lower, upper, unit, more)}".rstrip()


def decimals_apart(value: float | None, limit: float | None, unit: str) -> int:
    """How many more decimals it takes to tell a value from the limit that it is beyond."""
    tries = range(MOST_DECIMALS) if value is not None and limit is not None and value != limit else ()
    return next((more for more in tries if number(value, unit, more) != number(limit, unit, more)), 0)


def of_event(event: Mapping[str, Any]) -> str:
    """The value of an event with its bounds, never rounded to the limit that it is beyond."""
    return " ".join(parts_of_event(event)).rstrip()


def parts_of_event(event: Mapping[str, Any]) -> tuple[str, str]:
    """The value of an event, and its bounds."""
    value, unit = event["value"], event["unit"]
    more = decimals_apart(value, event["limit"], unit)
    return quantity(value, unit, more), bounds(value, event["lower"], event["upper"], unit, more)


def standing(event: Mapping[str, Any]) -> str:
    """ "certain", or "possible; Medium, certain", or "certain; could be High": what the bounds leave open."""
    lowest, said, highest = event["severity_lowest"], event["severity"], event["severity_highest"]
    if RANK[lowest] < RANK[said]:
        sure = "could be within limits" if lowest == "within" else f"{names.SEVERITY[lowest]}, certain"
        return f"possible; {sure}"
    return f"certain; could be {names.SEVERITY[highest]}" if RANK[highest] > RANK[said] else "certain"


def finding(event: Mapping[str, Any], title: str, direction: str = "above", *, yes_or_no: bool = False) -> str:
    """One sentence: what was measured, which limit it passed, and what the bounds leave open."""
    value, upper, unit = event["value"], event["upper"], event["unit"]
    open_ended = upper is not None and math.isinf(upper)
    sentences = FINDINGS.get(event["measure"], (f"{title}: {{v}}",))
    engine = f" of engine {event['engine']}" if event.get("engine") else ""
    alone = quantity(value, unit, decimals_apart(value, event["limit"], unit))
    said = alone if open_ended and len(sentences) > 1 else of_event(event)
    head = sentences[-1 if open_ended else 0].format(v=said, e=engine)
    return f"{head}." if yes_or_no else f"{head}{_past(event, direction)}."


def _past(event: Mapping[str, Any], direction: str) -> str:
    lowest, said, highest = event["severity_lowest"], event["severity"], event["severity_highest"]
    verb, near, far = ("under", "upper", "lower") if direction == "below" else ("past", "lower", "upper")
    more = decimals_apart(event["value"], event["limit"], event["unit"])
    clause = f", {verb} the {said} limit of {quantity(event['limit'], event['unit'], more)}"
    if RANK[lowest] < RANK[said]:
        left = "within limits" if lowest == "within" else f"{lowest}"
        return f"{clause}; at the {near} bound it would be {left}"
    if RANK[highest] > RANK[said]:
        return f"{clause}; at the {far} bound it would be {highest}"
    exact = event["lower"] == event["value"] == event["upper"]
    return clause if exact else f"{clause} even at the {near} bound"


def cost(found: Mapping[str, Any] | None) -> str:
    """What an event cost, a row of schemas.COSTS: "Cost about 180 m (120–260) and 4 s of rollout to 30 kt; …"."""
    if found is None:
        return ""
    reason = (found["reason"] or "").removeprefix("only a range: ")
    if found["extra_m"] is not None:
        metres, seconds = found["extra_m"], found["extra_s"]
        if found["extra_m_lower"] <= 0 <= found["extra_m_upper"]:
            distance = f"{_rounded(found, 'extra_m')} m {_range(found, 'extra_m')}"
            head = f"No cost in distance that can be told: {distance} to 30 kt"
        elif metres < 0:
            head = f"No cost: the rollout to 30 kt was about {_number(-metres)} m shorter"
        else:
            time = f" and {number(seconds, 's') if seconds < 10 else number(seconds, '')} s"
            head = f"Cost about {_rounded(found, 'extra_m')} m {_range(found, 'extra_m')}{time} of rollout to 30 kt"
        return f"{head}{_in_brakes(found)}."
    if found["extra_m_lower"] is not None:
        low, high = _rounded(found, "extra_m_lower"), _rounded(found, "extra_m_upper")
        return f"Cost between {low} and {high} m of rollout; {plain(reason)}."
    return f"Cost cannot be told{', ' if ': ' in reason else ': '}{plain(reason)}."


def cost_fact(found: Mapping[str, Any] | None) -> str:
    """The same where "Cost" stands before it."""
    said = cost(found).removeprefix("Cost ")
    return said[:1].upper() + said[1:]


def cost_short(found: Mapping[str, Any] | None) -> str:
    """180 m (120–260); "cannot tell"; nothing where there is no estimate."""
    if found is None or found.get("extra_m_lower") is None:
        return "cannot tell" if found and found.get("reason") else ""
    if found["extra_m"] is None:
        return f"{_range(found, 'extra_m')[1:-1]} m"
    return f"{_rounded(found, 'extra_m')} m {_range(found, 'extra_m')}"


def _in_brakes(found: Mapping[str, Any]) -> str:
    """; 12 MJ more in the brakes, where that is certain."""
    energy, lower, upper = (found[f"brake_energy_mj{end}"] for end in ("", "_lower", "_upper"))
    if energy is None or lower <= 0 <= upper or abs(energy) < 0.5:
        return ""
    return f"; {number(abs(energy), '')} MJ {'more' if energy > 0 else 'less'} in the brakes"


def _range(found: Mapping[str, Any], name: str) -> str:
    between = " to " if found[f"{name}_lower"] < 0 else "–"
    return f"({_rounded(found, f'{name}_lower')}{between}{_rounded(found, f'{name}_upper')})"


def _rounded(found: Mapping[str, Any], name: str) -> str:
    return _number(found[name])


def _number(metres: float) -> str:
    """To 10 m from 100 m on: an estimate is not known to the metre."""
    return number(round(metres, -1) if abs(metres) >= 100 else metres, "m")


TOO_FEW = "too few to tell"
FEWEST_FOR_NONE = 37  # with no event in so many landings, one in ten is not ruled out at 95 % (Garwood: 3.69 / 37)


def rate(found: Rate) -> str:
    """5.2 per 1,000 (1.9–11.2) of 1,163 assessed; none of 7 assessed, too few to tell"""
    if found.landings == 0:
        return "no landing assessed"
    if too_few(found):
        return f"none of {found.landings:,} assessed, {TOO_FEW}"
    per, rest = _rate_parts(found)
    return f"{per} per 1,000{rest} of {found.landings:,} assessed"


def rate_alone(found: Rate) -> str:
    """5.2 (1.9–11.2)"""
    if too_few(found):
        return TOO_FEW
    return "".join(_rate_parts(found)) if found.landings else "–"


def too_few(found: Rate) -> bool:
    """Whether nothing was found in so few landings that its upper bound would say nothing."""
    return found.events == 0 and 0 < found.landings < FEWEST_FOR_NONE


def _rate_parts(found: Rate) -> tuple[str, str]:
    known = [x or 0.0 for x in (found.per_1000, found.lower, found.upper)]
    per, low, high = (f"{x:,.{0 if known[0] >= 30 else 1}f}" for x in known)
    return (per, f" ({low}–{high})") if found.events else (f"below {high}", "")


def count(n: int, one: str, many: str | None = None) -> str:
    """ "1 landing", "1,163 landings"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def monday(week: str) -> datetime:
    """The first day of an ISO week such as "2026-W47", or of a month such as "2026-11"."""
    year, number_ = re.split("-W?", week)
    if "W" not in week:
        return datetime(int(year), int(number_), 1, tzinfo=UTC)
    return datetime.fromisocalendar(int(year), int(number_), 1).replace(tzinfo=UTC)


def week_name(week: str) -> str:
    """Week 47; November for a month."""
    return f"Week {int(week[-2:])}" if "W" in week else f"{monday(week):%B}"


def week_days(week: str) -> str:
    """16–22 Nov 2026; the year of a month."""
    first = monday(week)
    if "W" not in week:
        return f"{first.year}"
    last = first + timedelta(days=6)
    if first.year != last.year:
        return f"{first:%-d %b %Y}–{last:%-d %b %Y}"
    start = f"{first:%-d}" if first.month == last.month else f"{first:%-d %b}"
    return f"{start}–{last:%-d %b %Y}"


def period(week: str) -> str:
    """Week 47, 16–22 Nov 2026; November 2026"""
    return f"{week_name(week)}{', ' if 'W' in week else ' '}{week_days(week)}"


def touched_down(landing: Mapping[str, Any]) -> str:
    """Thu 12 Nov 2026, 06:41; November 2026 for who may know the month; nothing for who may not know even that."""
    if landing["touchdown_utc"] is not None:
        return f"{landing['touchdown_utc']:%a %-d %b %Y, %H:%M}"
    return period(landing["month"]) if landing.get("month") else ""


def day(utc: datetime | None) -> str:
    """Thu 12 Nov"""
    return "date unknown" if utc is None else f"{utc:%a %-d %b}"


def day_of(utc: datetime | None) -> str:
    """12 Nov 2026"""
    return "" if utc is None else f"{utc:%-d %b %Y}"


def span(first: datetime, last: datetime, *, one_week: bool) -> str:
    """Mon–Sun within a week; else 1–21 Nov, or 28 Oct–8 Nov."""
    if one_week:
        days = (f"{first:%a}", f"{last:%a}")
    else:
        same_month = (first.year, first.month) == (last.year, last.month)
        days = (f"{first:%-d}" if same_month and first.day != last.day else f"{first:%-d %b}", f"{last:%-d %b}")
    return days[0] if days[0] == days[1] else "–".join(days)


def moment(utc: datetime | None) -> str:
    """Thu 12 Nov 2026, 06:41 UTC"""
    return "date unknown" if utc is None else f"{utc:%a %-d %b %Y, %H:%M} UTC"


def headwind(wind_kt: float | None) -> str:
    """ "5 kt headwind", "3 kt tailwind", "no wind along the runway"; nothing when it is not known."""
    if wind_kt is None or math.isnan(wind_kt):
        return ""
    if round(wind_kt) == 0:
        return "no wind along the runway"
    return f"{abs(wind_kt):.0f} kt {'head' if wind_kt >= 0 else 'tail'}wind"


def after_touchdown(seconds: float | None) -> str:
    """ "4.0 s after touchdown", "2.0 s before touchdown"."""
    if seconds is None or math.isnan(seconds):
        return ""
    if abs(seconds) < 0.05:
        return "at touchdown"
    return f"{abs(seconds):.1f} s {'before' if seconds < 0 else 'after'} touchdown"


def evidence(texts: Sequence[object]) -> str:
    """Evidence in sentences, or that there is none."""
    return " ".join(sentence(plain(str(text))) for text in texts) or "Nothing that was recorded tells."


def plain(text: str, titles: Mapping[str, str] | None = None) -> str:
    """A sentence of the engine or of a rule file without names that only programs use.

    titles    rule name -> title; a rule that the text points to is called by its title, but for those called by an
              ordinary word
    """

    def said(match: re.Match[str]) -> str:
        word = match.group(0)
        if titles and "_" in word and word in titles:
            return f"“{titles[word]}”"
        return word.replace("_", " ").replace(".", " ") if word in PARAMETERS else word

    return _NAME.sub(said, text)


def sentence(text: str) -> str:
    """With a capital at the start and a full stop at the end."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".") if text else ""
