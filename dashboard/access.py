"""Who asks, and who may. A callback says which roles it is open to; one that says nothing is open to nobody."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from fdm.people.roles import OFFICER, Actor, at_this_machine

Function = TypeVar("Function", bound=Callable[..., Any])
ROLES_OF = "open_to_roles"


def open_to(*roles: str) -> Callable[[Function], Function]:
    """Marks a callback or a route with the roles that may call it; it stands directly on the function."""

    def marked(function: Function) -> Function:
        setattr(function, ROLES_OF, frozenset(roles))
        return function

    return marked


def viewer() -> Actor:
    """Who asks: the officer at this machine."""
    return at_this_machine(OFFICER)
