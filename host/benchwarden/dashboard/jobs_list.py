"""The list of jobs: search while typing, pages of it, and a new job."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from benchwarden.core.job import Job
from benchwarden.dashboard import jobs_list_view
from benchwarden.dashboard.jobs_desk import NOBODY, Desk, job_href, sentence
from benchwarden.dashboard.jobs_list_view import PAGE_ROWS
from benchwarden.errors import BenchwardenError, RecordError

_LONGEST_SEARCH = 400


def page(desk: Desk) -> list[Any]:
    """Return the list's cards, or why the store cannot be read."""
    notice: Any = None
    number, locked = "1", False
    if desk.is_new():
        notice = jobs_list_view.new_store(desk.name())
    else:
        try:
            with desk.store() as store:
                number, locked = store.next_number(), bool(store.read_only)
                if locked:
                    notice = jobs_list_view.read_only(store.read_only)
        except RecordError as error:
            return jobs_list_view.away(error, desk.name())
    return jobs_list_view.list_page(number, store=desk.name(), notice=notice, locked=locked)


def wire(app: Dash, desk: Desk) -> None:
    """Add the callbacks of the list."""
    _search(app, desk)
    _new(app, desk)


def _search(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("jobs-rows", "children"),
        Output("jobs-said", "children"),
        Output("jobs-back", "hidden"),
        Output("jobs-next", "hidden"),
        Output("jobs-offset", "data"),
        Input("jobs-search", "value"),
        Input("jobs-state", "value"),
        Input("jobs-back", "n_clicks"),
        Input("jobs-next", "n_clicks"),
        State("jobs-offset", "data"),
    )
    def search(text: str | None, state: str | None, _back: Any, _next: Any, offset: int | None) -> list[Any]:
        desk.context.at_the_bench()
        text, state = str(text or "")[:_LONGEST_SEARCH], str(state or "")
        step = {"jobs-next": PAGE_ROWS, "jobs-back": -PAGE_ROWS}.get(str(ctx.triggered_id))
        start = 0 if step is None else max(int(offset or 0) + step, 0)
        if desk.is_new():
            return [jobs_list_view.nothing_yet(), "", True, True, 0]
        try:
            with desk.store() as store:
                rows = store.search(text, state, PAGE_ROWS, start)
                count = store.count(text, state)
        except BenchwardenError as error:
            return [no_update, f"✕ {sentence(error)}", no_update, no_update, no_update]
        if not rows:
            asked = text.strip() or state
            none = jobs_list_view.nothing_found(text, state) if asked else jobs_list_view.nothing_yet()
            return [none, "", start == 0, True, start]
        end = start + len(rows)
        said = f"{count} job{'' if count == 1 else 's'}, the last changed first"
        if count > len(rows):
            said += f"; {start + 1} to {end} shown"
        return [jobs_list_view.found_rows(rows), f"{said}.", start == 0, end >= count, start]


def _new(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("where", "search"),
        Output("new-said", "children"),
        Input("new-job", "n_clicks"),
        Input("new-number", "n_submit"),
        Input("new-customer", "n_submit"),
        State("new-number", "value"),
        State("new-customer", "value"),
        prevent_initial_call=True,
    )
    def new(_press: Any, _enter: Any, _other: Any, number: str | None, customer: str | None) -> tuple[Any, Any]:
        if not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        try:
            desk.context.at_the_bench()
            with desk.store(create=True) as store:
                job = store.create(Job(str(number or "").strip(), customer=str(customer or "").strip()), NOBODY)
        except BenchwardenError as error:
            return no_update, f"✕ Not opened: {sentence(error)}"
        return job_href(job.number, ""), ""
