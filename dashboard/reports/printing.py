"""HTML to PDF through a Chromium that is installed on this machine, without a window and without a network."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from fdm.errors import FdmError

BROWSER_NAME = "FDM_CHROMIUM"
PROGRAMS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
LONGEST_S = 120
MAC = "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"


def browser() -> str | None:
    """The program that prints: what FDM_CHROMIUM names, else the first of PROGRAMS on the path."""
    named = os.environ.get(BROWSER_NAME)
    if named:
        return shutil.which(named)
    found = (shutil.which(program) for program in (*PROGRAMS, MAC))
    return next((program for program in found if program), None)


def pdf(html: str) -> bytes:
    """The file printed to PDF. FdmError when there is no browser to print with, or it fails."""
    program = browser()
    if program is None:
        raise FdmError(
            "there is no Chromium here to make a PDF with",
            source=os.environ.get(BROWSER_NAME) or None,
            cure=f"Install Chromium, name one in {BROWSER_NAME}, or write .html and print that.",
        )
    with tempfile.TemporaryDirectory(prefix="rollout-watch-") as folder:
        page, made = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        problem = _run([program, *_options(folder), f"--print-to-pdf={made}", page.as_uri()])
        if not made.exists() or not made.stat().st_size:
            raise FdmError(f"no PDF came of it ({problem})", source=program, cure="Write .html and print that.")
        return made.read_bytes()


def _options(folder: str) -> list[str]:
    options = [
        "--headless",
        "--disable-gpu",
        "--no-pdf-header-footer",
        "--no-first-run",
        "--disable-extensions",
        "--disable-background-networking",
        "--disable-component-update",
        f"--user-data-dir={folder}/profile",
    ]
    return [*options, "--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else options


def _run(command: list[str]) -> str:
    """Run it; what it said last."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error).splitlines()[0]
    return (done.stderr.strip().splitlines() or [f"exit status {done.returncode}"])[-1]
