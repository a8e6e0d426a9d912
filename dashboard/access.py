"""Who asks, and who may. A callback says which roles it is open to; one that says nothing is open to nobody."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar

from flask import g, has_request_context

from fdm.people.roles import OFFICER, Actor, at_this_machine

Function = TypeVar("Function", bound=Callable[..., Any])
ROLES_OF = "open_to_roles"
NOBODY = Actor("", "", "")
_acting: ContextVar[Actor | None] = ContextVar("acting", default=None)


def open_to(*roles: str) -> Callable[[Function], Function]:
    """Marks a callback or a route with the roles that may call it; it stands directly on the function."""

    def marked(function: Function) -> Function:
        setattr(function, ROLES_OF, frozenset(roles))
        return function

    return marked


def roles_of(function: object) -> frozenset[str]:
    """The roles a function is open to; none when it does not say."""
    return frozenset(getattr(function, ROLES_OF, ()))


def viewer() -> Actor:
    """Who asks. In a request: whom the gate let in, else nobody. Outside of one: the officer at this machine."""
    if has_request_context():
        return g.get("actor", NOBODY)
    return _acting.get() or at_this_machine(OFFICER)


@contextmanager
def acting(actor: Actor) -> Iterator[None]:
    """Outside of a request, asks as somebody else; for tests."""
    token = _acting.set(actor)
    try:
        yield
    finally:
        _acting.reset(token)
