"""Who may ask what: checks before every request, and the headers of every answer.

Two addresses lead here. The loopback one is the bench machine's own and may do
everything. The shared one exists only while sharing is on; it asks for the
viewer's cookie, and lets a viewer look and open the relay, nothing else.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from dash import Dash
from flask import Flask, Response, request

from benchwarden.dashboard.context import Context
from benchwarden.dashboard.origin import host_allowed, own_page
from benchwarden.dashboard.sharing import COOKIE, SHARED

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
_NOT_JOINED = (
    "This bench is shared by a link. Open the link, or scan the code, that the setup page on the bench machine shows."
)


def add_guards(server: Flask, apps: list[Dash], context: Context, token: str, private: tuple[str, ...]) -> None:
    """Check every request to `server` before anything else does, and set the headers of every answer.

    Args:
        private: addresses whose pages, and whatever lies below them, answer on the bench machine only.
    """
    server.before_request(lambda: _refused(context, token, private))
    hashes: list[str] = []
    lock = threading.Lock()

    @server.after_request
    def add_headers(response: Response) -> Response:
        with lock:
            if not hashes:
                hashes.extend(sorted({_quoted(found) for app in apps for found in app.csp_hashes()}))
        for name, value in _HEADERS.items():
            if name != "Cache-Control" or not _is_asset(request.path):
                response.headers[name] = value
        response.headers["Content-Security-Policy"] = _CSP.format(scripts=" ".join(hashes))
        return response


def _quoted(found: str) -> str:
    return found if found.startswith("'") else f"'{found}'"


def _is_asset(path: str) -> bool:
    return "/_dash-component" in path or "/assets/" in path


def _refused(context: Context, token: str, private: tuple[str, ...]) -> tuple[str, int] | None:
    host = request.headers.get("Host", "")
    shared = bool(request.environ.get(SHARED))
    allowed: Callable[[str], bool] = context.sharing.host_allowed if shared else host_allowed
    if not allowed(host):
        return "This dashboard answers only under its own address.", 403
    if shared and not _within_rate(context):
        return "Too many requests from here; wait a little. The emergency stop is on the bench.", 429
    if shared and request.endpoint != "join" and not context.sharing.joined(request.cookies.get(COOKIE, "")):
        return _NOT_JOINED, 401
    if shared and (request.path + "/").startswith(private):
        return "Jobs, parts and checks hold customers' names: they are shown on the bench machine only.", 403
    if request.url_rule is not None and request.url_rule.rule.endswith("/<path:path>"):
        # Each page would answer for everything below its address.
        return "There is no such page here.", 404
    if request.method in ("GET", "HEAD", "OPTIONS"):
        return None
    given = request.form.get("token", "") if request.path == "/open" else ""
    if not own_page(request.headers.get("Origin", ""), host, token, given):
        return "This request does not come from the dashboard's own page.", 403
    if shared and request.path != "/open" and not _only_shows(context):
        return "Only the bench machine itself may do this; from here you can look, and open the relay.", 403
    return None


def _within_rate(context: Context) -> bool:
    # Asking for the relay to open is never held back.
    if request.path == "/open":
        return True
    return context.sharing.within_rate(request.remote_addr or "", joining=request.endpoint == "join")


def _only_shows(context: Context) -> bool:
    """Return True for a callback that is known to change nothing."""
    page, found, rest = request.path.partition("_dash-update-component")
    if not found or rest:
        return False
    asked = request.get_json(silent=True)
    output = asked.get("output") if isinstance(asked, dict) else None
    return isinstance(output, str) and (page, output) in context.readable
