"""The setup page: boards, their state, alerts, sharing, and where things are kept."""

from __future__ import annotations

from typing import Any

from dash import Dash, dcc, html

from benchwarden.dashboard import setup_alerts, setup_boards, setup_places, setup_records, setup_sharing
from benchwarden.dashboard.alert_edits import AlertEdits
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import framed
from benchwarden.dashboard.setup_bench import Bench

_TICK_MS = 5000


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the setup page."""
    bench = Bench(context)
    edits = AlertEdits(context.folders.records)
    # Asked for anew by every page that opens: what it holds depends on who asks.
    app.layout = lambda: _layout(context, bench, edits)
    setup_boards.wire(app, context, bench)
    setup_records.wire(app, context, bench)
    setup_alerts.wire(app, context, edits)
    setup_sharing.wire(app, context)


def _layout(context: Context, bench: Bench, edits: AlertEdits) -> Any:
    page = framed(
        "Setup",
        "Boards and what is known of them, who is told, who may look, and where things are kept.",
        *setup_boards.cards(context, bench),
        *setup_records.cards(context, bench),
        *setup_alerts.cards(context, edits),
        *setup_sharing.cards(context),
        *setup_places.cards(context),
        dcc.Interval(id="setup-tick", interval=_TICK_MS),
    )
    # Every page is given every style sheet; this one's is for what is inside.
    return html.Div(page, className="setup-page")
