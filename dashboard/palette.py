"""Colours of charts. The page's own colours are the same tokens in assets/tokens.css; a test holds them equal."""

from __future__ import annotations

LIGHT = {
    "desk": "#f2f4f5", "paper": "#ffffff",
    "ink": "#14191e", "ink2": "#434b53", "ink3": "#616a72",
    "rule": "#d8dcdf", "rule2": "#a3abb2", "edge": "#838b93",
    "band": "#dde1e4", "solid": "#2a3138", "hatch": "#8d969d", "selection": "#e8ecef",
    "high": "#8c1616", "medium": "#c76a00", "low": "#2f78c4", "neutral": "#70777f",
}  # fmt: skip
DARK = {
    "desk": "#0f1215", "paper": "#161a1e",
    "ink": "#e9ecee", "ink2": "#bcc3c9", "ink3": "#959da5",
    "rule": "#2a3036", "rule2": "#59626a", "edge": "#707a82",
    "band": "#2f363d", "solid": "#b4bbc1", "hatch": "#6a737b", "selection": "#252b31",
    "high": "#ff6b5e", "medium": "#ffc457", "low": "#6fb1ff", "neutral": "#a7adb5",
}  # fmt: skip

FONT = '"PT Sans", "Noto Sans", "Segoe UI", Arial, sans-serif'
CAPTION_FONT = '"PT Sans Caption", "PT Sans", "Noto Sans", "Segoe UI", Arial, sans-serif'
DASHES = {"low": "dot", "medium": "dash", "high": "solid"}


def dark_of_light() -> dict[str, str]:
    """What each light chart colour becomes on a dark page."""
    return {LIGHT[name]: DARK[name] for name in LIGHT}
