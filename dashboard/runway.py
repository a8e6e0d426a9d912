"""The runway to scale, seen from above, with where each step happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from dashboard import marks, words
from dashboard.chart_marks import inside, spread
from dashboard.steps import StepRow

ROWS = 3
ROW_PX, BADGE_Y, STRIP_Y, STRIP_PX = 15, 62, 80, 24
WIDE_PX, NARROW_PX, CHAR_PX = 1180, 640, 6.1
PAPER_PX = 680
NO_DISTANCES = "Distances are not known: ground speed was not recorded well enough."
LEAST_DISPLACED_M = 5.0  # less is how exactly runways are known
ARROW_PX = 26  # from one arrow before a displaced threshold to the next
BADGE_R_PX = 10.0
APART_PX = 21  # numbers do not cover one another
BESIDE_PX, APART_BESIDE_PX = 24, 17


@dataclass(frozen=True)
class Strip:
    """What the drawing spans, in metres: a known runway, or the rollout alone.

    length_m       all of it
    touchdown_m    past the landing threshold; 0 when the runway is not known
    runway_m       from the landing threshold to where the runway ends, None when it is not known
    displaced_m    of the runway before a displaced landing threshold
    """

    length_m: float
    touchdown_m: float
    runway_m: float | None = None
    displaced_m: float = 0.0

    @property
    def known(self) -> bool:
        """Whether it is a runway."""
        return self.runway_m is not None

    def pct(self, distance_m: float) -> float:
        """Per cent across the drawing of a place so far after touchdown."""
        return self.past_pct(self.touchdown_m + distance_m)

    def past_pct(self, past_m: float) -> float:
        """Per cent across the drawing of a place so far past the threshold."""
        return 100 * (self.displaced_m + past_m) / self.length_m

    @property
    def origin(self) -> str:
        """What its metres count from."""
        if not self.known:
            return "from touchdown"
        return "from the displaced threshold" if self.displaced_m else "from the threshold"


@dataclass(frozen=True)
class Beside:
    """Another landing's steps under the strip; from this landing's touchdown when its own place is not given.

    called    which it is, in words that name nobody
    """

    rows: Sequence[StepRow]
    touchdown_m: float | None = None
    called: str = "the other landing"


def strip(rows: Sequence[StepRow], runway_length_m: float | None, touchdown_m: float | None) -> Strip | None:
    """The span to draw; None when no distance is known at all."""
    reached = [row.last.distance_m for row in rows if row.last and row.last.distance_m is not None]
    if not reached:
        return None
    if runway_length_m and touchdown_m is not None and touchdown_m + max(reached) <= runway_length_m * 1.05:
        runway_m = _available_m(rows, touchdown_m) or runway_length_m
        displaced_m = runway_length_m - runway_m if runway_length_m - runway_m >= LEAST_DISPLACED_M else 0.0
        length_m = displaced_m + max(runway_m, touchdown_m + max(reached))
        return Strip(length_m, touchdown_m, runway_m, displaced_m)
    return Strip(max(max(reached) * 1.06, 200.0), 0.0) if max(reached) > 0 else None


def _available_m(rows: Sequence[StepRow], touchdown_m: float) -> float | None:
    """From the landing threshold to the end of the runway, as the steps count what is left of it."""
    ends = (
        touchdown_m + at.distance_m + at.runway_left_m
        for row in rows
        for at in row.times
        if at.distance_m is not None and at.runway_left_m is not None
    )
    return next(ends, None)


def length_in_words(runway_length_m: float | None, displaced_m: float | None) -> str:
    """How long the runway is, and what of it lies past a displaced threshold; nothing when it is not known."""
    if not runway_length_m:
        return ""
    whole = words.quantity(runway_length_m, "m")
    if not displaced_m or displaced_m < LEAST_DISPLACED_M:
        return f"{whole} runway"
    return f"{words.quantity(runway_length_m - displaced_m, 'm')} from the displaced threshold (runway {whole})"


def drawing(
    rows: Sequence[StepRow],
    runway_length_m: float | None,
    touchdown_m: float | None,
    beside: Beside | None = None,
) -> Markup:
    """The strip as SVG, for a screen and for a page of paper; a sentence when distances are not known."""
    span = strip(rows, runway_length_m, touchdown_m)
    if span is None:
        return Markup('<p class="soft">{}</p>').format(NO_DISTANCES)
    placed = [row for row in rows if row.last and row.last.distance_m is not None]
    end = max(row.last.distance_m or 0.0 for row in placed if row.last)
    wide, narrow = (
        _svg(name, px, span, placed, end, beside) for name, px in (("wide", WIDE_PX), ("narrow", NARROW_PX))
    )
    return wide + narrow


def on_paper(rows: Sequence[StepRow], runway_length_m: float | None, touchdown_m: float | None) -> Markup:
    """The strip for a page of paper alone."""
    span = strip(rows, runway_length_m, touchdown_m)
    if span is None:
        return Markup('<p class="soft">{}</p>').format(NO_DISTANCES)
    placed = [row for row in rows if row.last and row.last.distance_m is not None]
    end = max(row.last.distance_m or 0.0 for row in placed if row.last)
    return _svg("narrow", PAPER_PX, span, placed, end, None)


def _svg(name: str, width_px: int, span: Strip, placed: Sequence[StepRow], end: float, beside: Beside | None) -> Markup:
    steps = [row for row in placed if row.number is not None]
    badges, unused_px = _badges(span, steps, width_px)
    drawn = [_surface(span, width_px), _path(span, end), _axis(span, width_px)]
    parts = [*drawn, *_milestones(span, placed, width_px), badges]
    height = STRIP_Y + STRIP_PX + 40 - unused_px
    if beside is not None:
        parts.append(_beside(beside, span, width_px))
        height += BESIDE_PX + ROW_PX
    return Markup(
        '<svg class="runway {}" height="{}" role="img" aria-label="{}"><g transform="translate(0 {})">{}</g></svg>'
    ).format(name, height, _label(steps, span), -unused_px, marks.joined(parts))


def _beside(beside: Beside, span: Strip, width_px: int) -> Markup:
    """The other landing's numbers, hollow, in a row under the metres."""
    own = span.known and beside.touchdown_m is not None
    shift = (beside.touchdown_m or 0.0) - span.touchdown_m if own else 0.0
    found = [row for row in beside.rows if row.number and row.last and row.last.distance_m is not None]
    found.sort(key=lambda row: (row.last.distance_m or 0.0) if row.last else 0.0)
    at = [span.pct((row.last.distance_m or 0.0) + shift) for row in found if row.last]
    spots = spread(at, 100 * APART_BESIDE_PX / width_px)
    y = STRIP_Y + STRIP_PX + 40 + BESIDE_PX / 2
    numbers = marks.joined(
        Markup(
            '<line class="leader" x1="{0}%" x2="{1}%" y1="{2}" y2="{3}"/>'
            '<circle class="other" cx="{0}%" cy="{2}" r="7.5"/>'
            '<text class="other" x="{0}%" y="{4}" text-anchor="middle">{5}</text>'
        ).format(_r(spot), _r(x), y, STRIP_Y + STRIP_PX, y + 3.5, row.number)
        for row, x, spot in zip(found, at, spots, strict=True)
        if x <= 100
    )
    where_ = "where it was" if own else "from the same touchdown"
    caption = Markup('<text x="0" y="{}">hollow numbers: {}, {}</text>').format(y + 22, beside.called, where_)
    return caption + numbers


def _label(steps: Sequence[StepRow], span: Strip) -> str:
    told = [
        f"{row.title} at {words.quantity(span.touchdown_m + (row.last.distance_m or 0), 'm')}"
        for row in steps
        if row.last
    ]
    return f"Runway, distances {span.origin}: " + "; ".join(told)


def _surface(span: Strip, width_px: int) -> Markup:
    """The runway with its centre line and, where the runway is known, its aiming point 300–400 m in; pale and with
    arrows before a displaced threshold."""
    start, middle = _r(span.past_pct(0.0)), STRIP_Y + STRIP_PX / 2
    body = Markup('<rect class="band" x="{}%" y="{}" width="{}%" height="{}"/>').format(
        start, STRIP_Y, _r(100 - start), STRIP_PX
    )
    centre = Markup('<line class="centre" x1="{0}%" x2="98.5%" y1="{1}" y2="{1}"/>').format(_r(start + 1.5), middle)
    if not span.known:
        return body + centre
    aim = marks.joined(
        Markup('<rect class="paint" x="{}%" y="{}" width="{}%" height="3"/>').format(
            _r(span.past_pct(300)), y, _r(100 * 60 / span.length_m)
        )
        for y in (STRIP_Y + 4, STRIP_Y + STRIP_PX - 7)
    )
    ends = marks.joined(
        Markup('<line class="axis" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(
            x, STRIP_Y - 4, STRIP_Y + STRIP_PX + 4
        )
        for x in (f"{start}%" if span.displaced_m else "0.1%", "99.9%")
    )
    return _before_threshold(span, width_px) + body + centre + aim + ends


def _before_threshold(span: Strip, width_px: int) -> Markup:
    """What lies before a displaced threshold, which is not for touching down on."""
    if not span.displaced_m:
        return Markup("")
    wide = span.past_pct(0.0)
    count = max(1, int(wide * width_px / 100 / ARROW_PX))
    arrows = marks.joined(
        Markup('<text class="displaced" x="{}%" y="{}" text-anchor="middle">→</text>').format(
            _r(wide * (i + 0.5) / count), STRIP_Y + STRIP_PX / 2 + 4
        )
        for i in range(count)
    )
    return (
        Markup('<rect class="band displaced" x="0" y="{}" width="{}%" height="{}" fill-opacity="0.4"/>').format(
            STRIP_Y, _r(wide), STRIP_PX
        )
        + arrows
    )


def _path(span: Strip, end_m: float) -> Markup:
    middle = STRIP_Y + STRIP_PX / 2
    return Markup('<line class="path" x1="{}%" x2="{}%" y1="{}" y2="{}"/>').format(
        _r(span.pct(0)), _r(span.pct(end_m)), middle, middle
    )


def _axis(span: Strip, width_px: int) -> Markup:
    """Metres along the drawing."""
    step = next(s for s in (100, 200, 400, 500, 1000) if span.length_m / s <= width_px / 130)
    y = STRIP_Y + STRIP_PX + 18
    parts = [Markup('<line class="axis" x1="0" x2="100%" y1="{0}" y2="{0}"/>').format(y)]
    end = f"end {words.quantity(span.runway_m, 'm')}" if span.runway_m else ""
    free = 100 - 100 * (len(end) + 3) * CHAR_PX / width_px if end else 100.0
    parts.append(Markup('<text x="100%" y="{}" text-anchor="end">{}</text>').format(y + 17, end))
    first, zero = f"0 m {span.origin}", span.past_pct(0.0)
    for metres in range(0, int(span.length_m - span.displaced_m) + 1, step):
        at = span.past_pct(metres)
        crowded = at - zero < 100 * (len(first) + 3) * CHAR_PX / width_px or at > free
        text = first if metres == 0 else "" if crowded else f"{metres:,}"
        anchor = "start" if metres == 0 else "end" if at > 97 else "middle"
        parts.append(
            Markup(
                '<line class="axis" x1="{0}%" x2="{0}%" y1="{1}" y2="{2}"/>'
                '<text x="{0}%" y="{3}" text-anchor="{4}">{5}</text>'
            ).format(_r(at), y, y + 4, y + 17, anchor, text)
        )
    return marks.joined(parts)


def _milestones(span: Strip, placed: Sequence[StepRow], width_px: int) -> list[Markup]:
    """60 kt and taxi speed: upright lines across the strip, named below it where the names have room."""
    found, taken = [], -1.0
    rows = [row for row in placed if row.number is None]
    for row in sorted(rows, key=lambda row: (row.last.distance_m or 0.0) if row.last else 0.0):
        at = span.pct(row.last.distance_m or 0.0) if row.last else 0.0
        wide = 100 * (len(row.title) * CHAR_PX + 6) / width_px
        found.append(
            Markup('<line class="milestone" x1="{0}%" x2="{0}%" y1="{1}" y2="{2}"/>').format(
                _r(at), STRIP_Y - 4, STRIP_Y + STRIP_PX + 14
            )
        )
        anchor, shift, left = ("start", 4, at) if at + wide <= 100 else ("end", -4, at - wide)
        if left > taken:
            taken = left + wide
            found.append(
                Markup('<text class="strong" x="{}%" dx="{}" y="{}" text-anchor="{}">{}</text>').format(
                    _r(at), shift, STRIP_Y + STRIP_PX + 12, anchor, row.title.lower()
                )
            )
    return found


def _badges(span: Strip, steps: Sequence[StepRow], width_px: int) -> tuple[Markup, int]:
    """Numbers above the strip, moved apart where they crowd, words where there is room; and the height left over."""
    ordered = sorted(steps, key=lambda row: row.last.distance_m if row.last and row.last.distance_m else 0.0)
    at = [span.pct(row.last.distance_m or 0.0) for row in ordered if row.last]
    apart = 100 * APART_PX / width_px
    spots = inside(spread(at, apart), 100 * BADGE_R_PX / width_px, 100 - 100 * BADGE_R_PX / width_px, apart)
    labels = _rows([_words(row) for row in ordered], spots, width_px)
    parts = []
    for row, x, spot, (text, level, anchor) in zip(ordered, at, spots, labels, strict=True):
        look = "badge found" if row.events else "badge"
        parts.append(
            Markup(
                '<line class="leader" x1="{0}%" x2="{1}%" y1="{2}" y2="{3}"/>'
                '<circle class="{4}" cx="{0}%" cy="{2}" r="9"/>'
                '<text class="{4}" x="{0}%" y="{5}" text-anchor="middle">{6}</text>'
            ).format(_r(spot), _r(x), BADGE_Y, STRIP_Y, look, BADGE_Y + 4, row.number)
        )
        if level is not None:
            y = BADGE_Y - 14 - ROW_PX * level
            line = Markup('<line class="leader" x1="{0}%" x2="{0}%" y1="{1}" y2="{2}"/>').format(
                _r(spot), y + 3, BADGE_Y - 9
            )
            parts.append(
                (line if level else Markup(""))
                + Markup('<text x="{}%" y="{}" text-anchor="{}">{}</text>').format(_r(spot), y, anchor, text)
            )
    used = max((level + 1 for _, level, _ in labels if level is not None), default=0)
    return marks.joined(parts), ROW_PX * (ROWS - used)


def _words(row: StepRow) -> str:
    speed = row.last.ground_speed_kt if row.last else None
    title = row.title[0].lower() + row.title[1:]
    return (
        f"{title} {words.quantity(speed, 'kt')}"
        if row.step in ("touchdown", "reverse_idle", "stowed") and speed is not None
        else title
    )


def _rows(labels: Sequence[str], spots: Sequence[float], width_px: int) -> list[tuple[str, int | None, str]]:
    """For each label a row above its number and an anchor; None where there is no room.

    A label to the left of its upright line goes as low as it can, one to the right as high as it can: so a crowd of
    steps fans out, and no line runs through a label.
    """
    taken: list[list[tuple[float, float]]] = [[] for _ in range(ROWS)]
    found: list[tuple[str, int | None, str]] = []
    for i, (text, spot) in enumerate(zip(labels, spots, strict=True)):
        wide = 100 * len(text) * CHAR_PX / width_px
        alone = all(abs(other - spot) > wide / 2 + 0.5 for j, other in enumerate(spots) if j != i)
        choices = [(0, "middle", spot - wide / 2)] if alone else []
        choices += [(level, "end", spot - wide + 0.3) for level in range(ROWS)]
        choices += [(level, "start", spot - 0.3) for level in reversed(range(ROWS))]
        level, anchor, left = next((c for c in choices if _fits(c, wide, spot, taken)), (None, "middle", 0.0))
        if level is not None:
            taken[level].append((left, left + wide))
            for below in taken[:level]:
                below.append((spot - 0.2, spot + 0.2))
        found.append((text, level, anchor))
    return found


def _fits(
    choice: tuple[int, str, float], wide: float, spot: float, taken: Sequence[Sequence[tuple[float, float]]]
) -> bool:
    level, _, left = choice
    inside = left >= 0 and left + wide <= 100
    free = all(left > b + 0.6 or left + wide < a - 0.6 for a, b in taken[level])
    return inside and free and not any(a - 0.3 < spot < b + 0.3 for below in taken[:level] for a, b in below)


def _r(x: float) -> float:
    return round(x, 2)
