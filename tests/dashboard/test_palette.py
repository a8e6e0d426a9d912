"""Colours: one set for page and charts, readable on both themes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import dashboard
from dashboard.palette import DARK, LIGHT

TOKENS = Path(dashboard.__file__).parent / "assets" / "1_tokens.css"


def tokens(block: str) -> dict[str, str]:
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block))


def test_charts_and_page_use_the_same_colours():
    blocks = re.findall(r"\{([^{}]*--desk[^{}]*)\}", TOKENS.read_text())
    assert len(blocks) == 3
    assert tokens(blocks[0]) == LIGHT
    assert tokens(blocks[1]) == DARK
    assert tokens(blocks[2]) == DARK


def test_each_colour_can_be_told_apart_by_the_recolouring():
    assert len(set(LIGHT.values())) == len(LIGHT)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance"""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_twenty_one():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["desk", "paper", "selection"])
def test_text_and_marks_can_be_read(palette, ground):
    for ink in ("ink", "ink2", "ink3"):  # WCAG 1.4.3
        assert contrast(palette[ink], palette[ground]) >= 4.5, ink
    for mark in ("high", "medium", "low", "neutral"):  # WCAG 1.4.11
        assert contrast(palette[mark], palette[ground]) >= 3.0, mark


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_edges_of_controls_can_be_seen_where_controls_stand(palette):
    for ground in ("desk", "paper"):  # WCAG 1.4.11
        assert contrast(palette["edge"], palette[ground]) >= 3.0, ground
