"""One landing, told step by step."""

from __future__ import annotations

from dash import Dash, html

from dashboard.pages.frame import message
from dashboard.store import Store


def layout(_store: Store, _name: str, _search: str) -> html.Div:
    """The page of one landing."""
    return message("This page is being built.", "/", "Back to the week")


def register(_app: Dash, _store: Store) -> None:
    """No callbacks yet."""
