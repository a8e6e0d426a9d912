"""What people may write: any text that every database and page can keep, within a length."""

from __future__ import annotations

import unicodedata

from fdm.people.errors import PeopleError

LINE, NOTE = 200, 4000  # characters
KEPT = "\n\t"
# Unicode Standard Annex 9, table 4, and the marks of its section 2.6: they turn the order of what stands after them
TURNING = dict.fromkeys(map(ord, "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"))


def clean(text: str | None, what: str, most: int = LINE, *, needed: bool = False) -> str | None:
    """The text without blanks around it and without signs that turn the direction of writing, None when empty.

    raises    PeopleError when it is needed and empty, too long, or holds characters that cannot be shown
    """
    said = (text or "").replace("\r\n", "\n").translate(TURNING).strip()
    if needed and not said:
        raise PeopleError(f"{what} is missing", cure="Say it in a few words.")
    if len(said) > most:
        raise PeopleError(f"{what} has {len(said):,} characters", cure=f"Keep it within {most:,}.")
    if any(unicodedata.category(sign) in ("Cc", "Cs") and sign not in KEPT for sign in said):
        raise PeopleError(f"{what} holds characters that cannot be shown", cure="Type it in again.")
    return said or None
