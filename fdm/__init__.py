"""Rollout Watch: from recorded flights to judged landing rollouts.

In a notebook the verbs and tables are functions of this package (`fdm.notebook`): load, detect, compact; landings,
events, measures, instants, outcomes; judge, compare, files. They are imported when they are first used.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = [
    "compact", "compare", "costs", "detect", "events", "files", "instants", "judge", "keep_costs", "landings", "load",
    "measures", "outcomes",
]  # fmt: skip

if TYPE_CHECKING:
    from fdm.notebook import (
        compact,
        compare,
        costs,
        detect,
        events,
        files,
        instants,
        judge,
        keep_costs,
        landings,
        load,
        measures,
        outcomes,
    )


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(importlib.import_module(f"{__name__}.notebook"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


class _Called(ModuleType):
    """A module of this package with the name of a function for the notebook (judge, measures): it can be called too."""

    def __call__(self, *given: Any, **named: Any) -> Any:
        verbs = importlib.import_module(f"{__package__}.notebook")
        return getattr(verbs, self.__name__.rpartition(".")[2])(*given, **named)


class _Package(ModuleType):
    """This package: a module that is put into it under the name of a function can be called as that function."""

    def __setattr__(self, name: str, value: object) -> None:
        if name in __all__ and isinstance(value, ModuleType):
            value.__class__ = _Called
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
