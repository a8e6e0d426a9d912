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
from fdm.people.times import in_words

if TYPE_CHECKING:
    from fdm.people.acts import Act

UNTOUCHED = "Nothing was overwritten"


class PeopleError(FdmError):
    """Something about people's work cannot be done."""


class StoreError(PeopleError):
    """The store is damaged, foreign, full, or of a newer version."""


class StoreUnavailable(StoreError):  # noqa: N818  the trade's word, not an "error" to the reader
    """The store does not answer now; trying again later may help."""


class ReviewError(PeopleError):
    """A review cannot be done as asked."""


class AlreadyDecided(ReviewError):  # noqa: N818
    """Somebody decided since this person looked; nothing was saved. `decision` is what stands now.

    saw        act_id of the decision that the person saw or would take back, None when they saw none
    undoing    they wanted to take it back, not to decide
    """

    def __init__(self, decision: Act, saw: int | None, *, undoing: bool = False):
        if decision.undoes is None:
            problem = f"{_decided(decision)}, since you looked. {UNTOUCHED}"
            cure = "Read that decision, then decide again if you still differ."
        elif undoing:
            problem, cure = _taken_back(decision, saw), None
        else:
            problem, cure = f"{_taken_back(decision, saw)}. {UNTOUCHED}", "Decide again if you still differ."
        super().__init__(problem, source=decision.event_id, cure=cure)
        self.decision = decision


class AccountError(PeopleError):
    """An account, a password or a session cannot be used."""


class NotAllowed(PeopleError):  # noqa: N818
    """This role may not do this."""


class JobError(PeopleError):
    """Work cannot be queued or stopped as asked."""


class KeyFileError(PeopleError):
    """The pseudonym key cannot be used."""


def _decided(act: Act) -> str:
    did = f"decided '{act.state}'" if act.state else "reopened this event"
    return f"{act.by} {did} on {in_words(act.at_utc)}"


def _taken_back(act: Act, saw: int | None) -> str:
    which = "that" if act.undoes == saw else "a"
    now = f"'{act.state}' again" if act.state else "undecided"
    return f"{act.by} took {which} decision back on {in_words(act.at_utc)}; the event is {now}"
