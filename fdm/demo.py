"""What the demonstration stands on: an invented airline's recordings, made once and kept in the user's cache.

They are made again when the program has changed since.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
from datetime import timedelta
from pathlib import Path

import polars as pl

from fdm.errors import FdmError

KEY_FILE = "made-by.txt"


def demo_folder(landings: int | None, seed: int) -> Path:
    """The folder of one demonstration, emptied when the program has changed since it was filled.

    landings   None for the small set that comes with the product
    """
    folder = cache_folder() / ("demo-small" if landings is None else f"demo-{landings}-{seed}")
    mark, key = folder / KEY_FILE, _program_digest()
    if folder.exists() and not (mark.exists() and mark.read_text() == key):
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text(key)
    return folder


def recordings_of(folder: Path, landings: int | None, seed: int) -> tuple[Path, bool]:
    """Where the recordings are, and whether they were made now. A half-made folder never carries the final name."""
    if landings is None:
        return _package_folder("sample_flights") / "data", False
    made = folder / "recordings"
    if made.exists():
        return made, False
    from sample_flights.make import make

    aside = folder / ".recordings.part"
    shutil.rmtree(aside, ignore_errors=True)
    make(aside, landings=landings, seed=seed)
    os.replace(aside, made)
    return made, True


def last_full_week(landings: pl.DataFrame) -> str | None:
    """The newest ISO week whose Sunday has come by the latest touchdown; None when no touchdown is dated."""
    latest = landings["touchdown_utc"].max()
    if latest is None:
        return None
    year, week, _ = (latest - timedelta(days=6)).isocalendar()  # type: ignore[operator,union-attr]
    return f"{year}-W{week:02d}"


def cache_folder() -> Path:
    """Where the system keeps what can be made again: $XDG_CACHE_HOME, or .cache in the home folder."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "rollout-watch"


def _program_digest() -> str:
    """Over the source of the engine and of the maker."""
    digest = hashlib.blake2b(digest_size=10)
    for package in ("fdm", "sample_flights"):
        for file in sorted(_package_folder(package).rglob("*.py")):
            digest.update(file.read_bytes())
    return digest.hexdigest()


def _package_folder(package: str) -> Path:
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        raise FdmError(f"the package '{package}' is not installed", cure="Install Rollout Watch again.")
    return Path(spec.origin).parent
