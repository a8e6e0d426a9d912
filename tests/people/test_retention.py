"""Old landings reduced to measures: nothing that leads to a flight is left of them, and nothing else is lost."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest

from fdm.archive import Archive
from fdm.demo import recordings_of
from fdm.engine import detect, load
from fdm.errors import FdmError
from fdm.people.acts import Judged
from fdm.people.errors import NotAllowed
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.retention import TABLES, Retained, folder_beside, retain
from fdm.people.store import People
from fdm.storage import Folder

from .conftest import ADMINISTRATOR, CAPTAIN, OFFICER

NAMES = Pseudonyms(b"r" * 32)
DAYS = 400


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive of the few recordings that come along."""
    folder = tmp_path_factory.mktemp("retention")
    recordings, _ = recordings_of(folder, None, 1)
    load([recordings], folder / "rollouts")
    detect(folder / "rollouts")
    return folder / "rollouts"


@pytest.fixture
def archive(judged: Path, tmp_path: Path) -> Path:
    """A copy that may be changed."""
    shutil.copytree(judged, tmp_path / "rollouts")
    return tmp_path / "rollouts"


@pytest.fixture
def now(judged: Path) -> datetime:
    """A time at which about half of the landings are older than DAYS."""
    return middle(judged) + timedelta(days=DAYS)


def middle(archive: Path) -> datetime:
    found = Archive(archive).landings()["touchdown_utc"].drop_nulls().sort()
    return found[len(found) // 2]


@pytest.fixture
def people(sqlite_url: str, opened: Callable[..., People]) -> People:
    return opened(sqlite_url)


def reduce(archive: Path, people: People, now: datetime, *, apply: bool = True) -> Retained:
    return retain(archive, DAYS, people=people, names=NAMES, by=ADMINISTRATOR, now=now, apply=apply)


def old_ids(archive: Path, now: datetime) -> set[str]:
    landings = Archive(archive).landings()
    return set(landings.filter(pl.col("touchdown_utc") < now - timedelta(days=DAYS))["landing_id"])


def everything(archive: Path) -> dict[str, pl.DataFrame]:
    store = Archive(archive)
    return {name: getattr(store, name)() for name in TABLES}


def content(folder: Path) -> bytes:
    """Every word of a folder: its texts, the words and days in its tables, and the size of each file."""
    said = []
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            said.append(f"{path.relative_to(folder)} {path.stat().st_size}".encode())
            said.append(words(path).encode() if path.suffix == ".parquet" else path.read_bytes())
    return b"\n".join(said)


def words(path: Path) -> str:
    frame = pl.read_parquet(path)
    lists = [name for name, kind in frame.schema.items() if kind == pl.List(pl.String)]
    frame = frame.with_columns(pl.col(name).list.join(" ") for name in lists)
    return "\n".join(str(frame[n].unique().sort().to_list()) for n in frame.select(cs.string(), cs.datetime()).columns)


def test_nothing_is_changed_before_it_is_asked_for(archive: Path, people: People, now: datetime) -> None:
    before = content(archive)
    found = reduce(archive, people, now, apply=False)
    old = old_ids(archive, now)
    assert 0 < found.landings == len(old) < Archive(archive).landings().height
    assert found.events == Archive(archive).events().filter(pl.col("landing_id").is_in(list(old))).height
    assert content(archive) == before
    assert not folder_beside(archive).exists()
    assert people.audit.entries().is_empty()


def test_the_young_stay_as_they_were_and_the_old_leave(archive: Path, people: People, now: datetime) -> None:
    old, before = old_ids(archive, now), everything(archive)
    reduce(archive, people, now)
    for name, frame in everything(archive).items():
        left = before[name].filter(~pl.col("landing_id").is_in(list(old)))
        keys = [c for c in ("landing_id", "event_id", "rule", "measure", "step", "engine") if c in frame.columns]
        assert frame.sort(keys).equals(left.sort(keys)), name
    store = Archive(archive)
    events = store.events()
    assert sum(sum(of.events.values()) for of in store.results.parts.values()) == events.height
    for landing_id in before["landings"]["landing_id"]:
        if landing_id in old:
            with pytest.raises(KeyError):
                store.traces(landing_id)
        else:
            assert store.traces(landing_id)


def test_nothing_of_the_old_is_left_that_leads_to_a_flight(archive: Path, people: People, now: datetime) -> None:
    landings = Archive(archive).landings()
    old = landings.filter(pl.col("landing_id").is_in(list(old_ids(archive, now))))
    young = landings.join(old, on="landing_id", how="anti")
    reduce(archive, people, now)
    gone = set(old["landing_id"])
    for column in ("tail", "flight"):
        gone |= set(old[column].drop_nulls()) - set(young[column].drop_nulls())
    days = set(old["touchdown_utc"].dt.strftime("%Y-%m-%d")) - set(young["touchdown_utc"].dt.strftime("%Y-%m-%d"))
    retained = content(folder_beside(archive)).decode(errors="replace")
    inside = content(archive).decode(errors="replace")
    recordings = {str(path) for path in old["source_file"].drop_nulls()}
    for name in gone:
        assert name not in retained, name
        assert name not in _without_paths(inside, recordings), name
    for day in days:
        assert day not in retained, day
    for name in set(old["tail"].drop_nulls()) | set(old["flight"].drop_nulls()):
        assert name not in retained, name


def _without_paths(text: str, paths: set[str]) -> str:
    """Without the paths of recordings, which are remembered while they lie there."""
    for path in sorted(paths, key=len, reverse=True):
        text = text.replace(path, "").replace(Path(path).name, "")
    return text


def test_measures_and_verdicts_of_the_old_are_kept(archive: Path, people: People, now: datetime) -> None:
    before, old = everything(archive), old_ids(archive, now)
    event = before["events"].filter(pl.col("landing_id").is_in(list(old))).row(0, named=True)
    people.decide(Judged.of(event), "nuisance", by=OFFICER, seen=None, reason="Brief")
    reduce(archive, people, now)
    (folder,) = folder_beside(archive).iterdir()
    key = NAMES.of("landing_id", event["landing_id"])
    kept = pl.read_parquet(folder / "events.parquet").filter(event_id=f"{key}-{event['rule']}").row(0, named=True)
    assert (kept["verdict"], kept["value"], kept["severity"]) == ("nuisance", event["value"], event["severity"])
    assert kept["touchdown_month"] == f"{event['touchdown_utc']:%Y-%m}"
    assert kept["tail"] == NAMES.of("tail", event["tail"])
    measures = pl.read_parquet(folder / "measures.parquet").filter(landing_id=key)
    flown = before["measures"].filter(landing_id=event["landing_id"])
    assert measures["value"].to_list() == pytest.approx(flown["value"].to_list(), nan_ok=True)
    assert people.audit.entries(act="retention")["subject"].to_list() == [f"{len(old)} landings"]
    assert people.audit.verify().faults == ()


def test_what_is_reduced_is_not_loaded_again_and_judging_goes_on(
    archive: Path, people: People, now: datetime, judged: Path
) -> None:
    reduce(archive, people, now)
    left = set(Archive(archive).landings()["landing_id"])
    load([judged.parent / "recordings"] if (judged.parent / "recordings").exists() else _sources(judged), archive)
    detect(archive)
    assert set(Archive(archive).landings()["landing_id"]) == left
    assert reduce(archive, people, now).landings == 0


def _sources(archive: Path) -> list[Path]:
    return sorted({Path(path) for path in Archive(archive).files()["file"].drop_nulls()})


class PowerCutError(OSError):
    """The power went."""


@pytest.mark.slow
def test_cut_short_at_any_write_it_is_whole_and_done_again_it_is_done(
    archive: Path, people: People, now: datetime, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, old = set(Archive(archive).landings()["landing_id"]), old_ids(archive, now)
    write = Folder.write
    in_all = _writes(archive, people, now, tmp_path, monkeypatch)
    for place in (0.0, 0.3, 0.6, 0.9, 1.0):
        copy = tmp_path / f"copy{place}"
        shutil.copytree(archive, copy)
        left = [round(place * (in_all - 1))]

        def failing(self: Folder, *given: object, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise PowerCutError("the power went")
            write(self, *given)  # type: ignore[arg-type]

        monkeypatch.setattr(Folder, "write", failing)
        with pytest.raises((PowerCutError, FdmError)):
            reduce(copy, people, now)
        monkeypatch.setattr(Folder, "write", write)
        found = set(Archive(copy).landings()["landing_id"])
        assert found in (whole, whole - old)
        kept = [path for path in folder_beside(copy).iterdir() if path.name[0] != "."]
        assert len(kept) == 1  # before anything left the archive
        reduce(copy, people, now)
        assert set(Archive(copy).landings()["landing_id"]) == whole - old
        assert [path for path in folder_beside(copy).iterdir() if path.name[0] != "."] == kept


def _writes(archive: Path, people: People, now: datetime, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """How many files a whole run writes."""
    copy, write, count = tmp_path / "counted", Folder.write, [0]
    shutil.copytree(archive, copy)

    def counting(self: Folder, *given: object) -> None:
        count[0] += 1
        write(self, *given)  # type: ignore[arg-type]

    monkeypatch.setattr(Folder, "write", counting)
    reduce(copy, people, now)
    monkeypatch.setattr(Folder, "write", write)
    shutil.rmtree(copy)
    shutil.rmtree(folder_beside(copy))
    return count[0]


def test_who_may_not_and_what_cannot(archive: Path, people: People, now: datetime) -> None:
    with pytest.raises(NotAllowed):
        retain(archive, DAYS, people=people, names=NAMES, by=CAPTAIN, now=now, apply=True)
    with pytest.raises(FdmError, match="no archive here"):
        retain(archive.with_name("none"), DAYS, people=people, names=NAMES, by=ADMINISTRATOR, now=now)
    assert reduce(archive, people, datetime(1990, 1, 1, tzinfo=UTC)).landings == 0
