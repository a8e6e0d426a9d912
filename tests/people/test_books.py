"""Saved rule books, and where people's work is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from fdm.errors import RuleError
from fdm.people.books import files_of
from fdm.people.errors import NotAllowed, PeopleError, StoreError
from fdm.people.location import people_url
from fdm.people.store import People
from fdm.rulebook import load_rule_book, shipped_folder

from .conftest import ANALYST, CAPTAIN, OFFICER

SHIPPED = {name: text for name, text in files_of(shipped_folder()).items() if name in ("settings.toml", "bounce.toml")}


def changed(high: float) -> dict[str, str]:
    """The shipped book with another high limit for one rule."""
    lines = SHIPPED["bounce.toml"].splitlines()
    place = next(number for number, line in enumerate(lines) if line.startswith("high ="))
    lines[place] = f"high = {high}"
    return {**SHIPPED, "bounce.toml": "\n".join(lines) + "\n"}


def test_a_version_comes_back_as_it_was_saved(people: People, tmp_path: Path) -> None:
    saved = people.books.save(SHIPPED, reason="as shipped", by=ANALYST)
    assert saved.files == SHIPPED
    folder = people.books.write(saved.version_id, tmp_path / "book")
    assert files_of(folder) == SHIPPED
    assert load_rule_book(folder).hash == saved.hash
    with pytest.raises(PeopleError, match="holds other files"):
        people.books.write(saved.version_id, folder)


def test_versions_follow_each_other_with_reasons(people: People) -> None:
    people.books.save(SHIPPED, reason="as shipped", by=ANALYST)
    people.books.save(changed(9.0), reason="bounces of three seconds are not high here", by=OFFICER)
    people.books.save(SHIPPED, reason="back again", by=OFFICER)
    versions = people.books.versions()
    assert versions["version_id"].to_list() == [3, 2, 1]
    assert versions["reason"].to_list() == ["back again", "bounces of three seconds are not high here", "as shipped"]
    assert versions["saved_by"].to_list() == ["ines", "ines", "liv"]
    assert versions["hash"].n_unique() == 2
    assert people.audit.entries(act="rule book saved").height == 3
    assert people.audit.verify().faults == ()


def test_what_is_not_saved(people: People) -> None:
    people.books.save(SHIPPED, reason="as shipped", by=ANALYST)
    with pytest.raises(PeopleError, match="the version that was saved last"):
        people.books.save(SHIPPED, reason="again", by=ANALYST)
    with pytest.raises(PeopleError, match="the reason for this version is missing"):
        people.books.save(changed(9.0), reason="", by=ANALYST)
    with pytest.raises(NotAllowed):
        people.books.save(changed(9.0), reason="r", by=CAPTAIN)
    with pytest.raises(RuleError, match=r"^bounce\.toml: not valid TOML"):
        people.books.save({**SHIPPED, "bounce.toml": "high = 9x"}, reason="r", by=ANALYST)
    for name in ("../bounce.toml", "a/b.toml", "bounce.py"):
        with pytest.raises(PeopleError, match="not a rule's file name"):
            people.books.save({name: ""}, reason="r", by=ANALYST)
    with pytest.raises(PeopleError, match="version 9: no rule book was saved"):
        people.books.version(9)
    assert people.books.versions().height == 1


def test_the_store_lies_beside_the_archive(tmp_path: Path) -> None:
    archive = tmp_path / "fleet"
    beside = str(tmp_path / "fleet.people.sqlite")
    assert people_url(archive, environment={}) == beside
    assert people_url(f"{archive}/", environment={}) == beside
    said = {"FDM_PEOPLE_URL": "postgresql://db/people"}
    assert people_url(archive, environment=said) == "postgresql://db/people"
    assert people_url(archive, "other.sqlite", environment=said) == "other.sqlite"
    assert people_url(None, environment=said) == "postgresql://db/people"
    with pytest.raises(StoreError, match="is not said"):
        people_url(None, environment={})


def test_the_store_is_never_inside_the_archive(tmp_path: Path) -> None:
    archive = tmp_path / "fleet"
    archive.mkdir()
    (tmp_path / "link").symlink_to(archive)
    for inside in (archive / "p.sqlite", f"sqlite:///{archive}/p.sqlite", tmp_path / "link" / "p.sqlite"):
        with pytest.raises(StoreError, match="not kept inside the archive"):
            people_url(archive, str(inside), environment={})
