"""What people may write."""

from __future__ import annotations

import pytest

from fdm.people.errors import PeopleError
from fdm.people.texts import clean


def test_signs_that_turn_the_direction_of_writing_are_left_out() -> None:
    """Unicode Standard Annex 9, table 4: U+202E has what follows it shown backwards."""
    assert clean("safe \u202eteg ot\u202c limit", "the reason") == "safe teg ot limit"
    assert clean("\u2066left\u2069 \u200f\u061cright\u200e", "the reason") == "left right"
    assert clean("שלום, Tromsø", "the reason") == "שלום, Tromsø"
    with pytest.raises(PeopleError, match="the reason is missing"):
        clean(" \u202e ", "the reason", needed=True)
