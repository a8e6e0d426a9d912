"""What was made last, kept by what it was made from."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Any, TypeVar

Made = TypeVar("Made")


class Once:
    """The things asked for last, each made once, also when several threads ask at the same time.

    most    how many are kept
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, Future[Any]] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What is kept under a key; made when it is not, by the first who asks. What `make` raises is raised to all who
        wait, and not kept. `make` must not ask for its own key.
        """
        with self._lock:
            known = self._kept.get(key)
            found: Future[Made] = known or Future()
            self._kept[key] = found
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        if known is None:
            self._fill(key, found, make)
        return found.result()

    def _fill(self, key: Hashable, found: Future[Made], make: Callable[[], Made]) -> None:
        try:
            found.set_result(make())
        except BaseException as error:
            with self._lock:
                if self._kept.get(key) is found:
                    del self._kept[key]
            found.set_exception(error)
