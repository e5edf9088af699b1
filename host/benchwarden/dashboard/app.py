"""Wires page, feed and requests together and serves them on this machine only.

`/open` and `/pulse` stand apart from the page's callbacks, and the control that
uses them is plain HTML outside the component tree: it opens the relay even when
plots or callbacks are stuck.
"""

from __future__ import annotations

import dataclasses
import math
import secrets
import socket
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate
from flask import Flask, Response, jsonify, request
from waitress.server import create_server

from benchwarden.core.clock import Clock, SystemClock
from benchwarden.dashboard import views, words
from benchwarden.dashboard.confirm import Announced, TwoStep
from benchwarden.dashboard.feed import Feed, Snapshot
from benchwarden.dashboard.figures import CHANNELS, TRENDS, extension
from benchwarden.dashboard.origin import LOOPBACK, host_allowed, own_page
from benchwarden.dashboard.trends import Trends
from benchwarden.errors import BenchwardenError, RecordError, StageError

BY = "dashboard"
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_CSP = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; "
    "font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; "
    "frame-ancestors 'none'; form-action 'self'; script-src 'self' {scripts}"
)


def make_app(run_dir: Path, clock: Clock | None = None) -> Dash:
    """Return the dashboard of one run folder, which may not hold a run yet."""
    clock = clock or SystemClock()
    run_dir = Path(run_dir)
    feed = Feed(run_dir, clock)
    trends = Trends(run_dir)
    token = secrets.token_urlsafe(24)
    page = resources.files("benchwarden.dashboard").joinpath("page.html").read_text(encoding="utf-8")
    app = Dash(
        __name__,
        title="Benchwarden",
        # Empty: the tab keeps the title that the control sets.
        update_title="",
        serve_locally=True,
        # The control's script is loaded by the page itself, ahead of and apart from the components.
        assets_ignore=r"dock\.js",
        index_string=page.replace("{token}", token),
        # Otherwise a second copy of the whole page is sent for checking.
        suppress_callback_exceptions=True,
    )
    app.layout = lambda: views.page(feed.snapshot(), trends.points(-1, CHANNELS))
    _add_callbacks(app, feed, trends, TwoStep(feed, clock))
    _add_routes(app.server, feed, token)
    _add_guards(app, token)
    return app


def _add_callbacks(app: Dash, feed: Feed, trends: Trends, two_step: TwoStep) -> None:
    @app.callback(
        *[Output(part.name, "children") for part in views.PARTS],
        Output("digests", "data"),
        Output("prompt", "data"),
        Output("live", "data"),
        Input("asked", "data"),
        State("digests", "data"),
        State("prompt", "data"),
        prevent_initial_call=True,
    )
    def refresh(
        asked: dict[str, Any] | None, digests: dict[str, int] | None, prompt: dict[str, Any] | None
    ) -> list[Any]:
        if asked is None:
            raise PreventUpdate
        now = feed.snapshot()
        held = digests or {}
        fresh: dict[str, int] = {}
        out: list[Any] = []
        for part in views.PARTS:
            shown = part.shows(now)
            fresh[part.name] = views.digest(shown)
            out.append(no_update if held.get(part.name) == fresh[part.name] else part.drawn(shown))
        facts = views.prompt_facts(now)
        return [
            *out,
            no_update if fresh == held else fresh,
            no_update if facts == prompt else facts,
            views.live(now) | {"n": asked["n"]},
        ]

    @app.callback(
        *[Output(f"trend-{trend.name}", "extendData") for trend in TRENDS],
        Output("trend-cursors", "data"),
        Output("trend-beat", "children"),
        Input("trend-asked", "data"),
        State("trend-cursors", "data"),
        prevent_initial_call=True,
    )
    def extend(asked: dict[str, Any] | None, cursors: dict[str, int] | None) -> list[Any]:
        if asked is None:
            raise PreventUpdate
        out: list[Any] = [no_update] * len(TRENDS)
        held = dict(cursors or {})
        turn = int(asked["n"]) % len(TRENDS)
        trend = TRENDS[turn]
        points = trends.points(int(held.get(trend.name, -1)), CHANNELS)
        if points.t_s:
            out[turn] = extension(trend, points)
            held[trend.name] = points.newest
        return [*out, held if points.t_s else no_update, str(asked["n"])]

    for ticks, asked, beat in (("tick", "asked", "beat"), ("trend-tick", "trend-asked", "trend-beat")):
        _in_browser(
            app,
            "ask",
            Output(asked, "data"),
            Input(ticks, "n_intervals"),
            State(asked, "data"),
            State(beat, "children"),
            prevent_initial_call=True,
        )
    _in_browser(app, "show", Output("beat", "children"), Input("live", "data"))

    @app.callback(
        Output("announced", "data"),
        Output("confirm-said", "children"),
        Input("confirm-first", "n_clicks"),
        Input("confirm-second", "n_clicks"),
        Input("confirm-cancel", "n_clicks"),
        State("prompt", "data"),
        State("announced", "data"),
        prevent_initial_call=True,
    )
    def confirm(
        _first: int, _second: int, _cancel: int, prompt: dict[str, Any], announced: dict[str, Any] | None
    ) -> tuple[Any, str]:
        try:
            if ctx.triggered_id == "confirm-first":
                found = two_step.first(int(prompt["id"]), BY)
                return (dataclasses.asdict(found), "") if found else (None, "Confirmed. Waiting for the bench.")
            if ctx.triggered_id == "confirm-second" and announced:
                two_step.second(Announced(int(announced["prompt_id"]), str(announced["ticket"])), BY)
                return None, "Confirmed twice. Waiting for the bench."
        except (StageError, RecordError) as error:
            return None, _sentence(error)
        return None, ""

    @app.callback(
        Output("announced-end", "data"),
        Output("end-said", "children"),
        Input("end-first", "n_clicks"),
        Input("end-second", "n_clicks"),
        Input("end-cancel", "n_clicks"),
        State("announced-end", "data"),
        prevent_initial_call=True,
    )
    def end(_first: int, _second: int, _cancel: int, announced: dict[str, Any] | None) -> tuple[Any, str]:
        try:
            if ctx.triggered_id == "end-first":
                return dataclasses.asdict(two_step.first_end()), ""
            if ctx.triggered_id == "end-second" and announced:
                two_step.second_end(Announced(0, str(announced["ticket"])), BY)
                return None, "Asked to open the relay and end the run."
        except (StageError, RecordError) as error:
            return None, _sentence(error)
        return None, ""

    _in_browser(
        app,
        "step",
        Output("confirm-first", "hidden"),
        Output("confirm-first", "children"),
        Output("confirm-step", "hidden"),
        Output("confirm-second", "children"),
        Output("confirm-said", "hidden"),
        Input("announced", "data"),
        Input("prompt", "data"),
        Input("confirm-said", "children"),
    )
    _in_browser(
        app, "endStep", Output("end-step", "hidden"), Output("end-first", "hidden"), Input("announced-end", "data")
    )


def _in_browser(app: Dash, function: str, *places: Any, **options: Any) -> None:
    # Functions of assets/live.js.
    callback: Any = app.clientside_callback
    callback(ClientsideFunction("bench", function), *places, **options)


def _sentence(error: Exception) -> str:
    text = str(error)
    return text[:1].upper() + text[1:] + "."


def pulse(now: Snapshot) -> dict[str, Any]:
    """Return the little that the always visible control shows, in words."""
    status = now.status
    if status is None:
        return {"waiting": True, "relay": "no run yet", "kind": "unknown", "alarms": [], "data_age_s": None}
    relay = status.relay
    kind = "fault" if now.relay_fault else "unknown" if relay.contact is None else "live" if relay.contact else "safe"
    said = words.relay(relay, now.relay_fault)
    return {
        "waiting": False,
        "ended": status.ended,
        "phase": words.phase(status),
        "relay": ("last known: " if now.last_known else "") + said,
        "limiter": words.limiter(relay),
        "kind": kind,
        "contact": relay.contact,
        "link": status.link,
        "data_age_s": round(now.silent_s, 2),
        "stale": now.last_known,
        "alarms": [dataclasses.asdict(alarm) for alarm in words.alarms(now)],
    }


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(entry) for entry in value]
    return value


def _add_routes(server: Flask, feed: Feed, token: str) -> None:
    @server.post("/open")
    def open_relay() -> tuple[Response, int]:
        wants_json = request.headers.get("Accept", "").startswith("application/json")
        try:
            feed.ask("open", BY, text="open control on the page")
        except RecordError as error:
            said, code = f"NOT SENT: {error}. Use the emergency stop.", 500
        else:
            said, code = "Asked the bench to open the mains relay.", 200
        if wants_json:
            return jsonify({"said": said}), code
        page = resources.files("benchwarden.dashboard").joinpath("asked.html").read_text(encoding="utf-8")
        # Only our own words and this server's token go in; nothing from the run.
        return Response(page.replace("{said}", said if code == 200 else "NOT SENT. Use the emergency stop.")), code

    @server.get("/pulse")
    def beat() -> Response:
        return jsonify(pulse(feed.snapshot()))

    @server.get("/state")
    def state() -> Response:
        now = feed.snapshot()
        return jsonify(_finite(dataclasses.asdict(now) | {"stale": now.stale, "relay_fault": now.relay_fault}))


def _add_guards(app: Dash, token: str) -> None:
    server: Flask = app.server
    hashes: list[str] = []

    @server.before_request
    def only_own_page() -> tuple[str, int] | None:
        host = request.headers.get("Host", "")
        if not host_allowed(host):
            return "This dashboard answers on this machine's loopback name only.", 403
        if request.method not in ("GET", "HEAD", "OPTIONS"):
            given = request.form.get("token", "") if request.path == "/open" else ""
            if not own_page(request.headers.get("Origin", ""), host, token, given):
                return "This request does not come from the dashboard's own page.", 403
        return None

    @server.after_request
    def add_headers(response: Response) -> Response:
        if not hashes:
            hashes.extend(f"'{found}'" if not found.startswith("'") else found for found in app.csp_hashes())
        for name, value in _HEADERS.items():
            if name != "Cache-Control" or not request.path.startswith(("/_dash-component", "/assets")):
                response.headers[name] = value
        response.headers["Content-Security-Policy"] = _CSP.format(scripts=" ".join(hashes))
        return response


def make_server(run_dir: Path, host: str = "127.0.0.1", port: int = 0) -> Any:
    """Return the bound server, not yet running: `run()` serves, `close()` ends it.

    Raises:
        BenchwardenError: the port is taken, or the host is not this machine's loopback.
    """
    if host not in LOOPBACK:
        raise BenchwardenError(
            f"dashboard host {host!r}: allowed: {', '.join(LOOPBACK)}; the page has no sign-in and can open "
            "and close a mains relay"
        )
    family = socket.AF_INET6 if host == "::1" else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        # Without exclusive use a second program could share the port unseen on some systems.
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port))
    except OSError as error:
        sock.close()
        raise BenchwardenError(
            f"dashboard port {port} on {host} cannot be used ({error.strerror}); another program holds it, "
            "or choose another port, 0 for any free one"
        ) from error
    return create_server(make_app(run_dir).server, sockets=[sock], threads=8, ident=None)


def serve(run_dir: Path, host: str = "127.0.0.1", port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serve the dashboard of a run folder until interrupted.

    Args:
        port: 0 takes any free one.
        ready: called with the page's address once connections are accepted.

    Raises:
        BenchwardenError: as `make_server`.
    """
    server = make_server(run_dir, host, port)
    try:
        if ready is not None:
            ready(f"http://{'[::1]' if host == '::1' else host}:{server.effective_port}/")
        server.run()
    finally:
        server.close()
