"""The jobs page: all jobs, and one of them with its story, its parts, its runs and its papers."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from benchwarden.dashboard import jobs_acts, jobs_edit, jobs_list, jobs_list_view, jobs_view
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import framed
from benchwarden.dashboard.jobs_desk import Desk
from benchwarden.dashboard.jobs_edit import ANY_ROW
from benchwarden.dashboard.jobs_fields import fact_id
from benchwarden.dashboard.jobs_form import FACTS
from benchwarden.dashboard.jobs_invoice import InvoiceDesk
from benchwarden.dashboard.jobs_routes import add_job_routes
from benchwarden.dashboard.jobs_seen import seen_in
from benchwarden.dashboard.jobs_work import Works
from benchwarden.dashboard.runs_list import RunsList
from benchwarden.errors import BenchwardenError, JobError
from benchwarden.record.unit_store import UnitStore

_LEAD = "Every repair: what was found, fitted and checked, how its runs went, and the papers that go to the customer."


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the jobs page."""
    desk = Desk(
        context,
        UnitStore(context.folders.units),
        RunsList(context.folders.runs, context.clock),
        Works(),
        InvoiceDesk(),
    )
    add_job_routes(app.server, desk)
    app.layout = _layout
    _route(app, desk)
    jobs_list.wire(app, desk)
    jobs_edit.wire(app, desk)
    jobs_acts.wire(app, desk)
    _in_browser_only(app)


def _layout() -> Any:
    return framed(
        "Jobs",
        _LEAD,
        dcc.Location(id="where", refresh=False),
        html.Div(html.P("Opening the job store …", role="status"), id="jobs-body", className="span-12"),
    )


def _route(app: Dash, desk: Desk) -> None:
    @app.callback(Output("jobs-body", "children"), Input("where", "search"))
    def show(search: str | None) -> list[Any]:
        desk.context.at_the_bench()
        number = parse_qs((search or "").removeprefix("?"), max_num_fields=20).get("job", [""])[0]
        if not number:
            return jobs_list.page(desk)
        return _one(desk, number)


def _one(desk: Desk, number: str) -> list[Any]:
    try:
        with desk.store() as store:
            seen = seen_in(desk, store, number)
    except JobError as error:
        return jobs_list_view.no_such_job(error)
    except BenchwardenError as error:
        return jobs_list_view.away(error, desk.name())
    return jobs_view.job_page(seen, jobs_list_view.read_only(seen.locked) if seen.locked else None)


def _in_browser_only(app: Dash) -> None:
    # A function of assets/jobs.js.
    callback: Any = app.clientside_callback
    callback(
        ClientsideFunction("jobs", "marks"),
        Output("job-unsaved", "hidden"),
        Input("job-held", "data"),
        *[Input(fact_id(fact.key), "value") for fact in FACTS],
        Input(ANY_ROW, "value"),
        Input("note-text", "value"),
        State(ANY_ROW, "id"),
    )
