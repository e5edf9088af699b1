"""The bias page: drift of both channels over the whole run, what is fitted to it, and any moment of it."""

from __future__ import annotations

import math
from typing import Any
from urllib.parse import parse_qs

import numpy as np
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from benchwarden.analysis.bias_fit import WindowFit, calm, window_fit
from benchwarden.core.samples import BoolArray, FloatArray
from benchwarden.dashboard import bias_figures, bias_view
from benchwarden.dashboard.bias_figures import SIDES
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.feed import Feed
from benchwarden.dashboard.frame import card, framed, named
from benchwarden.dashboard.run_names import run_folder
from benchwarden.dashboard.status import Status, number
from benchwarden.dashboard.time_axis import clock
from benchwarden.dashboard.window import Window, dragged, moved, window_of
from benchwarden.errors import RecordError
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.overview import Overview, Overviews

_LINES = ("bias_left_v", "bias_right_v", "sink_left_c", "sink_right_c", "ambient_c")
# A run that is going on is drawn anew this often; its readings are on the bench page.
_TICK_MS = 4000
# A long record is read on in the pauses; somebody who zooms does not wait for it.
_FILL_MS = 600
_BUDGET_S, _ZOOM_BUDGET_S = 0.25, 0.02
# Points of the fit: enough for its blocks, few enough to send.
_FIT_POINTS = 600
# Points of a line, and signs in the plot against the sink: what a screen can show, and a browser draws in time.
_LINE_POINTS, _SIGNS = 1000, 150

_BUTTONS = (
    ("whole", "Whole run"),
    ("latest", "Last ten minutes"),
    ("in", "Zoom in"),
    ("out", "Zoom out"),
    ("left", "Earlier"),
    ("right", "Later"),
)
_STEPS = ((-60.0, "−1 min"), (-1.0, "−1 s"), (1.0, "+1 s"), (60.0, "+1 min"))


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the bias page."""
    runs = _Runs(context)
    app.layout = _layout
    with context.reading(app):
        _draw(app, runs)
        _point(app, runs)


class _Runs:
    """The run that a page names in its address, else the one on the bench page."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._kept = Overviews(context.folders.runs, clock=context.clock)
        self._here: Overview | None = None

    def of(self, search: Any) -> tuple[str, Feed, Overview]:
        """Return name, status and overview.

        Raises:
            RecordError: no run of the name that was asked for.
        """
        name = parse_qs(search[1:]).get("run", [""])[0] if isinstance(search, str) else ""
        if name:
            folder = run_folder(self._context.folders.runs, name)
            return name, Feed(folder, self._context.clock), self._kept.of(name)
        run = self._context.followed.run()
        if self._here is None or self._here.run_dir != run.run_dir:
            # It need not lie in the runs folder.
            self._here = Overview(run.run_dir, self._context.clock)
        return run.run_dir.name, run.feed, self._here


def _layout() -> Any:
    buttons = [html.Button(text, id=f"bias-{act}", className="plain-button", type="button") for act, text in _BUTTONS]
    steps = [html.Button(text, id=f"step-{k}", className="plain-button") for k, (_, text) in enumerate(_STEPS)]
    plot: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True, "doubleClick": "reset"}
    return framed(
        "Bias",
        "Drift of both channels over the whole run against their heatsinks, and what follows from it.",
        dcc.Location(id="where", refresh=False),
        dcc.Interval(id="bias-tick", interval=_TICK_MS),
        dcc.Store(id="bias-window", data=None),
        dcc.Store(id="bias-moment", data=None),
        card("Run", html.P("Reading the record …", id="bias-run", role="status")),
        *(card(f"{side.capitalize()} channel", html.Div(id=f"bias-{side}-told"), columns=6) for side in SIDES),
        card(
            "Over time",
            html.Div(buttons, className="bar-of-buttons", role="group", **named({"aria-label": "Time on view"})),
            html.P(id="bias-on-view", className="facts", role="status"),
            dcc.Graph(id="bias-over-time", config=plot, className="trend bias-plot", style={"height": "460px"}),
            html.P(
                "Drag to zoom, double-click for the whole run, point or tap for a moment. Each line runs from least to "
                "greatest reading; a break is a gap in the record.",
                className="facts",
            ),
        ),
        card(
            "Against the heatsink",
            dcc.Graph(id="bias-against-sink", config=plot, className="trend sink-plot", style={"height": "340px"}),
            html.P(
                "Idle at full mains without the lamp, for the time on view. Lines: what the sink alone asks for, the "
                "mains taken out.",
                className="facts",
            ),
            columns=7,
        ),
        card(
            "At a moment",
            html.Div(
                [
                    html.Label("Seconds since the start ", htmlFor="bias-at"),
                    dcc.Input(id="bias-at", type="number", debounce=True, min=0, step="any", className="number"),
                    *steps,
                ],
                className="bar-of-buttons",
            ),
            html.Div([html.P("Point at the plot, or give a time.", className="facts")], id="bias-all"),
            columns=5,
        ),
    )


def _draw(app: Dash, runs: _Runs) -> None:
    @app.callback(
        Output("bias-run", "children"),
        Output("bias-left-told", "children"),
        Output("bias-right-told", "children"),
        Output("bias-over-time", "figure"),
        Output("bias-against-sink", "figure"),
        Output("bias-on-view", "children"),
        Output("bias-window", "data"),
        Output("bias-tick", "disabled"),
        Output("bias-tick", "interval"),
        Input("bias-tick", "n_intervals"),
        Input("where", "search"),
        Input("bias-over-time", "relayoutData"),
        *[Input(f"bias-{act}", "n_clicks") for act, _ in _BUTTONS],
        State("bias-window", "data"),
        State("bias-moment", "data"),
    )
    def draw(_tick: int | None, search: str | None, relayout: Any, *rest: Any) -> list[Any]:
        kept, moment_s = rest[-2], number(rest[-1])
        nothing_new: list[Any] = [no_update] * 9
        asked = ctx.triggered_id
        wanted = dragged(relayout) if asked == "bias-over-time" else None
        if asked == "bias-over-time" and wanted is None:
            return nothing_new
        try:
            name, feed, overview = runs.of(search)
            overview.update(_BUDGET_S if asked in (None, "where", "bias-tick") else _ZOOM_BUDGET_S)
            stages = _stages(overview)
        except RecordError as error:
            said = f"Nothing to show: {error}."
            return [said, [], [], *[no_update] * 6]
        first_s, last_s = overview.first_s, overview.last_s
        window = window_of(None if asked == "where" else kept, first_s, last_s)
        if wanted is not None:
            window = window_of([60.0 * part for part in wanted], first_s, last_s)
        elif isinstance(asked, str) and asked.startswith("bias-"):
            window = moved(window, asked.removeprefix("bias-"), first_s, last_s)
        status = feed.snapshot().status
        is_over = status is None or status.ended
        outlook = {row.side: row for row in (status.outlook if status is not None else ())}
        target_mv = next((row.target_mv for row in outlook.values()), None)
        fits, points = _fitted(overview, window, target_mv or 0.0)
        trips = {trip.channel: trip for trip in reversed(status.trips if status is not None else ())}
        figure = bias_figures.over_time(
            overview.lines(_LINES, window.start_s, window.stop_s, _LINE_POINTS),
            window,
            target_mv,
            () if is_over else tuple(outlook.values()),
            stages,
            moment_s,
        )
        return [
            _run_words(name, status, overview),
            *(bias_view.verdict(outlook.get(side), fits[side], is_over, trips.get(side)) for side in SIDES),
            figure,
            bias_figures.against_sink(points, fits),
            f"On view: {clock(window.start_s, 1)} to {clock(window.stop_s, 1)}"
            + (" (the whole run)." if window.whole else "."),
            window.data(),
            is_over and overview.complete >= 1.0,
            _TICK_MS if overview.complete >= 1.0 else _FILL_MS,
        ]


def _run_words(name: str, status: Status | None, overview: Overview) -> str:
    if status is None:
        told = [name]
    else:
        told = [status.run or name, status.model, f"serial {status.serial}" if status.serial else "", status.run_type]
        told.append("virtual bench: nothing here is a measurement" if status.virtual else "")
        told.append("over" if status.ended else "going on")
    if not math.isfinite(overview.first_s):
        told.append("no frames yet")
    elif overview.complete < 1.0:
        told.append(f"still filling in, {overview.complete:.0%} read")
    return " · ".join(part for part in told if part)


def _stages(overview: Overview) -> list[tuple[float, str]]:
    with JournalReader(overview.run_dir) as reader:
        notes = [note for note in reader.notes() if note.kind == "stage" and note.body.get("status") == "now"]
    return [(note.t_s, str(note.body.get("name", ""))) for note in notes if note.t_s is not None]


Points = dict[str, tuple[list[float], list[float]]]


def _fitted(overview: Overview, window: Window, target_mv: float) -> tuple[dict[str, WindowFit], Points]:
    """Return per side the fit of the window and its idle points."""
    step_s = max(1, math.ceil(window.span_s / _FIT_POINTS))
    names = ("bias_left_v", "bias_right_v", "sink_left_c", "sink_right_c", "rail_pos_v", "rail_neg_v")
    t_s, means = overview.seconds(names, window.start_s, window.stop_s, step_s)
    _, states = overview.states(window.start_s, window.stop_s, step_s)
    idle = (states["mains_on"] == 1.0) & (states["limiter_in"] == 0.0) & (states["drive_on"] == 0.0)
    rail_v = (means["rail_pos_v"] - means["rail_neg_v"]) / 2.0
    fits, points = {}, {}
    for side in SIDES:
        drop, sink = means[f"bias_{side}_v"], means[f"sink_{side}_c"]
        fits[side] = window_fit(t_s, drop, sink, rail_v, idle, target_mv)
        points[side] = _shown(sink, drop, calm(t_s, idle))
    return fits, points


def _shown(sink_c: FloatArray, drop_v: FloatArray, idle: BoolArray) -> tuple[list[float], list[float]]:
    there = idle & ~np.isnan(sink_c) & ~np.isnan(drop_v)
    every = max(1, -(-int(there.sum()) // _SIGNS))
    return sink_c[there][::every].tolist(), (1e3 * drop_v[there][::every]).tolist()


def _point(app: Dash, runs: _Runs) -> None:
    @app.callback(
        Output("bias-all", "children"),
        Output("bias-at", "value"),
        Output("bias-moment", "data"),
        Input("bias-over-time", "hoverData"),
        Input("bias-over-time", "clickData"),
        Input("bias-at", "value"),
        *[Input(f"step-{k}", "n_clicks") for k in range(len(_STEPS))],
        State("where", "search"),
        State("bias-moment", "data"),
        prevent_initial_call=True,
    )
    def point(hover: Any, click: Any, given: Any, *rest: Any) -> list[Any]:
        search, kept = rest[-2], number(rest[-1])
        asked = ctx.triggered[0]["prop_id"] if ctx.triggered else ""
        nothing_new: list[Any] = [no_update] * 3
        wanted: float | None
        if asked.startswith("step-"):
            wanted = (kept or 0.0) + _STEPS[int(asked.removeprefix("step-").partition(".")[0])][0]
        elif asked == "bias-at.value":
            wanted = number(given)
        else:
            wanted = _pointed_s(click if asked.endswith("clickData") else hover)
        if wanted is None or (asked == "bias-at.value" and wanted == kept):
            return nothing_new
        try:
            moment = runs.of(search)[2].at(wanted)
        except RecordError as error:
            return [[html.P(f"Nothing to show: {error}.", className="facts")], no_update, no_update]
        at_s = None if moment is None else round(moment.t_s, 3)
        return [bias_view.moment_table(moment), no_update if at_s is None else at_s, at_s]


def _pointed_s(event: Any) -> float | None:
    """Return the run time that a plot's event points at; the event comes from a browser."""
    points = event.get("points") if isinstance(event, dict) else None
    first = points[0] if isinstance(points, list) and points and isinstance(points[0], dict) else {}
    minutes = number(first.get("x"))
    return None if minutes is None else 60.0 * minutes
