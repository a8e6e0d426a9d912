"""Serves the dashboard: one process, a few threads, on the loopback address unless told otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from waitress import serve as serve_wsgi
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard.addresses import is_loopback
from dashboard.app import WORKSHOP, create_app
from dashboard.deployment import HOSTS, PROXY, Deployment, deployment_of
from dashboard.provider_settings import ISSUER
from dashboard.security import LARGEST_BODY
from dashboard.workshop import Workshop
from fdm.errors import FdmError
from fdm.people.location import people_url
from fdm.people.store import People

THREADS = 8


def serve(
    archive_path: Path | str, host: str = "127.0.0.1", port: int = 8050, deployment: Deployment | None = None
) -> None:
    """Serves until interrupted.

    deployment    how it is reached, as `reach` found it
    raises        fdm.errors.ArchiveError when the archive cannot be read; FdmError when others could reach it unasked
    """
    deployment = deployment or reach(archive_path, host)
    app = create_app(archive_path, deployment)
    if deployment.behind_proxy:
        app.server.wsgi_app = ProxyFix(app.server.wsgi_app, x_for=1, x_proto=1, x_host=1)
    workshop: Workshop = app.server.config[WORKSHOP]
    if store_is_there(archive_path):
        workshop.wake()  # what was waiting when the dashboard last stopped is done now
    try:
        serve_wsgi(
            app.server,
            host=host,
            port=port,
            threads=THREADS,
            ident=None,
            max_request_body_size=2 * LARGEST_BODY,
            clear_untrusted_proxy_headers=not deployment.behind_proxy,
        )
    finally:
        workshop.stop()


def reach(archive_path: Path | str, host: str, names: Sequence[str] = ()) -> Deployment:
    """How the dashboard is reached: as the environment says, and under more names.

    raises    FdmError when other machines could reach it and nobody would have to log in, or under no name, or when
              a provider's answer could be read on the way
    """
    said = deployment_of()
    deployment = replace(said, hosts=said.hosts | {name.lower() for name in names})
    elsewhere = not is_loopback(host)
    if not elsewhere and not deployment.reached_from_elsewhere and not deployment.provider:
        return deployment
    if not has_accounts(archive_path):
        why, source = _without_accounts(host, deployment)
        alone = f"Or take {ISSUER} away." if source == ISSUER else "Or serve on 127.0.0.1 alone."
        cure = f"Make one: fdm user add NAME --role officer --archive {archive_path}. {alone}"
        raise FdmError(why, source=source, cure=cure)
    if elsewhere and not deployment.hosts:
        raise FdmError(
            "the name under which others open the dashboard is not said",
            source="--host",
            cure=f"Say it with --name watch.example.org, or in {HOSTS}.",
        )
    if deployment.provider and deployment.hosts and not deployment.behind_proxy:
        raise FdmError(  # RFC 9700, section 2.6
            "what a provider answers would come back to another machine without TLS",
            source=ISSUER,
            cure=f"Put a proxy that speaks TLS before the dashboard, and say {PROXY}=1.",
        )
    return deployment


def _without_accounts(host: str, deployment: Deployment) -> tuple[str, str]:
    """Why accounts are needed, and what asks for them."""
    if not is_loopback(host):
        return f"'{host}' can be reached from other machines, and there is no account to log in with", "--host"
    if deployment.reached_from_elsewhere:
        return "a dashboard for other machines needs accounts, and there is none yet", HOSTS
    return "logging in at a provider needs accounts here, and there is none yet", ISSUER


def has_accounts(archive_path: Path | str) -> bool:
    """Whether anybody can log in. StoreError when the store cannot be read."""
    if not store_is_there(archive_path):
        return False
    with People(people_url(archive_path)) as people:
        return not people.accounts.none_yet()


def store_is_there(archive_path: Path | str) -> bool:
    """Whether people's work is kept already; a database elsewhere always counts as there."""
    file = people_url(archive_path).removeprefix("sqlite:///")
    return "://" in file or Path(file).exists()
