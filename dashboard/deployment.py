"""How a dashboard stands in its network, as its environment says. On one machine nothing needs to be said."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from dashboard.provider_settings import ISSUER, ProviderSettings, provider_of
from fdm.errors import FdmError

HOSTS, PROXY, DROP, USER_HEADER = "FDM_HOSTS", "FDM_BEHIND_PROXY", "FDM_DROP_FOLDER", "FDM_USER_HEADER"
YES, NO = ("1", "yes", "true", "on"), ("", "0", "no", "false", "off")


@dataclass(frozen=True)
class Deployment:
    """How the dashboard is reached.

    hosts           names it answers to besides those of this machine
    behind_proxy    one proxy stands before it and speaks TLS: its X-Forwarded headers are believed, cookies are secure
    drop_folder     the one folder from which recordings are loaded when the browser asks; None: none are
    user_header     a header in which the proxy names who logged in there; empty: none is believed
    provider        where people may log in besides here; None: nowhere
    """

    hosts: frozenset[str] = frozenset()
    behind_proxy: bool = False
    drop_folder: Path | None = None
    user_header: str = ""
    provider: ProviderSettings | None = None

    @property
    def reached_from_elsewhere(self) -> bool:
        """Whether anything here only makes sense when other machines reach it."""
        return bool(self.hosts or self.behind_proxy or self.user_header)


def deployment_of(environment: Mapping[str, str] | None = None) -> Deployment:
    """As the environment says. FdmError for what cannot be."""
    said = os.environ if environment is None else environment
    proxy = said.get(PROXY, "").strip().lower()
    if proxy not in YES + NO:
        raise FdmError(f"'{proxy}' is neither yes nor no", source=PROXY, cure="Say 1 or 0.")
    folder = said.get(DROP, "").strip()
    if folder and not Path(folder).is_dir():
        raise FdmError("there is no such folder", source=f"{DROP}={folder}", cure="Make it, or name another.")
    header = said.get(USER_HEADER, "").strip()
    if header and proxy not in YES:
        cure = f"Say {PROXY}=1 when a proxy overwrites that header in every request; else anybody could write it."
        raise FdmError("a user's name is only believed from a proxy", source=USER_HEADER, cure=cure)
    provider = provider_of(said)
    if header and provider:
        cure = f"Take one of them away: a name from the proxy's header, or the provider of {ISSUER}."
        raise FdmError("who somebody is can be proved in one way only", source=USER_HEADER, cure=cure)
    return Deployment(
        hosts=frozenset(name.strip().lower() for name in said.get(HOSTS, "").split(",") if name.strip()),
        behind_proxy=proxy in YES,
        drop_folder=Path(folder).resolve() if folder else None,
        user_header=header,
        provider=provider,
    )
