"""The work that may be asked for from the browser, each a function that returns what it came to in a sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence

Progress = Callable[[int, int, str], None]


def load(archive: str, sources: Sequence[str], progress: Progress, map_file: str | None = None) -> str:
    """Recordings into the archive."""
    from fdm.engine import load as load_recordings

    def counted(done: int, in_all: int, _file: str) -> None:
        progress(done, in_all, "files")  # a recording's name may be a flight's, and is not kept

    report = load_recordings(sources, archive, map_file=map_file, progress=counted)
    counts = dict(report.flights.group_by("action").len().sort("action").iter_rows())
    flights = ", ".join(f"{number:,} {action}" for action, number in counts.items()) or "none"
    return f"{report.landings:,} landings put into the archive; flights: {flights}."


def detect(archive: str, progress: Progress, rules: str | None = None) -> str:
    """Measure and judge every landing of the archive, then estimate what the events cost."""
    from fdm.cost import keep_costs
    from fdm.engine import detect as detect_events

    def counted(done: int, in_all: int, _part: str) -> None:
        progress(done, in_all, "parts of the archive")

    report = detect_events(archive, rules=rules, progress=counted)
    events = ", ".join(f"{report.events.get(name, 0):,} {name}" for name in ("high", "medium", "low"))
    costs = keep_costs(archive, progress=lambda done, in_all, _what: progress(done, in_all, "estimates of costs"))
    told = f" {costs.told:,} of {costs.events:,} costs estimated." if costs.events else ""
    return f"{report.landings:,} landings judged by {report.rule_book}; events: {events}.{told}"
