"""The results of some parts as the results of the part that they were merged into: nothing is measured again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl

from fdm.bounded import Reasons
from fdm.detecting import digest, keep_whole, live_digest, measured_folder
from fdm.results import JUDGED, MEASURED, PartResults, Results, read_whole
from fdm.rule import digest as digest_of_values
from fdm.storage import Storage, read_parquet, write_parquet
from fdm.wide import WHY


def carry(storage: Storage, results: Results, group: Sequence[str], new: str) -> PartResults:
    """Keep the results of parts of one layout, without the landings that were left out, as those of a new part.

    Measured values keep their standing: those that are up to date are so under the new name.
    """
    before = [results.parts[part] for part in group]
    settings_hash = digest_of_values(results.run["settings"])
    current = all(of.measured == measured_folder(p, settings_hash) for p, of in zip(group, before, strict=True))
    older = f"{MEASURED}/{new}-{digest(*(of.measured for of in before))}"
    measured = measured_folder(new, settings_hash) if current else older
    suspects = tuple(sorted({pair for of in before for pair in of.suspects}, key=repr))
    ids = pl.concat(_rows(storage, before, MEASURED, "landings"))["landing_id"].to_list()
    for table in ("landings", "instants", "health", "seen"):
        write_parquet(storage, f"{measured}/{table}.parquet", pl.concat(_rows(storage, before, MEASURED, table)))
    measures, reasons = _measures(storage, before, [False] * len(before))
    write_parquet(storage, f"{measured}/measures.parquet", measures)
    keep_whole(storage, measured, {"reasons": reasons, "suspects": suspects})
    return PartResults(
        measured=measured,
        judged=_carry_judged(storage, before, new, measured),
        live=live_digest(ids),
        landings=len(ids),
        believed=any(of.believed for of in before),
        dead=_dead(before),
        suspects=suspects,
        events=dict(sum((Counter(of.events) for of in before), Counter())),
        outcomes=dict(sum((Counter(of.outcomes) for of in before), Counter())),
    )


def _carry_judged(storage: Storage, before: Sequence[PartResults], new: str, measured: str) -> str:
    folder = f"{JUDGED}/{new}-{digest(*(of.judged for of in before))}"
    for table in ("outcomes", "events"):
        write_parquet(storage, f"{folder}/{table}.parquet", pl.concat(_rows(storage, before, JUDGED, table)))
    reasons: list[str] = []
    if any(of.believed for of in before):
        measures, reasons = _measures(storage, before, [of.believed for of in before])
        write_parquet(storage, f"{folder}/measures.parquet", measures)
    content = {"believed": bool(reasons), "rules": _common_rules(storage, before), "dead": _dead(before)}
    keep_whole(storage, folder, {**content, "measured": measured, "reasons": reasons})
    return folder


def _dead(before: Sequence[PartResults]) -> str:
    """Digest of the dead discretes of several parts; none that detect would make where there are some."""
    return digest(*(of.dead for of in before)) if any(of.dead for of in before) else ""


def _common_rules(storage: Storage, before: Sequence[PartResults]) -> dict[str, str]:
    """Rules, with their hashes, by which all parts were judged."""
    each = [dict(read_whole(storage, of.judged)["rules"]) for of in before]
    return {name: hash_ for name, hash_ in each[0].items() if all(rules.get(name) == hash_ for rules in each)}


def _rows(storage: Storage, before: Sequence[PartResults], kind: str, table: str) -> Iterator[pl.DataFrame]:
    """A table of each part, without the landings that are left out."""
    for of in before:
        folder = of.measured if kind == MEASURED else of.judged
        yield _live(read_parquet(storage, f"{folder}/{table}.parquet"), of)


def _live(frame: pl.DataFrame, of: PartResults) -> pl.DataFrame:
    return frame.filter(~pl.col("landing_id").is_in(list(of.left_out))) if of.left_out else frame


def _measures(
    storage: Storage, before: Sequence[PartResults], believed: Sequence[bool]
) -> tuple[pl.DataFrame, list[str]]:
    """The measures of all parts with the codes of one list of reasons; of the judged folder where `believed`."""
    reasons, frames = Reasons(), []
    for of, from_judged in zip(before, believed, strict=True):
        folder = of.judged if from_judged else of.measured
        codes = np.array([reasons.code(text) for text in read_whole(storage, folder)["reasons"]], np.int16)
        frame = _live(read_parquet(storage, f"{folder}/measures.parquet"), of)
        why = [name for name in frame.columns if name.endswith(WHY)]
        frames.append(frame.with_columns(pl.Series(name, codes[frame[name].to_numpy()]) for name in why))
    return pl.concat(frames), reasons.sentences
