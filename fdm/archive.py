"""The archive: a folder of Parquet files, readable with plain Polars, never half-written.

    archive/
      CURRENT.json                      which generation of the small tables is in force
      files-000012.parquet              every flight loaded or refused: source, hashes, part, landings
      parts/<part>/layout.json          one recorder layout
      parts/<part>/facts.parquet        one row per landing, with each parameter's first sample time and lag
      parts/<part>/rate_<step>.parquet  the series sampled every <step> s: the same number of rows for each landing
      results-000007/                   what detect made: landings, measures, instants, outcomes, events, run.json

A part is written aside under a dotted name and renamed when whole; CURRENT.json is replaced last, in one rename.
Whatever was not named by CURRENT.json before a crash is not there after it.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.errors import ArchiveError
from fdm.frames import BLOCK_FACTS, Block, Layout, dtype_of, missing_of
from fdm.parameters import PARAMETERS
from fdm.schemas import EVENTS, LANDINGS, OUTCOMES, UTC, typed
from fdm.wide import instants_long, measures_long, steps_of

FORMAT = 1
ROW_GROUP_LANDINGS = 1000

FILES: dict[str, Any] = {
    "source": pl.String,
    "file": pl.String,
    "file_hash": pl.String,
    "content_hash": pl.String,
    "loaded_utc": UTC,
    "part": pl.String,
    "landing_ids": pl.List(pl.String),
    "refusal": pl.String,
    "notes": pl.List(pl.String),
}


@dataclass(frozen=True)
class Trace:
    """One parameter of one landing, ready to draw: valid samples only.

    time_s  seconds after touchdown; kind "analogue", "discrete" or "state"
    """

    time_s: np.ndarray
    values: np.ndarray
    unit: str
    kind: str
    step_s: float
    lag_s: float


class Archive:
    """An archive folder. ArchiveError when it is missing, foreign or of a newer format."""

    def __init__(self, path: Path | str, *, create: bool = False):
        self.path = Path(path)
        if create and not (self.path / "CURRENT.json").exists():
            self._create()
        self._current = self._read_current()

    def _create(self) -> None:
        if self.path.exists() and any(self.path.iterdir()):
            raise ArchiveError(
                "this folder holds other files and is not an archive",
                source=self.path,
                cure="Name an empty or new folder.",
            )
        (self.path / "parts").mkdir(parents=True, exist_ok=True)
        write_json(self.path / "CURRENT.json", {"format": FORMAT, "files": None, "results": None})

    def _read_current(self) -> dict[str, Any]:
        try:
            current = json.loads((self.path / "CURRENT.json").read_text())
        except FileNotFoundError:
            raise ArchiveError(
                "no archive here", source=self.path, cure="Load recordings first: fdm load SOURCE --archive DIR."
            ) from None
        except (OSError, ValueError) as error:
            raise ArchiveError(f"CURRENT.json cannot be read ({error})", source=self.path) from None
        if current.get("format", 0) > FORMAT:
            raise ArchiveError(
                f"written by a newer version (format {current['format']})",
                source=self.path,
                cure="Update Rollout Watch.",
            )
        return current

    # what is loaded ------------------------------------------------------------------------------------------------

    def files(self) -> pl.DataFrame:
        """Every flight loaded or refused (FILES)."""
        name = self._current["files"]
        return pl.read_parquet(self.path / name) if name else pl.DataFrame(schema=FILES)

    def replace_files(self, files: pl.DataFrame) -> None:
        """Put a new files table in force, in one rename; parts that no row names any more are removed."""
        old = self._current["files"]
        number = int(old.split("-")[1].split(".")[0]) + 1 if old else 1
        name = f"files-{number:06d}.parquet"
        write_parquet(self.path / name, typed(files, FILES))
        self._switch(files=name)
        _remove(self.path / old if old else None)
        for part in set(self._part_folders()) - set(files["part"].drop_nulls()):
            shutil.rmtree(self.path / "parts" / part, ignore_errors=True)

    def parts(self) -> list[str]:
        """Names of the parts in force, in order."""
        return sorted(self.files()["part"].drop_nulls().unique().to_list())

    def _part_folders(self) -> list[str]:
        return [p.name for p in (self.path / "parts").iterdir() if p.is_dir()]

    def write_part(self, block: Block) -> str:
        """Write a block as a new part and return its name; it counts once the files table names it."""
        numbers = [int(name.split("-")[0]) for name in self._part_folders() if not name.startswith(".")]
        name = f"{max(numbers, default=0) + 1:06d}-{block.layout.key}"
        with written_aside(self.path / "parts" / name) as folder:
            write_json(folder / "layout.json", _layout_json(block))
            write_parquet(folder / "facts.parquet", _facts_frame(block))
            for step, names in _by_step(block).items():
                _write_series(folder / f"rate_{step:g}.parquet", block, names)
        return name

    def layout(self, part: str) -> Layout:
        """A part's recorder layout."""
        data = json.loads((self.path / "parts" / part / "layout.json").read_text())
        return Layout(data["engines"], tuple(data["reversers"]), tuple((n, s) for n, s in data["steps"]))

    def read_part(self, part: str, parameters: Sequence[str] | None = None, live: set[str] | None = None) -> Block:
        """A part's landings as a block; only `parameters` when named, only `live` landings when given."""
        folder = self.path / "parts" / part
        layout = self.layout(part)
        wanted = [name for name, _ in layout.steps if parameters is None or name in parameters]
        facts = pl.read_parquet(folder / "facts.parquet")
        keep = None
        if live is not None:
            keep = facts["landing_id"].is_in(list(live)).to_numpy()
            keep = None if keep.all() else keep
        values = _read_series(folder, layout, wanted, facts.height)
        starts = {name: facts[f"start|{name}"].to_numpy() for name in wanted}
        lags = {name: facts[f"lag|{name}"].to_numpy() for name in wanted}
        block_facts = facts.select(list(BLOCK_FACTS))
        if keep is not None:
            block_facts = block_facts.filter(pl.Series(keep))
            starts, lags, values = ({k: v[keep] for k, v in d.items()} for d in (starts, lags, values))
        steps = tuple((n, s) for n, s in layout.steps if n in wanted)
        return Block(Layout(layout.engines, layout.reversers, steps), block_facts, starts, lags, values)

    # what was detected ---------------------------------------------------------------------------------------------

    @property
    def run(self) -> dict[str, Any]:
        """How the results came about: rule book, its folder and hash, settings, when. Empty before detect."""
        folder = self.results_folder
        return json.loads((folder / "run.json").read_text()) if folder else {}

    @property
    def results_folder(self) -> Path | None:
        """Folder of the results in force, None before detect."""
        return self.path / self._current["results"] if self._current["results"] else None

    def _results(self) -> Path:
        if self.results_folder is None:
            raise ArchiveError("nothing was detected yet", source=self.path, cure="Run: fdm detect --archive DIR.")
        return self.results_folder

    @contextmanager
    def new_results(self) -> Iterator[Path]:
        """A folder to write results into; put in force, in one rename, when the block ends without an error."""
        old = self._current["results"]
        number = int(old.split("-")[1]) + 1 if old else 1
        name = f"results-{number:06d}"
        with written_aside(self.path / name) as folder:
            yield folder
        self._switch(results=name)
        _remove(self.path / old if old else None)

    def landings(self) -> pl.DataFrame:
        """The landings table (schemas.LANDINGS)."""
        return self._table("landings", LANDINGS)

    def events(self) -> pl.DataFrame:
        """The events table (schemas.EVENTS)."""
        return self._table("events", EVENTS)

    def outcomes(self, landing_id: str | None = None) -> pl.DataFrame:
        """The outcomes table (schemas.OUTCOMES), of one landing when named."""
        frames = self._per_part("outcomes", landing_id)
        return typed(pl.concat(frames), OUTCOMES) if frames else pl.DataFrame(schema=OUTCOMES)

    def measures(self, landing_id: str | None = None) -> pl.DataFrame:
        """The measures table (schemas.MEASURES), of one landing when named."""
        reasons = self.reasons()
        frames = [measures_long(frame, reasons) for frame in self._per_part("measures", landing_id)]
        return pl.concat(frames) if frames else measures_long(pl.DataFrame({"landing_id": []}), reasons)

    def measure_values(self, measure: str) -> pl.DataFrame:
        """One measure of every landing, without reading the others: `landing_id`, `value`; a row per engine it has."""
        frames = [pl.DataFrame(schema={"landing_id": pl.String, "value": pl.Float64})]
        for path in sorted(self._results().glob("measures-*.parquet")):
            scan = pl.scan_parquet(path)
            keys = [c for c in scan.collect_schema().names() if "|" not in c and measure in (c, c.rpartition(".")[0])]
            frames += [scan.select("landing_id", value=pl.col(key).cast(pl.Float64)).collect() for key in keys]
        return pl.concat(frames)

    def instants(self, landing_id: str | None = None) -> pl.DataFrame:
        """The instants table (schemas.INSTANTS), of one landing when named."""
        frames = [instants_long(frame, steps_of(frame)) for frame in self._per_part("instants", landing_id)]
        return pl.concat(frames) if frames else instants_long(pl.DataFrame({"landing_id": []}), [])

    def parameter_health(self) -> pl.DataFrame:
        """Of every landing and parameter: share of samples present around touchdown, whether it changes, faults."""
        frames = self._per_part("health", None)
        schema = {"landing_id": pl.String, "parameter": pl.String, "share": pl.Float32, "changes": pl.Boolean}
        return pl.concat(frames) if frames else pl.DataFrame(schema={**schema, "faults": pl.Int16})

    def reasons(self) -> list[str]:
        """Sentences behind the reason codes of the wide tables."""
        return pl.read_parquet(self._results() / "reasons.parquet")["sentence"].to_list()

    def traces(self, landing_id: str) -> dict[str, Trace]:
        """Every recorded parameter of one landing; KeyError when the landing is not in the archive."""
        part, row = self._where(landing_id)
        block = self.read_part(part, live={landing_id})
        del row
        touchdown = self.landings().filter(pl.col("landing_id") == landing_id)["touchdown_s"]
        anchor = float(block.facts["anchor_s"][0])
        shift = anchor - float(touchdown[0] if len(touchdown) and touchdown[0] is not None else anchor)
        steps = dict(block.layout.steps)
        return {name: _trace(name, block, steps[name], shift) for name in block.values}

    def _where(self, landing_id: str) -> tuple[str, int]:
        files = self.files().filter(pl.col("landing_ids").list.contains(landing_id))
        if not files.height:
            raise KeyError(landing_id)
        row = files.row(0, named=True)
        return row["part"], row["landing_ids"].index(landing_id)

    def _table(self, name: str, schema: Mapping[str, Any]) -> pl.DataFrame:
        return pl.read_parquet(self._results() / f"{name}.parquet").select(list(schema))

    def _per_part(self, kind: str, landing_id: str | None) -> list[pl.DataFrame]:
        folder = self._results()
        if landing_id is None:
            return [pl.read_parquet(path) for path in sorted(folder.glob(f"{kind}-*.parquet"))]
        try:
            part, _ = self._where(landing_id)
        except KeyError:
            return []
        path = folder / f"{kind}-{part}.parquet"
        return [pl.scan_parquet(path).filter(pl.col("landing_id") == landing_id).collect()] if path.exists() else []

    def _switch(self, **changes: str | None) -> None:
        self._current = {**self._current, **changes}
        write_json(self.path / "CURRENT.json", self._current)


def _trace(name: str, block: Block, step_s: float, shift: float) -> Trace:
    values, parameter = block.values[name][0], PARAMETERS[name]
    valid = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    time_s = float(block.start_s[name][0]) + np.arange(len(values)) * step_s + shift
    return Trace(time_s[valid], values[valid], parameter.unit, parameter.kind, step_s, float(block.lag_s[name][0]))


# series on disk -----------------------------------------------------------------------------------------------------


def _layout_json(block: Block) -> dict[str, Any]:
    rows = {f"{step:g}": block.values[names[0]].shape[1] for step, names in _by_step(block).items()}
    layout = block.layout
    return {"engines": layout.engines, "reversers": layout.reversers, "steps": layout.steps, "rows_per_landing": rows}


def _by_step(block: Block) -> dict[float, list[str]]:
    groups: dict[float, list[str]] = {}
    for name, step in block.layout.steps:
        groups.setdefault(step, []).append(name)
    return groups


def _facts_frame(block: Block) -> pl.DataFrame:
    starts = [pl.Series(f"start|{name}", values) for name, values in block.start_s.items()]
    lags = [pl.Series(f"lag|{name}", values) for name, values in block.lag_s.items()]
    return block.facts.with_columns(*starts, *lags)


def _write_series(path: Path, block: Block, names: Sequence[str]) -> None:
    width = max(block.values[name].shape[1] for name in names)
    columns = {"landing_id": pl.Series(np.repeat(block.facts["landing_id"].to_numpy(), width)).cast(pl.String)}
    for name in names:
        matrix = block.values[name]
        if matrix.shape[1] < width:
            pad = np.full((len(matrix), width - matrix.shape[1]), missing_of(name), matrix.dtype)
            matrix = np.concatenate([matrix, pad], axis=1)
        flat = pl.Series(name, matrix.reshape(-1))
        columns[name] = flat.fill_nan(None) if matrix.dtype != np.int8 else flat.set(flat < 0, None)
    write_parquet(path, pl.DataFrame(columns), row_group_size=width * ROW_GROUP_LANDINGS)


def _read_series(folder: Path, layout: Layout, wanted: Sequence[str], n: int) -> dict[str, np.ndarray]:
    values = {}
    for step in dict.fromkeys(s for name, s in layout.steps if name in wanted):
        names = [name for name, s in layout.steps if s == step and name in wanted]
        frame = pl.read_parquet(folder / f"rate_{step:g}.parquet", columns=names)
        for name in names:
            column = frame[name]
            if column.null_count():
                column = column.fill_null(missing_of(name))
            values[name] = column.to_numpy().astype(dtype_of(name), copy=False).reshape(n, -1)
    return values


# writing safely -----------------------------------------------------------------------------------------------------


def write_parquet(path: Path, frame: pl.DataFrame, **options: Any) -> None:
    """Write aside and rename."""
    aside = path.with_name(f".{path.name}.part")
    frame.write_parquet(aside, compression="zstd", **options)
    _sync(aside)
    os.replace(aside, path)


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write aside and rename."""
    aside = path.with_name(f".{path.name}.part")
    aside.write_text(json.dumps(content, indent=1))
    _sync(aside)
    os.replace(aside, path)


@contextmanager
def written_aside(folder: Path) -> Iterator[Path]:
    """A folder written under a dotted name and renamed when whole; removed when something goes wrong."""
    aside = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(parents=True)
    try:
        yield aside
        os.replace(aside, folder)
    except BaseException:
        shutil.rmtree(aside, ignore_errors=True)
        raise


def _sync(path: Path) -> None:
    with open(path, "rb") as file:
        os.fsync(file.fileno())


def _remove(path: Path | None) -> None:
    if path is None:
        return
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)
