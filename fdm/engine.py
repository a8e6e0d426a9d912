"""The verbs: load, detect, table. Each a plain function, returning Polars frames, for a notebook or a command line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.crew import Crew, crew_of
from fdm.detecting import (
    NOTHING_DEAD,
    Done,
    Job,
    PartJob,
    judged_folder,
    live_digest,
    measured_folder,
    run_job,
)
from fdm.errors import ArchiveError
from fdm.loading import LoadReport, load
from fdm.partitions import layout_key_of
from fdm.results import JUDGED, MEASURED, TABLES, WHOLE, PartResults, Results
from fdm.rulebook import RuleBook, load_rule_book
from fdm.storage import read_parquet
from fdm.tails import dead_discretes

Progress = Callable[[int, int, str], None]
MEASURED_TOGETHER = 2000  # landings
JUDGED_TOGETHER = 8  # parts
MOST_TOLD = 5  # failures


@dataclass(frozen=True)
class DetectReport:
    """What detect found: counts of landings, outcomes and events by severity, and the rule book's label.

    measured, judged   landings that had to be measured, or judged by some rule, anew
    """

    rule_book: str
    landings: int
    events: dict[str, int]
    outcomes: dict[str, int]
    measured: int = 0
    judged: int = 0


def detect(
    archive: Path | str,
    *,
    rules: Path | str | None = None,
    workers: int = 1,
    cluster: str | None = None,
    wait: bool = False,
    progress: Progress | None = None,
) -> DetectReport:
    """Rebuild, measure and judge every landing of an archive, and put the results in force in it.

    Only what changed is done anew: landings whose recording or whose rule book's settings changed are measured, rules
    that changed are judged. The results are those of a run from scratch. What events cost is estimated after this, by
    `fdm.cost.keep_costs`.

    rules     folder of the rule book; the shipped one when None
    workers   processes on this machine; cluster, address of a Dask scheduler whose workers reach the archive's address
    wait      wait for another writer instead of refusing
    raises    ArchiveError, RuleError
    """
    store, book = Archive(archive), load_rule_book(rules)
    with store.writing("detect", wait=wait), crew_of(workers, cluster) as crew:
        detection = _Detection(store, book, crew, progress)
        parts = detection.run()
        results = Results(store.storage, {**_run(book), "before": _before(store, book)}, parts)
        store.replace(results=_with_costs_of(store, results) if parts == detection.before else results)
    return _report(book, detection)


def _with_costs_of(store: Archive, results: Results) -> Results:
    """The costs in force, for the same events judged again."""
    kept = {name: when for name, when in store.run.items() if name == "costed_utc"}
    return replace(results, run={**results.run, **kept}, costs=store.results.costs)


def _report(book: RuleBook, detection: _Detection) -> DetectReport:
    events, outcomes, landings = Counter[str](), Counter({"event": 0, "within": 0, "not_assessed": 0}), 0
    for part in detection.found.values():
        landings += part.landings
        events.update(part.events)
        outcomes.update(part.outcomes)
    measured, judged = sum(detection.measured.values()), sum(detection.judged.values())
    return DetectReport(book.label, landings, dict(events), dict(outcomes), measured, judged)


@dataclass
class _Detection:
    """One run: what is known already, and what comes of the rest."""

    store: Archive
    book: RuleBook
    crew: Crew
    progress: Progress | None
    live: dict[str, list[str]] = field(default_factory=dict)
    names: dict[str, set[str]] = field(default_factory=dict)
    before: Mapping[str, PartResults] = field(default_factory=dict)
    found: dict[str, PartResults] = field(default_factory=dict)
    measured: dict[str, int] = field(default_factory=dict)
    judged: dict[str, int] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def run(self) -> dict[str, PartResults]:
        """The results of every part that holds a landing in force."""
        self.live = dict(self.store.live().iter_rows())
        self.names = {kind: set(self.store.storage.names(kind)) for kind in (MEASURED, JUDGED)}
        folders = {part: measured_folder(part, self.book.settings_hash) for part in self.live}
        with suppress(ArchiveError):  # a list that is damaged is made anew
            self.before = self.store.results.parts
        valid = {p: of for p, of in self.before.items() if of.measured == folders.get(p) and self._kept(of)}
        there = self._there({p: f for p, f in folders.items() if p not in valid})
        jobs = [self._job(p, f, known=p in there) for p, f in folders.items() if p not in valid]
        self._do(_together(jobs, {p: len(ids) for p, ids in self.live.items()}, self.crew.size))
        self._stop_if_failed()
        self.found = {p: self.found.get(p) or valid[p] for p in folders}
        dead = self._dead()
        anew = [self._job(p, f, True, dead.get(p)) for p, f in folders.items() if not self._holds(p, dead.get(p))]
        each = max(1, min(JUDGED_TOGETHER, -(-len(anew) // self.crew.size)))
        self._do([anew[i : i + each] for i in range(0, len(anew), each)])
        self._stop_if_failed()
        if self.progress:
            self.progress(len(folders), len(folders), "")
        return self.found

    def _kept(self, of: PartResults) -> bool:
        """Whether the folders of some results are still there."""
        there = {f"{kind}/{name}" for kind, names in self.names.items() for name in names}
        return {of.measured, of.judged} <= there

    def _there(self, folders: Mapping[str, str]) -> set[str]:
        """Parts that were measured already, also by a run that did not come to its end."""
        there = {p: f for p, f in folders.items() if f.partition("/")[2] in self.names[MEASURED]}
        return {p for p, f in there.items() if self.store.storage.exists(f"{f}/{WHOLE}")}

    def _job(self, part: str, folder: str, known: bool, dead: pl.DataFrame | None = None) -> PartJob:
        before = self.before.get(part)
        before = before if before and self._kept(before) else None
        settled = part in self.found
        nothing = NOTHING_DEAD if dead is None else dead
        return PartJob(part, tuple(self.live[part]), folder, known, before, nothing, settled)

    def _holds(self, part: str, dead: pl.DataFrame | None) -> bool:
        """Whether a part's judgements are those of this rule book, these landings and these dead discretes."""
        of = self.found[part]
        folder = judged_folder(part, of.measured, NOTHING_DEAD if dead is None else dead, self.book)
        return of.judged == folder and of.live == live_digest(self.live[part])

    def _do(self, groups: Sequence[Sequence[PartJob]]) -> None:
        jobs = [Job(self.store.address, self.book, tuple(group)) for group in groups]
        done, total = 0, sum(len(group) for group in groups)
        for job, results in zip(jobs, self.crew.map(run_job, jobs), strict=True):
            for one in results:
                self._take(one)
            done += len(job.parts)
            if self.progress:
                self.progress(done, total, job.name)

    def _take(self, one: Done) -> None:
        if one.results is None:
            self.failed.append(f"{one.part}: {one.problem}")
            return
        self.found[one.part] = one.results
        self.measured[one.part] = self.measured.get(one.part, 0) + one.measured
        self.judged[one.part] = max(self.judged.get(one.part, 0), one.judged)  # again, when a discrete was dead before

    def _stop_if_failed(self) -> None:
        if self.failed:
            told = "".join(f"\n  {line}" for line in self.failed[:MOST_TOLD])
            more = f"\n  and {len(self.failed) - MOST_TOLD} more" if len(self.failed) > MOST_TOLD else ""
            raise ArchiveError(
                f"{len(self.failed)} of {len(self.live)} parts could not be judged; the results of before stay in force"
                + told
                + more,
                source=self.store.address,
            )

    def _dead(self) -> dict[str, pl.DataFrame]:
        """Dead discretes of each part, from all landings of the tails that hint at one."""
        suspects = {pair for of in self.found.values() for pair in of.suspects}
        if not suspects:
            return {}
        tails = [tail for tail, _ in suspects if tail is not None]
        of_suspects = pl.col("tail").is_in(tails)
        if len(tails) < len(suspects):
            of_suspects = of_suspects | pl.col("tail").is_null()
        rows = list(self._tails(of_suspects))
        if not rows:
            return {}
        landings, seen = (pl.concat(frames) for frames in zip(*rows, strict=True))
        found = dead_discretes(landings, seen).join(landings.select("landing_id", "part"), on="landing_id")
        return {str(part): frame.drop("part") for (part,), frame in found.group_by("part")}

    def _tails(self, of_suspects: pl.Expr) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
        """Landings in force of the suspected tails, with their part, and what was seen on them; part by part."""
        for part, of in self.found.items():
            counts = pl.col("landing_id").is_in(self.live[part])
            columns = ["landing_id", "tail", "touchdown_utc", "touchdown_s", "kind"]
            landings = read_parquet(self.store.storage, f"{of.measured}/landings.parquet", columns)
            landings = landings.filter(of_suspects & counts).with_columns(part=pl.lit(part))
            if landings.height:
                seen = read_parquet(self.store.storage, f"{of.measured}/seen.parquet")
                yield landings, seen.join(landings.select("landing_id"), on="landing_id", how="semi")


def _together(jobs: Sequence[PartJob], landings: Mapping[str, int], workers: int) -> list[list[PartJob]]:
    """Parts of one layout that are measured together: what it costs to begin is shared by many landings.

    Not more than a worker's share, and those with the most landings first, so that no worker is left with a long one.
    """
    most = min(MEASURED_TOGETHER, -(-sum(landings[job.part] for job in jobs) // workers))
    groups: list[list[PartJob]] = []
    for _, alike in groupby(sorted(jobs, key=lambda job: layout_key_of(job.part)), lambda job: layout_key_of(job.part)):
        room = 0
        for job in alike:
            if landings[job.part] > room:
                groups.append([])
                room = most
            groups[-1].append(job)
            room -= landings[job.part]
    return sorted(groups, key=lambda group: -sum(landings[job.part] for job in group))


def _run(book: RuleBook) -> dict[str, object]:
    return {
        "rule_book": book.label,
        "rule_book_hash": book.hash,
        "rules": str(Path(book.folder).resolve()),
        "settings": asdict(book.settings) | {"idle_reverse_pct": dict(book.settings.idle_reverse_pct)},
        "detected_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "numpy": np.__version__,
        "polars": pl.__version__,
    }


def _before(store: Archive, book: RuleBook) -> dict[str, object] | None:
    """The rule book that was in force before this one, however often this one has judged; None when there was none, or
    an archive of before this was kept does not tell.
    """
    try:
        run = store.run
    except ArchiveError:  # a list that is damaged
        return None
    if run.get("rule_book_hash") == book.hash:
        return run.get("before")
    return {name: run[name] for name in ("rule_book", "rule_book_hash", "rules")} if run else None


def table(archive: Path | str, name: str) -> pl.DataFrame:
    """One of TABLES, whole. ArchiveError when nothing was detected yet; ValueError for another name."""
    if name not in TABLES:
        raise ValueError(f"no table named {name!r}; there are {', '.join(TABLES)}")
    frame: pl.DataFrame = getattr(Archive(archive), name)()
    return frame


__all__ = ["TABLES", "DetectReport", "LoadReport", "detect", "load", "table"]
