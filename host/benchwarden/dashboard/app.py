"""Puts pages, guards and addresses together and serves them.

Each page is a Dash app of its own on one server: a page that is stuck, or slow
to draw, holds up no other, and the control that opens the relay is part of all.
"""

from __future__ import annotations

import html
import logging
import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from dash import Dash
from flask import Flask
from flask_compress import Compress
from waitress.server import create_server

from benchwarden.core.clock import Clock, SystemClock
from benchwarden.dashboard import (
    bench_page,
    bias_page,
    checks_page,
    jobs_page,
    parts_page,
    plan_page,
    runs_page,
    setup_page,
)
from benchwarden.dashboard.context import Context, Folders, Followed, Page
from benchwarden.dashboard.guard import add_guards
from benchwarden.dashboard.origin import LOOPBACK
from benchwarden.dashboard.routes import add_routes
from benchwarden.dashboard.sharing import Sharing, bound
from benchwarden.errors import BenchwardenError
from benchwarden.record.board_records import DEFAULT as DEFAULT_RECORDS

PAGES = (
    Page("Bench", "/", bench_page.build),
    Page("Bias", "/bias/", bias_page.build),
    Page("Runs", "/runs/", runs_page.build),
    Page("Jobs", "/jobs/", jobs_page.build, private=True),
    Page("Parts", "/parts/", parts_page.build, private=True),
    Page("Checks", "/checks/", checks_page.build, private=True),
    Page("Plan", "/plan/", plan_page.build),
    Page("Setup", "/setup/", setup_page.build),
)

# What is asked over and over is small; only what is larger is worth packing.
_PACK_FROM_BYTES = 600


@dataclass
class Site:
    """All pages on one server.

    Attributes:
        server: the program to serve.
        context: what the pages were given.
        sharing: starts and ends the shared address.
    """

    server: Flask
    context: Context
    sharing: Sharing


def make_site(run_dir: Path | None, folders: Folders | None = None, clock: Clock | None = None) -> Site:
    """Return the dashboard.

    Args:
        run_dir: the run on the bench page, which may not have begun yet; None follows the newest.
        folders: default: the runs beside `run_dir`, and the usual folders in the working directory.
    """
    clock = clock or SystemClock()
    run_dir = None if run_dir is None else Path(run_dir)
    folders = folders or Folders(run_dir.parent if run_dir else Path("."), DEFAULT_RECORDS, Path("benchwarden-units"))
    server = Flask("benchwarden.dashboard", static_folder=None)
    sharing = Sharing(clock)
    context = Context(folders, Followed(folders.runs, run_dir, clock), clock, sharing)
    token = secrets.token_urlsafe(24)
    # Ahead of the pages: the first one's address takes whatever nobody else has.
    add_routes(server, context)
    apps = [_page_app(page, server, context, token) for page in PAGES]
    add_guards(server, apps, context, token, tuple(page.path for page in PAGES if page.private))
    server.config["COMPRESS_MIN_SIZE"] = _PACK_FROM_BYTES
    server.config["COMPRESS_ALGORITHM"] = ["gzip"]
    server.config["COMPRESS_LEVEL"] = 3
    Compress(server)
    sharing.serve_with(server.wsgi_app)
    return Site(server, context, sharing)


def _page_app(page: Page, server: Flask, context: Context, token: str) -> Dash:
    text = resources.files("benchwarden.dashboard").joinpath("page.html").read_text(encoding="utf-8")
    shared_server: Any = server  # its annotation knows only the servers it makes itself
    app = Dash(
        f"benchwarden-{page.name.lower()}",
        server=shared_server,
        url_base_pathname=page.path,
        assets_folder=str(Path(__file__).parent / "assets"),
        title=page.name,
        # Empty: the tab keeps the title that the control sets.
        update_title="",
        serve_locally=True,
        # The control's script is loaded by the page itself, ahead of and apart from the components.
        assets_ignore=r"dock\.js",
        index_string=text.replace("{token}", token).replace("{nav}", _navigation(page)),
        # Otherwise a second copy of the whole page is sent for checking.
        suppress_callback_exceptions=True,
    )
    page.build(app, context)
    return app


def _navigation(here: Page) -> str:
    return "".join(
        f'<a href="{page.path}"{" aria-current=page" if page is here else ""}'
        f"{' class=acts' if page.private else ''}>{html.escape(page.name)}</a>"
        for page in PAGES
    )


def make_server(site: Site, host: str = "127.0.0.1", port: int = 0) -> Any:
    """Return the bound server, not yet running: `run()` serves, `close()` ends it.

    Raises:
        BenchwardenError: the port is taken, or the host is not this machine's loopback.
    """
    if host not in LOOPBACK:
        raise BenchwardenError(
            f"dashboard host {host!r}: allowed: {', '.join(LOOPBACK)}; the page has no sign-in and can open "
            "and close a mains relay. To let others look, share it from the setup page"
        )
    # A few pages ask at the same instant, ten times a second; that is no news for a terminal.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    sock: socket.socket = bound("::1" if host == "::1" else "127.0.0.1", port, "dashboard port")
    return create_server(site.server, sockets=[sock], threads=8, ident=None)


def serve(
    run_dir: Path | None,
    host: str = "127.0.0.1",
    port: int = 0,
    ready: Callable[[str], None] | None = None,
    folders: Folders | None = None,
    share: str = "",
    shared: Callable[[str], None] | None = None,
) -> None:
    """Serve the dashboard until interrupted.

    Args:
        run_dir: the run on the bench page; None follows the newest in the runs folder.
        port: 0 takes any free one.
        ready: called with the page's address once connections are accepted.
        share: address of this machine under which to share from the start; "" shares nothing.
        shared: called with the link that lets others look.

    Raises:
        BenchwardenError: as `make_server`; the address to share is not this machine's.
    """
    site = make_site(run_dir, folders)
    server = make_server(site, host, port)
    try:
        if ready is not None:
            ready(f"http://{'[::1]' if host == '::1' else host}:{server.effective_port}/")
        if share:
            link = site.sharing.start(share)
            if shared is not None:
                shared(link.join)
        server.run()
    finally:
        site.sharing.stop()
        server.close()
