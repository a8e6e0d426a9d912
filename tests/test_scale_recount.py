"""Counts by other limits, from sorted values, are those of judging again, whatever the values, bounds and reasons."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import fdm
from fdm.archive import Archive
from fdm.bounded import Bounded, Measured
from fdm.errors import RuleError
from fdm.judge import NOT_APPLICABLE, judge
from fdm.judged import OUTCOME_WORDS
from fdm.recounting import Recount, grouped, recount, standing
from fdm.rule import Limits, Rule
from fdm.rulebook import load_rule_book
from fdm.schemas import LANDINGS
from tests.nights import nights

BOOK = load_rule_book()
REASONS = ("", "not recorded: n1", f"{NOT_APPLICABLE[0]} (known before)", "a gap")
FLEETS = ["Tern", "Curlew", None]


def landings_of(n: int) -> pl.DataFrame:
    """Landings of some fleets and months; every seventh is a go-around."""
    rows = [
        dict.fromkeys(LANDINGS)
        | {
            "landing_id": f"{i}",
            "fleet": FLEETS[i % 3],
            "touchdown_utc": datetime(2026, 1 + i % 4, 3, tzinfo=UTC),
            "kind": "go_around" if i % 7 == 0 else "full_stop",
            "touchdown_ground_speed_kt": None if i % 11 == 0 else 100.0 + i % 50,
        }
        for i in range(n)
    ]
    return pl.DataFrame(rows, schema=LANDINGS)


def measured_of(measure: str, rng: np.random.Generator, n: int, engines: int) -> Measured:
    """Values on a coarse grid, so that they meet limits; some without best value, bounds, or either."""
    shape = (n,) if engines == 0 else (n, engines)
    value = rng.integers(-2, 9, shape).astype(np.float32)
    lower, upper = value - rng.integers(0, 3, shape), value + rng.integers(0, 3, shape)
    upper = np.where(rng.random(shape) < 0.1, np.inf, upper)
    lower = np.where(rng.random(shape) < 0.1, -np.inf, lower)
    lost = rng.random(shape) < 0.35
    value = np.where(lost, np.nan, value)
    for bound in (lower, upper):
        bound[rng.random(shape) < 0.15] = np.nan
    why = np.where(lost, rng.integers(1, len(REASONS), shape), 0).astype(np.int16)
    bounded = Bounded(value, lower.astype(np.float32), upper.astype(np.float32), why)
    ids = np.array([f"{i}" for i in range(n)], object)
    nan = {measure: np.full(shape, np.nan)}
    return Measured(ids, tuple(range(1, engines + 1)) or (1,), {measure: bounded}, REASONS, nan, nan)


def judged_anew(rule: Rule, measured: Measured, landings: pl.DataFrame) -> dict[tuple[str | None, str], Counter[str]]:
    """Counts of outcomes, events by severity, for each fleet and month."""
    (codes,) = judge(replace(BOOK, rules={rule.name: rule}), measured, landings).codes.values()
    names = np.array(["not_assessed", "within", "low", "medium", "high"])[codes + 1]
    assert set(OUTCOME_WORDS) == {"not_assessed", "within", "event"}
    found: dict[tuple[str | None, str], Counter[str]] = {}
    for name, fleet, month in zip(
        names, landings["fleet"], landings["touchdown_utc"].dt.strftime("%Y-%m"), strict=True
    ):
        found.setdefault((fleet, month), Counter())[str(name)] += 1
    return found


def counted(counts: pl.DataFrame) -> dict[tuple[str | None, str], Counter[str]]:
    """A frame of counts, likewise."""
    names = ("high", "medium", "low", "within", "not_assessed")
    return {(row["fleet"], row["month"]): +Counter({n: row[n] for n in names}) for row in counts.to_dicts()}


LIMITS = st.tuples(*[st.integers(-3, 9)] * 3).map(lambda three: sorted(map(float, three)))


@settings(max_examples=120, deadline=None)
@given(
    LIMITS, LIMITS, st.integers(0, 2**31), st.sampled_from([0, 1, 2, 4]), st.booleans(), st.booleans(), st.booleans()
)
def test_counts_are_those_of_judging_again(
    limits: list[float], own: list[float], seed: int, engines: int, below: bool, where: bool, medium: bool
) -> None:
    rule = replace(
        BOOK.rules["late_spoilers"],
        direction="below" if below else "above",
        where="touchdown_ground_speed_kt > 120" if where else None,
    )
    measured = measured_of(rule.measure, np.random.default_rng(seed), 60, engines)
    landings = landings_of(60)
    three, tern = (Limits(*(x[::-1] if below else x)) for x in (limits, own))
    three = three if medium else three._replace(medium=None)
    changed = replace(rule, limits=three, limits_by_fleet={"Tern": tern})
    ready = Recount(rule, grouped([standing(rule, measured, landings)]))
    assert counted(ready.counts(three, {"Tern": tern})) == judged_anew(changed, measured, landings)
    again = Recount(changed, grouped([standing(changed, measured, landings)]))
    assert counted(again.counts()) == judged_anew(changed, measured, landings)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recount")
    fdm.load(nights(folder / "recordings", 1), folder / "archive")
    fdm.detect(folder / "archive")
    return folder / "archive"


@pytest.mark.parametrize("rule", sorted(BOOK.rules))
def test_counts_of_an_archive_are_its_outcomes(archive: Path, rule: str) -> None:
    counts = recount(archive, rule).counts().select(pl.sum("high", "medium", "low", "within", "not_assessed"))
    events = dict(fdm.events(archive).filter(rule=rule)["severity"].value_counts().iter_rows())
    outcomes = dict(fdm.outcomes(archive).filter(rule=rule).collect()["outcome"].value_counts().iter_rows())
    row = counts.row(0, named=True)
    assert {n: row[n] for n in ("high", "medium", "low") if row[n]} == events
    assert {n: row[n] for n in ("within", "not_assessed") if row[n]} == {
        k: n for k, n in outcomes.items() if k != "event"
    }
    assert sum(row.values()) == Archive(archive).landings().height


def test_no_such_rule_and_other_settings_are_refused(archive: Path, tmp_path: Path) -> None:
    with pytest.raises(RuleError, match=r"no rule 'late_spoiler'.*Did you mean 'late_spoilers'"):
        recount(archive, "late_spoiler")
    import shutil

    from fdm.rulebook import shipped_folder

    copy = tmp_path / "rules"
    shutil.copytree(shipped_folder(), copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    text = (copy / "settings.toml").read_text(encoding="utf-8")
    (copy / "settings.toml").write_text(text.replace("taxi_speed_kt = 30", "taxi_speed_kt = 35"), encoding="utf-8")
    with pytest.raises(RuleError, match="other settings than the archive was measured with"):
        recount(archive, "late_spoilers", copy)
