"""The aeroplane from above, with its levers and brakes: what the debrief plays moves here.

Drawn once by the server; the browser sets what moves (assets/6x_debrief.js). Parts say what they show by data-part, and
of which engine or side. What is not recorded is hatched from the start and stays so.
"""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup

from dashboard import marks
from dashboard.chart import Json

WIDTH, HEIGHT, MIDDLE = 640, 230, 115
TOP, IDLE, BOTTOM = 40, 118, 176  # of a lever's slot: full forward, idle, full reverse
LEVERS_FROM, BRAKES_FROM, BRAKES_APART = 372, 582, 40
NACELLE, SLEEVE = 34, 16  # lengths, px
PANELS = 4  # spoiler panels drawn on each wing


def drawing(engines: Iterable[int], table: Json) -> Markup:
    """The drawing for these engines, numbered from the left; `table` is samples.table, which says what is recorded."""
    numbers = sorted(engines)
    parts = [
        _hatching(),
        _body(),
        _spoilers(table["spoilers"] is not None),
        _gear(table["states"]),
        *(_engine(n, numbers, table) for n in numbers),
        *(_levers(_slot(i, numbers), n, table) for i, n in enumerate(numbers)),
        _lever_words(numbers, table),
        _brakes(table["lines"]),
    ]
    return Markup('<svg class="schematic" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        WIDTH,
        HEIGHT,
        "Aeroplane from above with spoilers, reversers, gear, levers and brakes at the time told below",
        marks.joined(parts),
    )


def _hatching() -> Markup:
    return Markup(
        '<defs><pattern id="unknown" width="5" height="5" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><line class="hatching" x1="0" x2="0" y1="0" y2="5"/></pattern></defs>'
    )


def _body() -> Markup:
    """Fuselage with the nose to the right, wings and tail."""
    wing = "M236 {a} L140 {b} L112 {b} L150 {a} Z"
    tail = "M74 {a} L44 {b} L30 {b} L40 {a} Z"
    shapes = [
        form.format(a=MIDDLE + side * 12, b=MIDDLE + side * reach)
        for form, reach in ((wing, 106), (tail, 44))
        for side in (-1, 1)
    ]
    fuselage = f"M22 {MIDDLE} Q40 {MIDDLE - 14} 90 {MIDDLE - 14} H300 Q338 {MIDDLE - 12} 344 {MIDDLE} "
    fuselage += f"Q338 {MIDDLE + 12} 300 {MIDDLE + 14} H90 Q40 {MIDDLE + 14} 22 {MIDDLE} Z"
    return Markup('<path class="body" d="{}"/><path class="body" d="{}"/>').format(" ".join(shapes), fuselage)


def _spoilers(recorded: bool) -> Markup:
    """Panels before the trailing edge of each wing: the fill rises with them."""
    found = []
    for side in (-1, 1):
        for i in range(PANELS):
            near, far = 26 + i * 12, 36 + i * 12
            y = MIDDLE + side * near if side > 0 else MIDDLE - far
            x = 154 - (near + far) / 2 * 0.33
            look = "panel" if recorded else "panel unknown"
            found.append(
                Markup(
                    '<rect class="{}" x="{}" y="{}" width="18" height="10"/>'
                    '<rect class="up" data-part="spoiler" x="{}" y="{}" width="0" height="10"/>'
                ).format(look, round(x, 1), y, round(x, 1), y)
            )
    return marks.joined(found)


def _gear(states: Json) -> Markup:
    """Nose and main wheels: solid on the ground."""
    both = "main_gear_ground" in states
    wheels = [
        ("nose_gear_ground", 296, MIDDLE),
        ("main_gear_ground" if both else "main_gear_ground.left", 176, MIDDLE - 22),
        ("main_gear_ground" if both else "main_gear_ground.right", 176, MIDDLE + 22),
    ]
    return marks.joined(
        Markup(
            '<rect class="wheel{}" data-part="gear" data-of="{}" x="{}" y="{}" width="14" height="7" rx="2"/>'
        ).format("" if name in states else " unknown", name, x - 7, y - 3.5)
        for name, x, y in wheels
    )


def _place(n: int, numbers: list[int]) -> tuple[float, float]:
    """Front end of an engine's nacelle, and the middle of it across."""
    count, i = len(numbers), numbers.index(n)
    if count == 3 and i == 1:
        return 76.0, float(MIDDLE)
    reach = {4: (86, 48, 48, 86)}.get(count, (50,) * count)[i]
    side = -1 if i < count / 2 else 1
    leading_edge = 236 - (reach - 12) * 96 / 94
    return leading_edge + 34, MIDDLE + side * reach


def _engine(n: int, numbers: list[int], table: Json) -> Markup:
    """The nacelle, and its sleeve, which slides back and bares the opening between them."""
    front, y = _place(n, numbers)
    name = f"reverser.{n}"
    body_end = front - NACELLE
    number_x, anchor = front + 6, "start"
    parts = [
        Markup('<path class="nacelle" d="M{} {} h-{} v14 h{} q6 -7 0 -14 Z"/>').format(
            front - 4, y - 7, NACELLE - 4, NACELLE - 4
        ),
        Markup('<text class="engine" x="{}" y="{}" text-anchor="{}">{}</text>').format(number_x, y + 4, anchor, n),
    ]
    if name in table["states"]:
        parts += [
            Markup(
                '<rect class="opening" data-part="opening" data-of="{}" x="{}" y="{}" width="0" height="14"/>'
            ).format(name, round(body_end, 1), y - 7),
            Markup(
                '<g data-part="sleeve" data-of="{}">'
                '<rect class="sleeve" x="{}" y="{}" width="{}" height="14" rx="2"/></g>'
            ).format(name, round(body_end - SLEEVE, 1), y - 7, SLEEVE),
        ]
    else:
        parts.append(
            Markup('<rect class="sleeve unknown" x="{}" y="{}" width="{}" height="14" rx="2"/>').format(
                round(body_end - SLEEVE, 1), y - 7, SLEEVE
            )
        )
    return marks.joined(parts)


def _slot(i: int, numbers: list[int]) -> float:
    """Middle of an engine's slot."""
    return LEVERS_FROM + (42 if len(numbers) < 4 else 36) * i


def _levers(x: float, n: int, table: Json) -> Markup:
    """One engine's slot: thrust lever above idle, reverse lever below it, and its power under both."""
    lines = table["lines"]
    power = "n1" if f"n1.{n}" in lines else "epr"
    parts = [Markup('<text class="engine" x="{}" y="22" text-anchor="middle">{}</text>').format(x, n)]
    for name, start, end in ((f"thrust_lever.{n}", TOP, IDLE), (f"reverse_lever.{n}", IDLE, BOTTOM)):
        known = name in lines
        parts.append(
            Markup('<rect class="slot{}" x="{}" y="{}" width="8" height="{}"/>').format(
                "" if known else " unknown", x - 4, start, end - start
            )
        )
        if known:
            look = "knob" if name.startswith("thrust") else "knob reverse"
            parts.append(
                Markup(
                    '<rect class="{}" data-part="lever" data-of="{}" x="{}" y="{}" width="24" height="9" rx="2"/>'
                ).format(look, name, x - 12, IDLE - 4.5)
            )
    parts.append(Markup('<line class="idle" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(x - 16, x + 16, IDLE, IDLE))
    parts.append(
        Markup(
            '<text class="value" data-part="power" data-of="{}.{}" x="{}" y="198" text-anchor="middle">–</text>'
        ).format(power, n, x)
    )
    return marks.joined(parts)


def _lever_words(numbers: list[int], table: Json) -> Markup:
    """What the slots are, beside the last of them, and what the numbers under them are."""
    last = _slot(len(numbers) - 1, numbers)
    said = (("forward", TOP + 8), ("idle", IDLE + 4), ("reverse", BOTTOM))
    words = marks.joined(Markup('<text x="{}" y="{}">{}</text>').format(last + 20, y, text) for text, y in said)
    power = "N1 %" if f"n1.{numbers[0]}" in table["lines"] else "EPR"
    caption = Markup('<text x="{}" y="216" text-anchor="middle">thrust and reverse levers, {}</text>').format(
        (LEVERS_FROM + last) / 2, power
    )
    return words + caption


def _brakes(lines: Json) -> Markup:
    """Left and right brake pressure as bars."""
    parts = [
        Markup('<text x="{}" y="216" text-anchor="middle">brakes, psi</text>').format(BRAKES_FROM + BRAKES_APART / 2)
    ]
    for i, side in enumerate(("left", "right")):
        name, x = f"brake_pressure.{side}", BRAKES_FROM + BRAKES_APART * i
        parts.append(
            Markup(
                '<text class="engine" x="{}" y="22" text-anchor="middle">{}</text>'
                '<rect class="slot{}" x="{}" y="{}" width="16" height="{}"/>'
            ).format(x, "L" if i == 0 else "R", "" if name in lines else " unknown", x - 8, TOP, BOTTOM - TOP)
        )
        if name in lines:
            parts.append(
                Markup(
                    '<rect class="bar" data-part="brake" data-of="{}" x="{}" y="{}" width="16" height="0"/>'
                    '<text class="value" data-part="psi" data-of="{}" x="{}" y="198" text-anchor="middle">–</text>'
                ).format(name, x - 8, BOTTOM, name, x)
            )
    return marks.joined(parts)
