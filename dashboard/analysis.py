"""What the analyst's pages read of the archive: over all landings, and shown as the viewer may see it."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import polars as pl

from dashboard.store import Store
from fdm.archive import Archive
from fdm.errors import ArchiveError
from fdm.rulebook import RuleBook, load_rule_book
from fdm.tuning import landings_stood
from fdm.unassessed import unassessed

BOOKS = 4  # kept: the one in force, the one before, the shipped one, and one more


def archive_of(store: Store) -> Archive:
    """The archive behind the store, as it is now. ArchiveError when there is none, as in an invented one."""
    source = store.archive()
    if not isinstance(source, Archive):
        raise ArchiveError("the landings' measures cannot be read one by one here")
    return source


def book_in_force(store: Store) -> RuleBook:
    """The rule book that the archive was judged by, as its folder is now. RuleError when it cannot be read."""
    return book_in(Path(store.whole().run["rules"]))


def edited(store: Store) -> str:
    """What in the rule book in force is not as it was when the archive was judged, by title; "" when nothing is.

    Only rules that found an event are kept as they were. Raises RuleError when the rule book cannot be read.
    """
    whole = store.whole()
    if not whole.run.get("rules") or (book := book_in_force(store)).hash == whole.run.get("rule_book_hash"):
        return ""
    hashes = {name: rule.hash for name, rule in book.rules.items()}
    used = whole.events.select("rule", "rule_hash", "title").unique().sort("title", nulls_last=True)
    titles = [title or rule for rule, was, title in used.iter_rows() if hashes.get(rule) != was]
    return ", ".join(dict.fromkeys(titles)) or "the rule book, but no rule that found an event"


def book_in(folder: Path) -> RuleBook:
    """The rule book of a folder as it is now, read anew only when a file is another. RuleError when it is none."""
    try:
        files = tuple((file.name, file.read_bytes()) for file in sorted(folder.glob("*.toml")))
    except OSError:
        return load_rule_book(folder)  # which says what cannot be read
    return _read(folder, files)


@lru_cache(maxsize=BOOKS)
def _read(folder: Path, _files: tuple[tuple[str, bytes], ...]) -> RuleBook:
    return load_rule_book(folder)


def stood(store: Store, rule: str, where: str | None = None) -> pl.DataFrame:
    """tuning.STOOD of every landing, with its `month` and `place`, and of events `verdict` and `decided`.

    where      a condition to be tried in place of the rule's own; "" for none
    reason     why the limits in force do not assess the landing under it, null where they do; `not_for`, whether that
               is because the rule is not for the landing
    ..._now    `barred` and `not_for` by the rule's own condition

    With identities: pass what is shown of it to `store.shown`. Raises RuleError, ArchiveError.
    """
    archive = archive_of(store)
    book = book_in_force(store)
    own = _kept(store, archive, book, rule, None)
    found = own if where is None else _kept(store, archive, book, rule, where)
    found = found.with_columns(barred_now=own["barred"], not_for_now=own["not_for"])
    event = pl.concat_str("landing_id", pl.lit(f"-{rule}")).alias("event_id")
    events = (
        store.whole()
        .events.filter(pl.col("rule") == rule)
        .select("event_id", "severity", "origin", "origin_confidence")
    )
    joined = found.with_columns(event).join(events, on="event_id", how="left", maintain_order="left")
    verdicts = store.desk.verdicts().current if store.desk else pl.DataFrame(schema={"event_id": pl.String})
    if "verdict" not in verdicts.columns:
        return joined.with_columns(verdict=pl.lit(None, pl.String))
    said = verdicts.select("event_id", "verdict").unique("event_id", keep="last")
    return joined.join(said, on="event_id", how="left", maintain_order="left")


def _kept(store: Store, archive: Archive, book: RuleBook, rule: str, where: str | None) -> pl.DataFrame:
    return store.kept(("stood", book.hash, rule, where), lambda: _measured(archive, book, rule, where))


def _measured(archive: Archive, book: RuleBook, rule: str, where: str | None) -> pl.DataFrame:
    found = landings_stood(archive, book, rule, where).with_columns(
        month=pl.col("touchdown_utc").dt.strftime("%Y-%m"),
        place=pl.concat_str("arrival", "runway", separator=" ", ignore_nulls=True),
    )
    why = unassessed(archive, book, rule, where)
    with_reason = found.join(why, on="landing_id", how="left", maintain_order="left")
    return with_reason.with_columns(pl.col("not_for").fill_null(False))
