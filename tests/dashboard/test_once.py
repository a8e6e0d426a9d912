"""What was made last is kept: made once, by one thread, and not when it failed."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.once import Once


class Asked(str):
    """A key that tells when it is looked for."""

    looked_for: threading.Event

    def __hash__(self) -> int:
        self.looked_for.set()
        return super().__hash__()


def test_two_who_ask_at_the_same_time_get_what_one_of_them_made():
    once, made = Once(4), []
    second = Asked("list")
    second.looked_for = threading.Event()
    begun = threading.Event()

    def make() -> int:
        made.append("list")
        begun.set()
        assert second.looked_for.wait(10)
        return len(made)

    def ask_second() -> int:
        assert begun.wait(10)
        return once.get(second, make)

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(once.get, "list", make)
        other = pool.submit(ask_second)
        assert (first.result(10), other.result(10), made) == (1, 1, ["list"])


def test_the_things_asked_for_last_are_kept():
    once, made = Once(2), []

    def ask(key: str) -> str:
        return once.get(key, lambda: made.append(key) or key)

    assert [ask(key) for key in "abaca"] == list("abaca")
    assert made == ["a", "b", "c"]
    ask("b")
    assert made == ["a", "b", "c", "b"]


def test_what_failed_is_told_and_made_again():
    once = Once(2)
    with pytest.raises(ZeroDivisionError):
        once.get("share", lambda: 1 / 0)
    assert once.get("share", lambda: 0.5) == 0.5
