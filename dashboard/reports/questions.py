"""What the figures of a week ask of the board: each question with its evidence, the board's to answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

from dashboard import words
from dashboard.health_marks import presence
from dashboard.reports.weekly import Given, Week

MOST = 4
FEWEST_DECIDED = 10  # below it a count is told, not a share
NUISANCE_SHARE = 0.5
NOT_ASSESSED_SHARE = 0.02
WORTH_M = 100.0  # given away at one runway


@dataclass(frozen=True)
class Question:
    """A question, and what stands behind it."""

    asks: str
    evidence: str


def questions(
    week: Week, runways: Sequence[Given], drifting: Sequence[Mapping[str, Any]], silent: Sequence[Mapping[str, Any]]
) -> tuple[Question, ...]:
    """The most pressing ones."""
    sources = (_risen(week), _drifts(drifting), _runway(runways), _limits(week), _recorder(week, silent))
    first = [question for source in sources for question in islice(source, 1)]
    return tuple(first[:MOST])


def _risen(week: Week) -> Iterator[Question]:
    for kind in week.kinds:
        if kind.signal == "above" and kind.usual is not None:
            now = words.rate(kind.weeks[-1][1])
            yield Question(
                f"What changed for “{kind.title}”?",
                f"{now}; usual {kind.usual:.1f}, upper limit {kind.limits[1] if kind.limits else 0:.1f}.",
            )


def _drifts(drifting: Sequence[Mapping[str, Any]]) -> Iterator[Question]:
    for row in drifting:
        engine = f" of engine {row['engine']}" if row["engine"] else ""
        slope = f"{row['per_30_days']:+.2f} ({row['per_30_days_lower']:+.2f} to {row['per_30_days_upper']:+.2f})"
        yield Question(
            f"What is to be done about {row['tail']}: {row['what']}{engine}?",
            f"Was {words.quantity(row['was'], row['unit'])}, now {words.quantity(row['now'], row['unit'])}; "
            f"{slope} {row['unit']} per 30 days over {words.count(row['landings'], 'landing')}.",
        )


def _runway(runways: Sequence[Given]) -> Iterator[Question]:
    for row in runways:
        if row.metres >= WORTH_M and row.landings > 1:
            yield Question(
                f"Is there a reason for late devices at {row.name}?",
                f"About {words.number(round(row.metres, -1), 'm')} m of runway given away in "
                f"{words.count(row.landings, 'landing')}.",
            )


def _limits(week: Week) -> Iterator[Question]:
    for kind in week.kinds:
        decided = kind.valid + kind.nuisance + kind.false
        if decided >= FEWEST_DECIDED and kind.nuisance / decided >= NUISANCE_SHARE:
            yield Question(
                f"Are the limits of “{kind.title}” right?",
                f"{kind.nuisance} of {decided} decided events were decided nuisance.",
            )


def _recorder(week: Week, silent: Sequence[Mapping[str, Any]]) -> Iterator[Question]:
    missing = week.landings - week.assessed.part
    if week.landings and missing / week.landings >= NOT_ASSESSED_SHARE:
        reason = f": {words.plain(week.reasons[0][0])}" if week.reasons else ""
        yield Question(
            "Who repairs the recordings that could not be assessed?",
            f"{missing} of {words.count(week.landings, 'landing')}{reason}.",
        )
    for row in silent:
        yield Question(
            f"Who repairs {words.plain(str(row['parameter']))} on {row['tail']}?",
            f"It {presence(row)}.",
        )
