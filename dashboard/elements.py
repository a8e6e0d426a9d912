"""A block of server-made markup as a Dash component.

Lists of a hundred lines with drawn marks are far quicker as one string than as thousands of components,
and SVG is not among Dash's own elements. The browser half is assets/watch.js.
Every string that enters `markup` is escaped by markupsafe, so the type asks for Markup, not str.
"""

from __future__ import annotations

from dash.development.base_component import Component
from markupsafe import Markup


class Block(Component):
    """Markup shown as it is. An equal markup leaves the page, and the focus in it, untouched."""

    _children_props: list[str] = []  # noqa: RUF012
    _base_nodes: list[str] = []  # noqa: RUF012
    _namespace = "rollout_watch"
    _type = "Block"
    _prop_names: list[str] = ["id", "className", "markup"]  # noqa: RUF012
    _valid_wildcard_attributes: list[str] = []  # noqa: RUF012
    available_properties: list[str] = ["id", "className", "markup"]  # noqa: RUF012
    available_wildcard_properties: list[str] = []  # noqa: RUF012

    def __init__(self, id: str, markup: Markup = Markup(""), className: str = "") -> None:  # noqa: A002, N803, B008
        super().__init__(id=id, markup=str(markup), className=className)
