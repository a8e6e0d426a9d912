"""Pages of A4 as one HTML file that asks nothing of any host: its style and drawings are inside it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from dashboard.palette import LIGHT
from dashboard.reports.style import STYLE
from fdm.errors import FdmError

WIDTH_PX = 680  # 180 mm between the margins
HATCH_ID = "hatch"
CAUTION = (
    "Not for airworthiness or disciplinary decisions. Operator manuals, regulations and licensed people come first."
)


@dataclass(frozen=True)
class Sheet:
    """One page: its head on the left and the right, what stands on it, and its foot."""

    left: Markup
    right: str
    body: Markup
    foot: str


def document(title: str, sheets: Sequence[Sheet]) -> str:
    """The whole file."""
    pages = Markup("\n").join(_page(sheet, number, len(sheets)) for number, sheet in enumerate(sheets, 1))
    tokens = "; ".join(f"--{name}: {colour}" for name, colour in LIGHT.items())
    style = Markup(f":root {{ {tokens} }}\n{STYLE}")
    return str(
        Markup(
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
            "<title>{}</title><style>{}</style></head><body>{}{}</body></html>\n"
        ).format(title, style, _DEFINITIONS, pages)
    )


_DEFINITIONS = Markup(
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>'
    f'<pattern id="{HATCH_ID}" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<line x1="0.5" y1="0" x2="0.5" y2="4" class="hatching"/></pattern></defs></svg>'
)


def _page(sheet: Sheet, number: int, of: int) -> Markup:
    return Markup(
        '<section class="page"><header><span>{}</span><span>{}</span></header><div class="body">{}</div>'
        "<footer><span>{}</span><span>Page {} of {}</span></footer></section>"
    ).format(sheet.left, sheet.right, sheet.body, sheet.foot, number, of)


def heading(title: str, more: str = "") -> Markup:
    """A section's heading: what it is, and in grey what it is of."""
    return Markup('<h2><b>{}</b> <span class="soft">{}</span></h2>').format(title, more)


def save(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all; OSError when it cannot be written."""
    target = path.resolve()
    aside = target.with_name(f".{target.name}.part")
    try:
        aside.write_bytes(data)
        os.replace(aside, target)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


def kind_of(path: Path, kinds: Sequence[str]) -> str:
    """Which of some kinds of file the suffix asks for. FdmError for any other."""
    suffix = path.suffix.lower().removeprefix(".")
    if suffix not in kinds:
        raise FdmError(
            f"the suffix '.{suffix}' says no kind of page" if suffix else "the name has no suffix",
            source=path,
            cure=f"End the name in {', '.join(f'.{kind}' for kind in kinds[:-1])} or .{kinds[-1]}.",
        )
    return suffix
