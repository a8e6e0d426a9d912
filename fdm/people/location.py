"""Where people's work is kept, and the key to the pseudonyms: beside the archive, never inside it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from fdm.people.errors import StoreError

URL_NAME = "FDM_PEOPLE_URL"
KEY_NAME = "FDM_PSEUDONYM_KEY"


def people_url(
    archive: Path | str | None, option: str | None = None, environment: Mapping[str, str] | None = None
) -> str:
    """The store's address: the option, else FDM_PEOPLE_URL, else <archive>.people.sqlite.

    raises    StoreError for a file inside the archive, or when nothing says where
    """
    environment = os.environ if environment is None else environment
    said = option or environment.get(URL_NAME)
    if archive is None:
        if said:
            return said
        raise StoreError("where people's work is kept is not said", cure=f"Give --archive DIR, --people or {URL_NAME}.")
    folder = Path(archive).absolute()
    url = said or str(folder.with_name(f"{folder.name}.people.sqlite"))
    path = Path(url.removeprefix("sqlite:///")) if "://" not in url or url.startswith("sqlite:///") else None
    if path is not None and inside(path, folder):
        raise StoreError(
            "people's work is not kept inside the archive, which may be deleted and made again",
            source=path,
            cure=f"Keep it beside, such as {folder}.people.sqlite.",
        )
    return url


def rules_folder(archive: Path | str) -> Path:
    """Where saved versions of the rule book are written, each a folder of its number: <archive>.rules, beside it."""
    folder = Path(archive).absolute()
    return folder.with_name(f"{folder.name}.rules")


def key_path(environment: Mapping[str, str] | None = None) -> Path:
    """Where the pseudonym key is: FDM_PSEUDONYM_KEY, else rollout-watch/pseudonym.key in the user's configuration."""
    environment = os.environ if environment is None else environment
    if environment.get(KEY_NAME):
        return Path(environment[KEY_NAME])
    configuration = environment.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(configuration) / "rollout-watch" / "pseudonym.key"


def inside(path: Path, folder: Path) -> bool:
    """Whether a path is a folder or lies in it, links followed."""
    return path.resolve().is_relative_to(folder.resolve())
