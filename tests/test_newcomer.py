"""What a newcomer and the build rely on: the two commands of README, the gate, and a browser never missed silently."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent


def readme() -> str:
    return (TOP / "README.md").read_text(encoding="utf-8")


def test_the_readme_begins_with_how_to_run_it_and_how_to_test_it() -> None:
    blocks = re.findall(r"^```(\w*)\n(.*?)^```", readme(), re.M | re.S)
    assert [language for language, _ in blocks[:2]] == ["sh", "sh"]
    assert "fdm demo" in blocks[0][1]
    assert "pytest" in blocks[1][1]
    for _, block in blocks[:2]:
        assert len(block.strip().splitlines()) == 1
        done = subprocess.run(["bash", "-n"], input=block, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr


def test_what_the_pages_for_people_link_to_is_there() -> None:
    for page in ("README.md", "DEVELOPERS.md", "fdm/README.md", "rules/README.md"):
        text = (TOP / page).read_text(encoding="utf-8")
        for link in re.findall(r"\]\(([^)#]+)\)", text):
            if "://" not in link:
                assert ((TOP / page).parent / link).exists(), f"{page} links to {link}"


@pytest.mark.parametrize("script", ["run", "browser"])
def test_the_gate_is_a_script_that_parses(script: str) -> None:
    path = TOP / ".ci" / script
    assert os.access(path, os.X_OK)
    assert subprocess.run(["bash", "-n", path], capture_output=True).returncode == 0


@pytest.mark.parametrize(("ci", "says"), [("", "1 skipped"), ("true", "1 error")])
def test_without_chromium_browser_tests_skip_or_in_the_gate_fail(tmp_path: Path, ci: str, says: str) -> None:
    shutil.copy(TOP / "tests" / "conftest.py", tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers = browser\naddopts = -p no:dash\n")
    (tmp_path / "test_page.py").write_text(
        "import pytest\n\n@pytest.mark.browser\ndef test_page():\n    raise AssertionError('looked at a page')\n"
    )
    env = {**os.environ, "PATH": str(tmp_path), "CI": ci}
    command = [sys.executable, "-m", "pytest", "-rsE", "-p", "no:cacheprovider", str(tmp_path)]
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120)
    assert says in done.stdout
    assert "Chromium is not installed" in done.stdout
    assert "looked at a page" not in done.stdout.replace("raise AssertionError('looked at a page')", "")
