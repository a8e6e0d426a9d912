"""How much room things need on a page, so that none is cut off: estimated from their letters, a little large."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from markupsafe import Markup

BODY_PX = 944  # of a page, between head and foot
LINE_PX = 16.7  # of text
HEADING_PX = 36
LETTER_PX = 5.25  # of text, on average
SMALL, FINDING, TITLE = 0.83, 1.4, 2.05  # letters as wide as so many of text
ROW_LINE_PX, ROW_SPARE_PX = 14.7, 6
_HEIGHT = re.compile(r'<svg[^>]* height="(\d+)"')


def text_px(text: Markup | str, wide_px: float, size: float = 1.0) -> float:
    """Height of a paragraph."""
    said = Markup(text).striptags() if isinstance(text, Markup) else text
    lines = max(1, math.ceil(len(said) * LETTER_PX * size / wide_px))
    return lines * LINE_PX * size**0.6


def drawing_px(svg: Markup) -> float:
    """Height of drawings, one below another."""
    return float(sum(int(height) for height in _HEIGHT.findall(svg)))


def row_px(cells: Iterable[tuple[Markup | str, float]]) -> float:
    """Height of a row of a table: each cell with its width."""
    return max(text_px(cell, wide) for cell, wide in cells) * ROW_LINE_PX / LINE_PX + ROW_SPARE_PX


def fitting(blocks: Sequence[Markup], room_px: float, wide_px: float, spare_px: float = 6) -> list[Markup]:
    """The first of some paragraphs, as many as there is room for."""
    kept: list[Markup] = []
    for block in blocks:
        room_px -= text_px(block, wide_px) + spare_px
        if room_px < 0:
            break
        kept.append(block)
    return kept
