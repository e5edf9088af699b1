"""The checks page: the check sheet before power of one job, and whether power may go on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.core.cold_checks import BY_KEY, CHANNELS, COLD_CHECKS
from benchwarden.core.job import Job
from benchwarden.core.unit import Unit, unit_from_table
from benchwarden.dashboard import checks_view
from benchwarden.dashboard.checks_rows import Row, row_from, rows_of, sheet_of, strangers
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import framed
from benchwarden.dashboard.parts_job import (
    Clashed,
    asked_n,
    clash_told,
    head_of,
    job_card,
    not_opened,
    number_in,
    opened,
    save_bar,
    save_own,
    wire_job_card,
    wire_judging,
)
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError, PlanError

_ROWS = {"row": ALL, "check": ALL, "side": ALL, "key": ALL}
# Rows of one check and channel are numbered on from here, so that one can be added between.
_ROOM = 10_000
_SLOTS = tuple((check.key, side) for check in COLD_CHECKS for side in (CHANNELS if check.per_channel else ("",)))


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the checks page."""
    app.layout = _layout
    wire_job_card(app, context)
    wire_judging(app, ("held",), ("judged",))
    _open(app, context)
    _add_rows(app, context)
    _judge(app, context)
    _save(app, context)


def _layout() -> Any:
    return framed(
        "Checks before power",
        "Meter and eyes, plug out. A run will not start with one failed, skipped or missing, unless a person says why.",
        dcc.Location(id="place-address", refresh=False),
        dcc.Store(id="held"),
        # Set by assets/parts.js when a field is left or a choice is made.
        dcc.Store(id="typed"),
        dcc.Store(id="judged"),
        checks_view.cautions(),
        job_card("The sheet belongs to one job. It prints as it stands: empty lines can be filled in by hand."),
        html.Div(
            [
                save_bar("the checks"),
                html.Section(
                    [html.H2("May power go on?"), html.Div(id="gate"), html.Div(id="strangers")],
                    className="card",
                    id="gate-card",
                ),
                checks_view.entry_help(),
                html.Div(id="checks-cards"),
            ],
            id="checks-place",
            hidden=True,
        ),
    )


def _open(app: Dash, context: Context) -> None:
    @app.callback(
        Output("job-said", "children"),
        Output("held", "data"),
        Output("checks-cards", "children"),
        Output("strangers", "children"),
        Output("checks-place", "hidden"),
        Output("save", "disabled"),
        Input("place-address", "search"),
    )
    def open_job(search: str | None) -> Any:
        context.at_the_bench()
        number = number_in(search)
        if not number:
            return html.P("No job is chosen."), None, [], [], True, True
        try:
            found = opened(context.folders.jobs, number)
        except (BenchwardenError, OSError) as error:
            return not_opened(error), None, [], [], True, True
        rows = rows_of(found.job.cold_checks)
        return (
            head_of(found),
            _held(found.job, rows),
            _cards(rows),
            _strangers(found.job),
            False,
            bool(found.read_only),
        )


def _held(job: Job, rows: tuple[Row, ...]) -> dict[str, Any]:
    """Return what the page keeps of a job: whose rows, which version, and what they are held against."""
    return {"number": job.number, "version": job.version, "unit": job.unit, "rows": [vars(row) for row in rows]}


def _cards(rows: tuple[Row, ...]) -> list[Any]:
    numbered: dict[tuple[str, str], list[tuple[int, Row]]] = {slot: [] for slot in _SLOTS}
    for row in rows:
        at = numbered[row.check, row.side]
        at.append((_SLOTS.index((row.check, row.side)) * _ROOM + len(at), row))
    return [
        checks_view.check_card(check, [one for slot in _SLOTS if slot[0] == check.key for one in numbered[slot]])
        for check in COLD_CHECKS
    ]


def _strangers(job: Job) -> list[Any]:
    found = strangers(job.cold_checks)
    if not found:
        return []
    names = "; ".join(plain(f"{one.check}, {one.position or 'no position'}: {one.state}", 160) for one in found[:20])
    return [
        html.P(
            f"△ The job holds results that this sheet has no row for, and a run will refuse them: {names}. They stay "
            "with the job as they are.",
            className="parts-mark",
        )
    ]


def _add_rows(app: Dash, context: Context) -> None:
    here = {"check": MATCH, "side": MATCH}

    @app.callback(
        Output({"kind": "lines", **here}, "children"),
        Input({"kind": "add", **here}, "n_clicks"),
        State({"row": ALL, "key": "part", **here}, "id"),
        prevent_initial_call=True,
    )
    def add(clicks: int | None, ids: list[dict[str, Any]]) -> Any:
        context.at_the_bench()
        by = ctx.triggered_id
        if not clicks or not by or by["check"] not in BY_KEY:
            raise PreventUpdate
        lines = Patch()
        lines.append(
            checks_view.line(BY_KEY[by["check"]], 1 + max(place["row"] for place in ids), Row(by["check"], by["side"]))
        )
        return lines  # fmt: skip


def typed_rows(fields: Sequence[dict[str, Any]]) -> dict[int, Row]:
    """Return the rows that the page's fields hold by their number, in the sheet's order.

    Args:
        fields: id and value of each, as the browser sends them.
    """
    texts: dict[int, dict[str, Any]] = {}
    for field in fields:
        place, value = field["id"], field.get("value")
        if (place["check"], place["side"]) in _SLOTS:
            row = texts.setdefault(int(place["row"]), {"check": place["check"], "side": place["side"]})
            row[str(place["key"])] = value
    return {number: row_from(texts[number]) for number in sorted(texts)}


def unit_of(table: Any) -> Unit | None:
    """Return the job's unit facts; None while they are not complete."""
    try:
        return unit_from_table(dict(table or {}), "unit")
    except (PlanError, TypeError, ValueError):
        return None


def _judge(app: Dash, context: Context) -> None:
    @app.callback(
        Output({"verdict": ALL}, "children"),
        Output({"line": ALL}, "className"),
        Output("gate", "children"),
        Output("save-stands", "children"),
        Output("unsaved", "hidden"),
        Output("judged", "data"),
        Input("typed", "data"),
        State("held", "data"),
        State(_ROWS, "value"),
        prevent_initial_call=True,
    )
    def judge(typed: Any, held: dict[str, Any] | None, _values: list[Any]) -> Any:
        context.at_the_bench()
        answer = {"n": asked_n(typed)}
        places = [output["id"]["verdict"] for output in ctx.outputs_list[0]]
        rows = typed_rows(ctx.states_list[1])
        if not held or not rows:
            return [no_update] * len(places), [no_update] * len(places), [], "", True, answer
        unit = unit_of(held["unit"])
        found = sheet_of(tuple(rows.values()), unit)
        entries = dict(zip(rows, found.entries, strict=True))
        shown = [entries[number] for number in places]
        return (
            [checks_view.verdict(entry) for entry in shown],
            [checks_view.line_class(entry) for entry in shown],
            checks_view.statement(found, unit is not None),
            checks_view.short_statement(found),
            _same(rows.values(), map(row_from, held["rows"])),
            answer,
        )


def _same(one: Iterable[Row], other: Iterable[Row]) -> bool:
    return [row for row in one if not row.is_empty] == [row for row in other if not row.is_empty]


def _save(app: Dash, context: Context) -> None:
    @app.callback(
        Output("held", "data", allow_duplicate=True),
        Output("job-said", "children", allow_duplicate=True),
        Output("save-said", "children"),
        Input("save", "n_clicks"),
        Input({"keep": ALL}, "n_clicks"),
        State("held", "data"),
        State(_ROWS, "value"),
        prevent_initial_call=True,
    )
    def save(_save: int | None, _keep: list[int | None], held: dict[str, Any] | None, _values: list[Any]) -> Any:
        context.at_the_bench()
        by = ctx.triggered_id
        if not held or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        rows = tuple(typed_rows(ctx.states_list[1]).values())
        found = sheet_of(rows, None)
        if found.wrong:
            what = "one row cannot be read" if found.wrong == 1 else f"{found.wrong} rows cannot be read"
            return no_update, no_update, _wrong(f"Not saved: {what}; correct it below, nothing typed is lost.")
        if _same(rows, map(row_from, held["rows"])):
            return no_update, no_update, "Nothing was changed since it was saved."
        number, version = str(held["number"]), int(held["version"])
        over = int(by["keep"]) if isinstance(by, dict) else version
        try:
            # What the sheet has no row for stays as it was when the page was opened.
            others = strangers(opened(context.folders.jobs, number, version).job.cold_checks)
            own = {"cold_checks": (*found.results, *others)}
            job = save_own(context.folders.jobs, number, version, over, own, "checks before power")
            head = head_of(opened(context.folders.jobs, number))
        except Clashed as error:
            theirs = _theirs(error.clash.newest)
            return no_update, no_update, clash_told(error.clash, "the checks", theirs, number)
        except (BenchwardenError, OSError) as error:
            return no_update, no_update, _wrong(f"Not saved: {plain(error, 600)}. Everything typed is still here.")
        return _held(job, rows), head, f"Saved as version {job.version}."


def _theirs(newest: Job) -> str:
    results = newest.cold_checks
    counted = {state: sum(one.state == state for one in results) for state in ("passed", "failed", "skipped")}
    words = ", ".join(f"{count} {state}" for state, count in counted.items() if count)
    return f"Theirs has {len(results)} results ({words or 'none'})."


def _wrong(words: str) -> Any:
    return html.P(words, className="said-wrong")
