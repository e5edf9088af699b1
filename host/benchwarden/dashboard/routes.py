"""Addresses beside the pages: the open control, its pulse, the state as JSON, and joining as a viewer.

`/open` and `/pulse` stand apart from the pages' callbacks, and the control that
uses them is plain HTML outside the component tree: it opens the relay even when
plots or callbacks are stuck.
"""

from __future__ import annotations

import dataclasses
import math
import threading
from importlib import resources
from typing import Any

from flask import Flask, Response, jsonify, request

from benchwarden.dashboard import words
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.sharing import COOKIE, LONGEST_S
from benchwarden.errors import RecordError

# Viewers who all press at once leave one request; it is the same wish.
_SAME_WISH_S = 0.3


def add_routes(server: Flask, context: Context) -> None:
    """Add the addresses that are no pages."""
    wishes = _Wishes(context)

    @server.post("/open")
    def open_relay() -> tuple[Response, int]:
        wants_json = request.headers.get("Accept", "").startswith("application/json")
        try:
            wishes.leave()
        except RecordError as error:
            said, code = f"NOT SENT: {error}. Use the emergency stop.", 500
        else:
            said, code = "Asked the bench to open the mains relay.", 200
        if wants_json:
            return jsonify({"said": said}), code
        page = resources.files("benchwarden.dashboard").joinpath("asked.html").read_text(encoding="utf-8")
        # Only our own words go in; nothing from the run.
        return Response(page.replace("{said}", said if code == 200 else "NOT SENT. Use the emergency stop.")), code

    @server.get("/pulse")
    def beat() -> Response:
        run = context.followed.run()
        return jsonify(
            pulse(run.feed.snapshot())
            | {"run": run.run_dir.name, "viewer": context.viewer(), "shared": context.sharing.link is not None}
        )

    @server.get("/state")
    def state() -> Response:
        now = context.followed.run().feed.snapshot()
        return jsonify(_finite(dataclasses.asdict(now) | {"stale": now.stale, "relay_fault": now.relay_fault}))

    @server.get("/join/<token>")
    def join(token: str) -> Response | tuple[str, int]:
        if not context.sharing.joined(token):
            return "This link is not valid, or not any more: ask for the present one.", 403
        page = resources.files("benchwarden.dashboard").joinpath("joined.html").read_text(encoding="utf-8")
        answer = Response(page)
        answer.set_cookie(COOKIE, token, max_age=int(LONGEST_S), httponly=True, samesite="Strict", path="/")
        return answer


class _Wishes:
    """Leaves requests to open; those of viewers that come in one breath are one."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._lock = threading.Lock()
        self._last_s = -math.inf

    def leave(self) -> None:
        feed = self._context.followed.run().feed
        if not self._context.viewer():
            feed.ask("open", "dashboard", text="open control on the page")
            return
        with self._lock:
            now_s = self._context.clock.monotonic_s()
            if now_s - self._last_s < _SAME_WISH_S:
                return
            feed.ask("open", "viewer", text=f"open control on the shared page, from {request.remote_addr}")
            # Noted after the asking: one that failed is asked again.
            self._last_s = now_s


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
