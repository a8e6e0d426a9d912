"""The tours and their pictures: every picture is there and small, every command and page that is named exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dashboard.app import find_page
from fdm.cli import cli

TOP = Path(__file__).parent.parent.parent
PAGES = (TOP / "README.md", TOP / "dashboard" / "TOUR.md")
LARGEST = 150_000  # bytes


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_pictures_are_there_and_small(page: Path) -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
    assert pictures
    for picture in pictures:
        file = page.parent / picture
        assert file.read_bytes()[8:12] == b"WEBP", picture
        assert file.stat().st_size <= LARGEST, picture


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_that_are_named_exist(page: Path) -> None:
    named = set(re.findall(r"`fdm (\w+)", page.read_text(encoding="utf-8")))
    assert {"sheet", "digest"} <= named
    assert named <= set(cli.commands)


@pytest.mark.parametrize("path", ["/", "/landing/x", "/debrief", "/limits/late_spoilers", "/health", "/versions"])
def test_pages_of_the_tour_exist(path: str) -> None:
    found = find_page(path)
    assert found is not None
    assert path == "/" or found[0].path != "/"
