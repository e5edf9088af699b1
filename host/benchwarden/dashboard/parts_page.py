"""The parts page: lots of parts before they are fitted, substitutes, and what both do to the plan of a job's run."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, dcc, html

from benchwarden.dashboard import parts_lots, parts_save, parts_substitutes
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import framed
from benchwarden.dashboard.parts_job import (
    head_of,
    job_card,
    not_opened,
    number_in,
    opened,
    save_bar,
    wire_job_card,
    wire_judging,
)
from benchwarden.errors import BenchwardenError


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the parts page."""
    app.layout = _layout
    wire_job_card(app, context)
    asks = ("held", "form-of", "substitutes-form-of", "filled")
    wire_judging(app, asks, ("lots-state", "substitutes-state"))
    _open(app, context)
    parts_lots.wire(app, context)
    parts_substitutes.wire(app, context)
    parts_save.wire(app, context)


def _layout() -> Any:
    return framed(
        "Parts",
        "What can be seen and measured of parts before one is fitted, and whether one type may stand in for another.",
        dcc.Location(id="place-address", refresh=False),
        dcc.Store(id="held"),
        # Set by assets/parts.js when a field is left or a choice is made.
        dcc.Store(id="typed"),
        job_card("Lots and substitutes are kept with one job. Only what is saved counts when its run is started."),
        html.Div(
            [
                save_bar("lots and substitutes"),
                *parts_lots.cards(),
                *parts_substitutes.cards(),
                parts_save.effect_card(),
            ],
            id="parts-place",
            hidden=True,
        ),
    )


def _open(app: Dash, context: Context) -> None:
    @app.callback(
        Output("job-said", "children"),
        Output("held", "data"),
        Output("draft", "data"),
        Output("substitutes-draft", "data"),
        Output("parts-place", "hidden"),
        Output("save", "disabled"),
        Input("place-address", "search"),
    )
    def open_job(search: str | None) -> Any:
        context.at_the_bench()
        number = number_in(search)
        if not number:
            return html.P("No job is chosen."), None, None, None, True, True
        try:
            found = opened(context.folders.jobs, number)
        except (BenchwardenError, OSError) as error:
            return not_opened(error), None, None, None, True, True
        job = found.job
        return (
            head_of(found),
            parts_save.held_of(job),
            parts_lots.draft_of(job),
            parts_substitutes.draft_of(job),
            False,
            bool(found.read_only),
        )
