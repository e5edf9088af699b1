"""The runs page: all runs, one run at any zoom, its moments, and other runs behind it."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.dashboard import run_view, runs_view
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, framed
from benchwarden.dashboard.run_book import RunBook, time_of
from benchwarden.dashboard.run_files import add_files, has_file
from benchwarden.dashboard.run_plots import (
    CHANNELS_OF,
    PLOTS,
    Window,
    burst_figure,
    limits_beyond,
    plot_figure,
    track_figure,
)
from benchwarden.dashboard.runs_list import without_path
from benchwarden.dashboard.status import plain
from benchwarden.dashboard.time_axis import clock, seconds_of
from benchwarden.errors import BenchwardenError

_LEAD = "Every run that is kept here: look at any moment of it, play it again, lay it over others."
_FILL_MS, _FOLLOW_MS = 600, 5000
_BURST_PLOTS = ("current", "voltage", "bias", "offset", "hf")
_NAMED = {plot.name: plot for plot in PLOTS}


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the runs page."""
    book = RunBook(context.folders.runs, context.clock)
    add_files(app.server, context.folders.runs)
    app.layout = _layout
    with context.reading(app):
        _route(app, book)
        _list(app, book)
        _draw(app, book)
        _moments(app, book)
        _bursts(app, book)
    _in_browser_only(app)


def _layout() -> Any:
    return framed("Runs", _LEAD, dcc.Location(id="where", refresh=False), html.Div(id="runs-body", className="span-12"))


def _route(app: Dash, book: RunBook) -> None:
    @app.callback(Output("runs-body", "children"), Input("where", "search"))
    def show(search: str | None) -> list[Any]:
        asked = parse_qs((search or "").removeprefix("?"), max_num_fields=20)
        name, over = asked.get("run", [""])[0], asked.get("over", [""])[0]
        if not name:
            return runs_view.list_page()
        try:
            run_dir = book.folder(name)
            found = book.story(name)
            others = book.others(name)
        except (BenchwardenError, OSError) as error:
            said = f"“{plain(name, 80)}”: {without_path(error, book.runs)}."
            return [card("No such run", html.P(said), dcc.Link("All runs", href="/runs/", className="plain-button"))]
        return run_view.run_page(
            found, others, over, has_file(run_dir, "record.pdf"), has_file(run_dir, "recording.csv")
        )


def _list(app: Dash, book: RunBook) -> None:
    @app.callback(
        Output("runs-rows", "children"),
        Output("runs-said", "children"),
        Output("runs-more", "hidden"),
        Output("runs-tick", "interval"),
        Input("runs-search", "value"),
        Input("runs-more", "n_clicks"),
        Input("runs-tick", "n_intervals"),
    )
    def fill(search: str | None, presses: int | None, _n: int | None) -> tuple[Any, str, bool, int]:
        rows = book.rows()
        wanted = str(search or "")[:200].lower().split()
        found = [row for row in rows if row.matches(wanted)]
        shown = found[: runs_view.PAGE_ROWS * (1 + min(int(presses or 0), 1000))]
        unread = sum(not row.is_read for row in rows)
        if not rows:
            return runs_view.nothing_yet(), "", True, 3000
        said = f"{len(found)} of {len(rows)} runs" if wanted else f"{len(rows)} run{'s' if len(rows) > 1 else ''}"
        if len(shown) < len(found):
            said += f", the newest {len(shown)} shown"
        if unread:
            said += f"; {unread} still to be read"
        body = runs_view.rows_of(shown) if found else runs_view.nothing_found(plain(search, 60))
        return body, said, len(shown) == len(found), 300 if unread else 10_000


def _draw(app: Dash, book: RunBook) -> None:
    @app.callback(
        Output("run-track", "figure"),
        *[Output(f"run-{plot.name}", "figure") for plot in PLOTS],
        *[Output(f"run-{plot.name}-beyond", "children") for plot in PLOTS],
        Output("run-voltage-place", "hidden"),
        Output("run-window", "children"),
        Output("event-list", "children"),
        Output("compare-said", "children"),
        Output("span", "data"),
        Output("fill-tick", "disabled"),
        Output("fill-tick", "interval"),
        Input("window", "data"),
        Input("more", "data"),
        Input("over", "data"),
        Input("align", "data"),
        Input("spread", "data"),
        Input("fill-tick", "n_intervals"),
        State("run-name", "data"),
        State("moment", "data"),
    )
    def draw(
        wanted: dict[str, Any] | None,
        more: bool | None,
        over: str | None,
        align: str | None,
        spread: bool | None,
        _n: int | None,
        name: str,
        moment: dict[str, Any] | None,
    ) -> list[Any]:
        plots = PLOTS if more else tuple(plot for plot in PLOTS if plot.name != "voltage")
        try:
            seen = book.seen(str(name))
            window = seen.window(wanted, time_of((moment or {}).get("t")))
            channels = [channel for plot in plots for channel in CHANNELS_OF[plot.name]]
            lines, scans = seen.lines(channels, window)
            behind, said, ready = book.behind(
                str(name), seen, window, channels, str(over or ""), str(align or ""), bool(spread)
            )
        except (BenchwardenError, OSError) as error:
            told = without_path(error, book.runs)
            return [*[no_update] * (2 * len(PLOTS) + 2), told, no_update, no_update, no_update, True, _FOLLOW_MS]
        found = seen.story
        figures: dict[str, Any] = {}
        beyond: dict[str, str] = {}
        for plot in plots:
            figure = plot_figure(plot, lines, window, behind, found.limits, found.held, found.trips_s)
            figures[plot.name] = figure
            beyond[plot.name] = limits_beyond(plot, figure, found.limits, window)
        is_live = not found.row.verdict and not found.row.problem
        told = _window_words(window, scans)
        if seen.complete < 1.0:
            told += f" Still filling in: {seen.complete:.0%} of the record read so far."
        wait = seen.complete < 1.0 or not ready
        bounds = {
            "first": seen.first_s,
            "last": seen.last_s,
            "start": window.start_s,
            "stop": window.stop_s,
            "trips": list(found.trips_s[:20]),
        }
        return [
            track_figure(seen.events, found.held, window),
            *[figures.get(plot.name, no_update) for plot in PLOTS],
            *[beyond.get(plot.name, "") for plot in PLOTS],
            "voltage" not in figures,
            told,
            run_view.event_list(seen.events, window.start_s, window.stop_s),
            " ".join(said),
            bounds,
            not (wait or is_live),
            _FILL_MS if wait else _FOLLOW_MS,
        ]


def _window_words(window: Window, scans: tuple[float, float] | None) -> str:
    decimals = 0 if window.width_s >= 600 else 1 if window.width_s >= 20 else 2
    width = f"{window.width_s:.3g} s" if window.width_s < 120 else clock(window.width_s)
    rate = f" The full-rate record: every scan from {clock(scans[0], 2)} to {clock(scans[1], 2)}." if scans else ""
    return f"{clock(window.start_s, decimals)} to {clock(window.stop_s, decimals)}, {width} in view.{rate}"


def _moments(app: Dash, book: RunBook) -> None:
    @app.callback(
        Output("moment-table", "children"),
        Output("moment-field", "value"),
        Input("moment", "data"),
        State("run-name", "data"),
    )
    def tell(moment: dict[str, Any] | None, name: str) -> tuple[Any, Any]:
        t_s = time_of((moment or {}).get("t"))
        if t_s is None:
            said = "Point at a plot, click it, or type a time: all channels at that moment are shown here."
            return html.P(said, className="facts"), no_update
        try:
            seen = book.seen(str(name), 0.0)
            found = seen.overview.at(t_s)
        except (BenchwardenError, OSError) as error:
            return html.P(without_path(error, book.runs)), no_update
        at_s = t_s if found is None else found.t_s
        return run_view.moment_table(found, seen.stage_at(at_s)), clock(at_s, 1)

    @app.callback(
        Output("moment", "data"),
        Input("moment-back", "n_clicks"),
        Input("moment-on", "n_clicks"),
        Input("moment-field", "value"),
        State("moment", "data"),
        State("run-name", "data"),
        prevent_initial_call=True,
    )
    def move(
        _back: int | None, _on: int | None, typed: str | None, moment: dict[str, Any] | None, name: str
    ) -> dict[str, Any]:
        now_s = time_of((moment or {}).get("t"))
        try:
            if ctx.triggered_id == "moment-field":
                t_s = seconds_of(str(typed or "")[:40])
                # The field is also written when the moment was moved otherwise.
                if now_s is not None and clock(t_s, 1) == clock(now_s, 1):
                    raise PreventUpdate
            else:
                by = -1 if ctx.triggered_id == "moment-back" else 1
                seen = book.seen(str(name), 0.0)
                t_s = seen.overview.step(seen.first_s if now_s is None else now_s, by)
        except (ValueError, BenchwardenError, OSError) as error:
            raise PreventUpdate from error
        return {"t": t_s, "show": True}


def _bursts(app: Dash, book: RunBook) -> None:
    def card_of(name: str, chosen: int) -> Any:
        try:
            bursts = book.seen(name, 0.0).overview.bursts()
        except (BenchwardenError, OSError):
            return None
        if not bursts:
            return None
        chosen = min(max(chosen, 0), len(bursts) - 1)
        burst = bursts[chosen]
        window = Window(float(burst.t_s[0]), float(burst.t_s[-1]))
        figures = []
        for plot in (_NAMED[part] for part in _BURST_PLOTS):
            lines = burst.lines(CHANNELS_OF[plot.name])
            figures.append((plot.title, len(plot.lines), burst_figure(plot, lines, window, burst.trip_s)))
        labels = [f"trip at {clock(b.trip_s, 2)}" if b.trip_s is not None else f"record {b.number + 1}" for b in bursts]
        scans = len(burst.t_s)
        said = f"{scans} scans over {window.width_s:.2f} s; the red rule is the scan that opened the relay."
        if not burst.is_whole:
            said += f" Not whole: {scans} of {burst.record.total} scans reached the computer."
        return run_view.burst_card(labels, chosen, figures, said)

    @app.callback(Output("burst-place", "children"), Input("run-name", "data"), Input("burst-chosen", "data"))
    def show(name: str, chosen: str | None) -> Any:
        text = str(chosen or "0")
        return card_of(str(name), int(text[:4]) if text.isascii() and text.isdigit() else 0)


def _in_browser_only(app: Dash) -> None:
    callback: Any = app.clientside_callback

    def in_browser(function: str, *places: Any, **options: Any) -> None:
        # Functions of assets/runs.js.
        callback(ClientsideFunction("runs", function), *places, **options)

    graphs = ["run-track", *(f"run-{plot.name}" for plot in PLOTS)]
    in_browser(
        "zoomed",
        Output("gesture-held", "children"),
        *[Input(graph, "relayoutData") for graph in graphs],
        prevent_initial_call=True,
    )
    in_browser(
        "pointed",
        Output("gesture-held", "title"),
        *[Input(graph, "hoverData") for graph in graphs],
        *[Input(graph, "clickData") for graph in graphs],
        State("hold", "data"),
        prevent_initial_call=True,
    )
    in_browser("keep", Output("gesture-held", "lang"), Input("span", "data"), Input("run-name", "data"))
    in_browser("mark", Output("moment-marked", "data"), Input("moment", "data"), Input("run-bias", "figure"))
    in_browser(
        "play",
        Output("replay-tick", "disabled"),
        Output("replay", "children"),
        Input("replay", "n_clicks"),
        Input("replay-tick", "n_intervals"),
        State("speed", "data"),
        State("moment", "data"),
        State("replay-tick", "disabled"),
        prevent_initial_call=True,
    )
