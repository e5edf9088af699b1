"""The jobs page."""

from __future__ import annotations

from dash import Dash

from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import framed


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the jobs page."""
    app.layout = framed("Jobs", "")
