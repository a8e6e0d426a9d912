"""What can go wrong with people's work.

PeopleError
├── StoreError             the store is damaged, foreign, full, or of a newer version
│   └── StoreUnavailable   the store does not answer now; trying again later may help
├── ReviewError            a review cannot be done as asked
│   └── AlreadyDecided     somebody else came first; carries their decision
├── AccountError           an account, a password or a session cannot be used
├── NotAllowed             this role may not do this
├── JobError               work cannot be queued or stopped as asked
└── KeyFileError           the pseudonym key cannot be used
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fdm.errors import FdmError

if TYPE_CHECKING:
    from fdm.people.acts import Act


class PeopleError(FdmError):
    """Something about people's work cannot be done."""


class StoreError(PeopleError):
    """The store is damaged, foreign, full, or of a newer version."""


class StoreUnavailable(StoreError):  # noqa: N818  the trade's word, not an "error" to the reader
    """The store does not answer now; trying again later may help."""


class ReviewError(PeopleError):
    """A review cannot be done as asked."""


class AlreadyDecided(ReviewError):  # noqa: N818
    """Somebody decided since this person looked; nothing was saved. `decision` is what stands now."""

    def __init__(self, decision: Act):
        super().__init__(
            f"{decision.said}, since you looked. Nothing was overwritten",
            source=decision.event_id,
            cure="Read that decision, then decide again if you still differ.",
        )
        self.decision = decision


class AccountError(PeopleError):
    """An account, a password or a session cannot be used."""


class NotAllowed(PeopleError):  # noqa: N818
    """This role may not do this."""


class JobError(PeopleError):
    """Work cannot be queued or stopped as asked."""


class KeyFileError(PeopleError):
    """The pseudonym key cannot be used."""
