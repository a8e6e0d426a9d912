"""What is wrong with the condition of a rule, as its words alone show: in plain words, at their place, with a cure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import polars as pl

_QUOTES = "“”„‘’‚`´«»"  # as word processors write them
_TOKEN = re.compile(
    rf"'(?:[^']|'')*'|\"[^\"]*\"|[{_QUOTES}][^{_QUOTES}]*[{_QUOTES}]|[A-Za-z_][A-Za-z0-9_]*|\d+(?:\.\d+)?"
    r"|<=|>=|<>|!=|[()]|'|\"|;|--|\S"
)
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_WORDS = frozenset(
    ("and", "or", "not", "is", "null", "in", "between", "like", "ilike", "true", "false", "case", "when", "then")
) | {"else", "end", "cast", "as"}
_BARRED = frozenset(("select", "from", "with", "union", "insert", "update", "delete", "drop", "create", "alter"))
_COMPARES = frozenset(("=", "==", "<", ">", "<=", ">=", "<>", "!=", "like", "ilike"))
_UNITS = {  # as they are written behind a number -> in words; "" where no column is in it
    "kt": "knots", "m": "metres", "ft": "feet", "kg": "kilograms", "s": "seconds", "deg": "degrees", "g": "g",
    "%": "per cent", "pct": "per cent", "fraction": "a fraction of 1", "ratio": "a ratio", "count": "a count",
    **dict.fromkeys(
        ("kts", "kn", "knot", "knots", "kmh", "km", "nm", "mph", "mps", "metres", "meters", "feet", "t", "to", "tonnes",
         "lb", "lbs", "sec", "seconds", "ms", "min", "minutes", "h", "degrees", "percent", "°"), ""),
}  # fmt: skip
KINDS_APART = "Compare numbers with numbers, and text in single quotes with text."


@dataclass(frozen=True)
class Fault:
    """What is wrong with a condition: from character `start` up to `end`, in a sentence, with what to do."""

    start: int
    end: int
    problem: str
    cure: str = ""


def faults_in_words(
    text: str, columns: Mapping[str, Any], units: Mapping[str, str], barred: Collection[str] = ()
) -> list[Fault]:
    """Brackets and quotes left open, units, text without its quotes, names that there are not, what is no condition.

    columns    every name that may stand in a condition, with its type
    units      name -> the unit that it is in, where it has one
    barred     names that whoever writes it may not use: none of them is proposed
    """
    return list(_Words(text, columns, units, barred).faults())


class _Words:
    """The words of one condition, read one after the other."""

    def __init__(
        self, text: str, columns: Mapping[str, Any], units: Mapping[str, str], barred: Collection[str]
    ) -> None:
        self.text, self.columns, self.units, self.barred = text, columns, units, barred
        self.tokens = list(_TOKEN.finditer(text))
        self.words = [token.group() for token in self.tokens]
        self.open: list[int] = []

    def faults(self) -> Iterator[Fault]:
        i = 0
        while i < len(self.tokens):
            word, (start, end) = self.words[i], self.tokens[i].span()
            if word in ("'", '"'):
                yield Fault(start, len(self.text), "a quotation mark is not closed", f"Add {word} where the text ends.")
                return
            if word == ")" and not self.open:
                yield Fault(start, end, "closes a bracket that was not opened", "Take it out, or open one before.")
                return
            if word in (";", "--") or word.lower() in _BARRED:
                yield Fault(start, end, f"'{word}' has no place in a condition", "Write one condition, as bounces > 0.")
                return
            if word == "(":
                self.open.append(start)
            elif word == ")":
                self.open.pop()
            found, i = self._at(i)
            yield from found
        for start in self.open:
            yield Fault(start, start + 1, "this bracket is not closed", "Add ) where it ends.")

    def _at(self, i: int) -> tuple[list[Fault], int]:
        """What is wrong from one word on, and the word to go on with."""
        unit = self._unit_until(i)
        if unit > i:
            return [self._unit(i, unit)], unit
        text = self._text_until(i)
        if text > i:
            return [self._unquoted(i, text)], text
        return list(self._name(i)), i + 1

    def _after(self, i: int) -> str:
        return self.words[i + 1] if i + 1 < len(self.words) else ""

    def _before(self, i: int) -> str:
        return self.words[i - 1].lower() if i else ""

    # --- units

    def _unit_until(self, i: int) -> int:
        """The word after the unit that stands from a word on, behind a number; the word itself when none does."""
        word = self.words[i].lower()
        if word not in _UNITS or not _NUMBER.fullmatch(self._before(i)) or word in self.columns:
            return i
        if word == "%" and (_NUMBER.fullmatch(self._after(i)) or self._after(i) in self.columns):
            return i  # what is left of a division
        return i + 3 if self._after(i) == "/" and i + 2 < len(self.words) else i + 1

    def _unit(self, i: int, until: int) -> Fault:
        start, end = self.tokens[i].start(), self.tokens[until - 1].end()
        named = [word for word in self.words[:i] if word in self.columns]
        unit = _UNITS.get(self.units.get(named[-1], "")) if named else None
        said = f": {named[-1]} is {'' if unit.startswith('a ') else 'in '}{unit}" if unit else ""
        return Fault(start, end, f"'{self.text[start:end]}' is a unit", f"Leave the unit out{said}.")

    # --- text

    def _text_until(self, i: int) -> int:
        """The word after a text that stands from a word on without single quotes; the word itself when none does."""
        word = self.words[i]
        plain = word.strip('"')
        if word[0] in _QUOTES:
            return i + 1
        compared = self._before(i) in _COMPARES or (
            self._before(i) in ("(", ",") and "in" in map(str.lower, self.words[:i])
        )
        if plain in self.columns or not compared:
            return i
        if word[0] == '"':
            return i + 1
        if not _NAME.fullmatch(word) or word.lower() in _WORDS or self._after(i) == "(" or not self._of_text(i):
            return i
        if self._near(word):
            return i
        last = i
        while _NUMBER.fullmatch(self._after(last)) or (
            _NAME.fullmatch(self._after(last)) and self._after(last).lower() not in _WORDS
        ):
            last += 1
        return last + 1

    def _of_text(self, i: int) -> bool:
        """Whether the last name before a word is that of a text."""
        named = [word for word in self.words[:i] if word in self.columns]
        return bool(named) and self.columns[named[-1]] == pl.String

    def _unquoted(self, i: int, until: int) -> Fault:
        start, end = self.tokens[i].start(), self.tokens[until - 1].end()
        said = "'" + self.text[start:end].strip(f'"{_QUOTES}').replace("'", "''") + "'"
        compared = i > 1 and self.words[i - 2] in self.columns and self._before(i) in _COMPARES
        example = f"{self.words[i - 2]} {self.words[i - 1]} {said}" if compared else said
        return Fault(
            start, end, f"{self.text[start:end]} is no name of a column", f"Text stands in single quotes: {example}."
        )

    # --- names

    def _name(self, i: int) -> Iterator[Fault]:
        word, span = self.words[i], self.tokens[i].span()
        plain, quoted = word.strip('"'), word[0] == '"'
        if plain in self.barred:
            yield Fault(*span, f"'{plain}' would tell whose landing it is", "Ask the safety officer to try this.")
        if not (quoted or _NAME.fullmatch(word)) or self._after(i) == "(" or plain in self.columns:
            return
        if not quoted and plain.lower() in _WORDS:
            if len(self.words) == 1 and plain.lower() not in ("true", "false"):
                yield Fault(*span, f"'{word}' alone is no condition", "Write one such as bounces > 0.")
            return
        if "_" in plain or quoted or plain.islower() or plain.lower() in self.columns:
            yield self.no_such(plain, span)

    def no_such(self, name: str, span: tuple[int, int]) -> Fault:
        what = f"there is no landing column or single-valued measure '{name}'"
        return Fault(*span, what, did_you_mean(name, [one for one in self.columns if one not in self.barred]))

    def _near(self, name: str) -> bool:
        return bool(get_close_matches(name.lower(), self.columns, n=1, cutoff=0.75))


def did_you_mean(name: str, names: Collection[str]) -> str:
    """The nearest of some names, whatever its case; else where the names stand."""
    close = get_close_matches(name.lower(), sorted(names), n=1, cutoff=0.6)
    return f"Did you mean '{close[0]}'?" if close else "Choose one of the names that may stand in a condition."


def no_such_name(text: str, name: str, columns: Mapping[str, Any], barred: Collection[str] = ()) -> Fault:
    """That there is no such name, at its place."""
    words = _Words(text, columns, {}, barred)
    spans = [token.span() for token in words.tokens if token.group().strip('"') == name]
    return words.no_such(name, spans[0] if spans else (0, len(text)))


def kinds_apart(text: str, columns: Mapping[str, Any]) -> Fault:
    """Which values of a condition cannot be compared, as of different kinds: a list, or a number and a text."""
    tokens = list(_TOKEN.finditer(text))
    for token in tokens:
        name = token.group().strip('"')
        if isinstance(columns.get(name), pl.List):
            return Fault(*token.span(), f"{name} is a list; a condition needs a single number or text")
    return _number_and_text(tokens, columns) or Fault(0, len(text), "compares values of different kinds", KINDS_APART)


def _number_and_text(tokens: Sequence[re.Match[str]], columns: Mapping[str, Any]) -> Fault | None:
    """The first name that stands beside a value of another kind."""
    for here, between, there in zip(tokens, tokens[1:], tokens[2:], strict=False):
        for one, other in ((here, there), (there, here)):
            name, value = one.group().strip('"'), other.group()
            if name not in columns or between.group().lower() not in {*_COMPARES, "+", "-", "*", "/", "between"}:
                continue
            is_, said = (
                _kind(columns[name]),
                "text" if value[0] == "'" else "a number" if _NUMBER.fullmatch(value) else "",
            )
            if said and is_ != said:
                cure = f"Text stands in single quotes: '{value}'." if is_ == "text" else ""
                return Fault(here.start(), there.end(), f"{name} is {is_}; {value} is {said}", cure)
    return None


def _kind(dtype: Any) -> str:
    if dtype == pl.String:
        return "text"
    return "a number" if dtype.is_numeric() else "a time"
