"""What an officer alone asks of the store: events that are none any more, and what the rule book changed."""

from __future__ import annotations

import polars as pl

from dashboard.bookchanges import BookChange, change_of
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.people.roles import OFFICER
from fdm.people.standing import CURRENT, fires_no_longer


def gone(store: Store) -> pl.DataFrame:
    """What stands (standing.CURRENT) on events that the archive holds no more. Nothing for other roles."""
    if store.desk is None or store.role() != OFFICER:
        return pl.DataFrame(schema=CURRENT)
    events = store.whole().events.select("event_id")
    return store.desk.verdicts().current.join(events, on="event_id", how="anti", maintain_order="left")


def no_longer(store: Store) -> pl.DataFrame:
    """The same with landing_id, rule, and `says` why (standing.fires_no_longer); the last decided first."""
    found = gone(store)
    if found.is_empty():
        return found
    told = fires_no_longer(found, store.whole().events, store.outcomes())
    return told.sort("decided_utc", descending=True, nulls_last=True)


def book_change(store: Store) -> BookChange | None:
    """What the rule book in use changed; None when that is not known."""
    if store.desk is None:
        return None
    run = store.whole().run
    try:
        books = store.desk.books()
        versions = books.versions()
        return store.kept(("book change", versions.height), lambda: change_of(books, versions, run))
    except FdmError:
        return None


def airfields_with(store: Store, runway_length_m: float | None) -> int:
    """How many airfields of the archive have a runway that reads as long, in whole metres; 0 when that is not known."""
    if runway_length_m is None:
        return 0
    length = pl.col("runway_length_m").round(0)
    return store.held().landings.filter(length == round(runway_length_m))["arrival"].n_unique()


def alike(store: Store, landing_id: str, told: tuple[str, ...]) -> int:
    """How many landings are the same as one in these columns, itself among them."""
    landings = store.held().landings
    one = landings.filter(pl.col("landing_id") == landing_id).select(told)
    return landings.join(one, on=told, how="semi", nulls_equal=True).height
