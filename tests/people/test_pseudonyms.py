"""Pseudonyms, and what each role may see of a table."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import stat
import threading
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.people.errors import KeyFileError, NotAllowed, PeopleError
from fdm.people.location import key_path
from fdm.people.pseudonyms import KINDS, SIGNS, Pseudonyms, load_key
from fdm.people.roles import ROLES
from fdm.people.store import People
from fdm.people.views import LEFT_OUT, SEES, seen_by, without_small_counts
from fdm.schemas import EVENTS, LANDINGS

from .conftest import ANALYST, OFFICER

NAMES = Pseudonyms(bytes(range(32)))


def test_a_pseudonym_is_hmac_sha256_in_five_bits_a_sign() -> None:
    """RFC 2104 by its own definition (inner and outer pads), not by the library that the product calls."""
    key, message = bytes(range(32)).ljust(64, b"\0"), b"tail\0XX-KAB"
    inner = hashlib.sha256(bytes(k ^ 0x36 for k in key) + message).digest()
    digest = hashlib.sha256(bytes(k ^ 0x5C for k in key) + inner).digest()
    assert digest == hmac.new(key[:32], message, "sha256").digest()
    bits = "".join(f"{byte:08b}" for byte in digest)
    signs = "".join(SIGNS[int(bits[5 * place : 5 * place + 5], 2)] for place in range(6))
    assert NAMES.of("tail", "XX-KAB") == f"Aircraft {signs[:3]}-{signs[3:]}"


def test_pseudonyms_are_stable_and_differ_by_key_kind_and_identity() -> None:
    other = Pseudonyms(bytes(32))
    assert NAMES.of("tail", "XX-KAB") == Pseudonyms(bytes(range(32))).of("tail", "XX-KAB")
    made = {names.of(kind, one) for names in (NAMES, other) for kind in KINDS for one in ("XX-KAB", "XX-KAC")}
    assert len(made) == 2 * len(KINDS) * 2


@settings(deadline=None)
@given(st.text(min_size=1))
def test_a_pseudonym_has_the_form_of_its_kind_and_tells_nothing(identity: str) -> None:
    assert re.fullmatch(f"Aircraft [{SIGNS}]{{3}}-[{SIGNS}]{{3}}", NAMES.of("tail", identity))
    assert re.fullmatch(f"[{SIGNS}]{{20}}", NAMES.of("landing_id", identity))


def test_many_landings_have_as_many_pseudonyms() -> None:
    made = {NAMES.of("landing_id", str(number)) for number in range(5_000)}
    assert len(made) == 5_000


def test_the_key_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    path, gate, keys = tmp_path / "new" / "pseudonym.key", threading.Barrier(4), []

    def come() -> None:
        gate.wait(10)
        keys.append(load_key(path, archive=tmp_path / "archive"))

    threads = [threading.Thread(target=come) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert len(keys) == 4
    assert len(set(keys)) == 1
    assert len(keys[0]) == 32
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [file.name for file in path.parent.iterdir()] == ["pseudonym.key"]


def test_a_key_inside_the_archive_is_refused_also_by_a_link(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    (tmp_path / "link").symlink_to(archive)
    for path in (archive / "k", tmp_path / "link" / "k"):
        with pytest.raises(KeyFileError, match="must not lie inside the archive"):
            load_key(path, archive=archive)
    assert not list(archive.iterdir())


def test_a_key_that_others_may_read_or_that_is_none(tmp_path: Path) -> None:
    path = tmp_path / "k"
    load_key(path)
    path.chmod(0o640)
    with pytest.raises(KeyFileError, match=f"others may read the pseudonym key. Run: chmod 600 {path}"):
        load_key(path)
    path.chmod(0o600)
    for text in ("", "ab", "zz" * 32, "00" * 31):
        path.write_text(text)
        with pytest.raises(KeyFileError, match="is not a pseudonym key of 32 bytes"):
            load_key(path)
    with pytest.raises(KeyFileError, match="cannot be used"):
        load_key(path / "below")


def test_where_the_key_is() -> None:
    assert key_path({"FDM_PSEUDONYM_KEY": "/safe/k"}) == Path("/safe/k")
    assert key_path({"XDG_CONFIG_HOME": "/c"}) == Path("/c/rollout-watch/pseudonym.key")
    assert key_path({}) == Path(os.path.expanduser("~/.config/rollout-watch/pseudonym.key"))


def table(schema: dict[str, pl.DataType | type[pl.DataType]]) -> pl.DataFrame:
    """One row with something in every column."""
    frame = pl.DataFrame(schema=schema).clear(1)
    return frame.with_columns(
        tail=pl.lit("XX-KAB"),
        flight=pl.lit("XX123"),
        departure=pl.lit("Nordvik"),
        arrival=pl.lit("Korsby"),
        source_file=pl.lit("/recordings/XX-KAB/2026-11-12.csv"),
        landing_id=pl.lit("00ff"),
        touchdown_utc=pl.lit(datetime(2026, 11, 12, 6, 41, tzinfo=UTC)),
        start_utc=pl.lit(datetime(2026, 11, 12, 5, 0, tzinfo=UTC)),
        touchdown_s=pl.lit(24060.0),
        quality=pl.lit(["radio height stuck", "twin of XX-KAB's last", "clock set on 2026-11-12"]),
    )


EVENT = table(EVENTS).with_columns(event_id=pl.lit("00ff-late_spoilers"), evidence=pl.lit(["not armed", "XX123 too"]))
IDENTITIES = ("XX-KAB", "XX123", "Nordvik", "00ff", "2026-11-12", "2026, 11, 12", "06:41", "24060")


@pytest.mark.parametrize("role", [role for role in ROLES if role != "officer"])
@pytest.mark.parametrize("frame", [table(LANDINGS), EVENT], ids=["landings", "events"])
def test_no_identity_reaches_any_role_but_the_officer(role: str, frame: pl.DataFrame) -> None:
    seen = seen_by(frame, role, NAMES)
    assert set(seen.columns) <= SEES[role]
    said = str(seen.to_dicts())
    assert not [identity for identity in IDENTITIES if identity in said]


def test_the_officer_sees_the_table_as_it_is() -> None:
    assert seen_by(EVENT, "officer", NAMES).equals(EVENT)
    assert seen_by(table(LANDINGS), "officer", NAMES).columns == list(LANDINGS)


def test_an_analyst_follows_an_aircraft_by_its_pseudonym_and_month() -> None:
    row = seen_by(EVENT, "analyst", NAMES).row(0, named=True)
    assert row["tail"] == NAMES.of("tail", "XX-KAB")
    assert row["flight"] == NAMES.of("flight", "XX123")
    assert row["departure"] == NAMES.of("departure", "Nordvik")
    assert row["touchdown_month"] == "2026-11"
    assert (row["arrival"], row["fleet"]) == ("Korsby", None)
    assert row["event_id"] == row["landing_id"] + "-late_spoilers"
    assert row["landing_id"] == NAMES.of("landing_id", "00ff")
    assert row["evidence"] == ["not armed", LEFT_OUT]
    assert row["quality"] == ["radio height stuck", LEFT_OUT, LEFT_OUT]


def test_a_captain_sees_no_aircraft_and_no_date_and_an_administrator_nothing() -> None:
    assert not {"tail", "flight", "departure", "touchdown_month"} & set(seen_by(EVENT, "captain", NAMES).columns)
    assert seen_by(EVENT, "administrator", NAMES).columns == []


@pytest.mark.parametrize("role", ROLES)
def test_a_new_column_is_hidden_until_it_is_allowed(role: str) -> None:
    assert "captain_name" not in seen_by(EVENT.with_columns(captain_name=pl.lit("x")), role, NAMES).columns


def test_every_column_there_is_was_thought_of() -> None:
    """A column that a table gained is hidden from everybody until views.SEES says who may see it."""
    assert SEES["officer"] == {*LANDINGS, *EVENTS}


def test_an_unknown_role_sees_nothing() -> None:
    with pytest.raises(NotAllowed, match="no role 'root'"):
        seen_by(EVENT, "root", NAMES)


def test_some_columns_missing_values_and_empty_tables_pass() -> None:
    frame = pl.DataFrame({"tail": [None, "XX-KAB"], "value": [1.0, 2.0], "evidence": [None, []]})
    frame = frame.with_columns(pl.col("evidence").cast(pl.List(pl.String)))
    seen = seen_by(frame, "analyst", NAMES)
    assert seen["tail"].to_list() == [None, NAMES.of("tail", "XX-KAB")]
    assert seen["evidence"].to_list() == [[], []]
    assert seen_by(EVENT.clear(), "analyst", NAMES).height == 0


def test_a_reveal_needs_the_officer_and_a_reason_and_is_in_the_log(people: People) -> None:
    name = NAMES.of("tail", "XX-KAB")
    tails = ["XX-KAA", "XX-KAB"]
    with pytest.raises(NotAllowed, match="reveal"):
        people.reveal("tail", name, tails, NAMES, by=ANALYST, reason="curious")
    with pytest.raises(PeopleError, match="the reason for the reveal is missing"):
        people.reveal("tail", name, tails, NAMES, by=OFFICER, reason=" ")
    with pytest.raises(PeopleError, match="nothing in the archive has this pseudonym"):
        people.reveal("tail", "Aircraft 000-000", tails, NAMES, by=OFFICER, reason="actuator")
    assert people.audit.entries().is_empty()
    assert people.reveal("tail", name, tails, NAMES, by=OFFICER, reason="actuator") == "XX-KAB"
    log = people.audit.entries().row(0, named=True)
    assert (log["act"], log["subject"], log["who"]) == ("reveal", name, "ines")
    assert "actuator" in log["detail"]
    assert "XX-KAB" not in str(log)


COUNTS = pl.DataFrame(
    {
        "runway": ["09L", "09L", "09L", "27", "27"],
        "severity": ["high", "medium", "low", "high", "low"],
        "events": [2, 7, 30, 0, 12],
        "rate": [1.0, 3.5, 15.0, 0.0, 6.0],
    }
)


def test_small_counts_go_with_what_would_tell_them() -> None:
    seen = without_small_counts(COUNTS, ["events"], "analyst", told_by=["rate"])
    assert seen["events"].to_list() == [None, 7, 30, 0, 12]
    assert seen["rate"].to_list() == [None, 3.5, 15.0, 0.0, 6.0]
    assert seen.columns == COUNTS.columns


def test_a_count_that_the_total_would_tell_takes_another_with_it() -> None:
    seen = without_small_counts(COUNTS, ["events"], "captain", told_by=["rate"], total_over=["runway"])
    assert seen["events"].to_list() == [None, None, 30, 0, 12]
    seen = without_small_counts(COUNTS, ["events"], "captain", total_over=())
    assert seen["events"].to_list() == [None, None, 30, 0, 12]
    two = COUNTS.with_columns(events=pl.Series([2, 3, 30, 0, 12]))
    assert without_small_counts(two, ["events"], "captain", total_over=())["events"].to_list() == [
        None,
        None,
        30,
        0,
        12,
    ]


def test_the_officer_sees_every_count_and_the_number_can_be_set() -> None:
    assert without_small_counts(COUNTS, ["events"], "officer").equals(COUNTS)
    assert without_small_counts(COUNTS, ["events"], "analyst", least=8)["events"].to_list() == [None, None, 30, 0, 12]
