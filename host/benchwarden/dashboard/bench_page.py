"""The bench page: what is happening now, and what the person confirms."""

from __future__ import annotations

import dataclasses
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from benchwarden.dashboard import views
from benchwarden.dashboard.confirm import Announced
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.figures import CHANNELS, TRENDS, extension
from benchwarden.errors import RecordError, StageError

BY = "dashboard"


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the bench page."""
    app.layout = lambda: _layout(context)
    with context.reading(app):
        _show(app, context)
    _act(app, context)
    _in_browser_only(app)


def _layout(context: Context) -> Any:
    run = context.followed.run()
    return views.page(run.feed.snapshot(), run.trends.points(-1, CHANNELS))


def _show(app: Dash, context: Context) -> None:
    @app.callback(
        *[Output(part.name, "children") for part in views.PARTS],
        Output("digests", "data"),
        Output("prompt", "data"),
        Output("live", "data"),
        Input("asked", "data"),
        State("digests", "data"),
        State("prompt", "data"),
        prevent_initial_call=True,
    )
    def refresh(
        asked: dict[str, Any] | None, digests: dict[str, int] | None, prompt: dict[str, Any] | None
    ) -> list[Any]:
        if asked is None:
            raise PreventUpdate
        now = context.followed.run().feed.snapshot()
        held = digests or {}
        fresh: dict[str, int] = {}
        out: list[Any] = []
        for part in views.PARTS:
            shown = part.shows(now)
            fresh[part.name] = views.digest(shown)
            out.append(no_update if held.get(part.name) == fresh[part.name] else part.drawn(shown))
        facts = views.prompt_facts(now)
        return [
            *out,
            no_update if fresh == held else fresh,
            no_update if facts == prompt else facts,
            views.live(now) | {"n": asked["n"]},
        ]

    @app.callback(
        *[Output(f"trend-{trend.name}", "extendData") for trend in TRENDS],
        Output("trend-cursors", "data"),
        Output("trend-beat", "children"),
        Output("ahead", "data"),
        Input("trend-asked", "data"),
        State("trend-cursors", "data"),
        State("ahead", "data"),
        prevent_initial_call=True,
    )
    def extend(asked: dict[str, Any] | None, cursors: dict[str, int] | None, known: dict[str, Any] | None) -> list[Any]:
        if asked is None:
            raise PreventUpdate
        out: list[Any] = [no_update] * len(TRENDS)
        held = dict(cursors or {})
        turn = int(asked["n"]) % len(TRENDS)
        trend = TRENDS[turn]
        run = context.followed.run()
        way = views.ahead(run.feed.snapshot())
        points = run.trends.points(int(held.get(trend.name, -1)), CHANNELS)
        if points.t_s:
            out[turn] = extension(trend, points)
            held[trend.name] = points.newest
        return [*out, held if points.t_s else no_update, str(asked["n"]), no_update if way == known else way]


def _act(app: Dash, context: Context) -> None:
    @app.callback(
        Output("announced", "data"),
        Output("confirm-said", "children"),
        Input("confirm-first", "n_clicks"),
        Input("confirm-second", "n_clicks"),
        Input("confirm-cancel", "n_clicks"),
        State("prompt", "data"),
        State("announced", "data"),
        prevent_initial_call=True,
    )
    def confirm(
        _first: int, _second: int, _cancel: int, prompt: dict[str, Any], announced: dict[str, Any] | None
    ) -> tuple[Any, str]:
        try:
            context.at_the_bench()
            if ctx.triggered_id == "confirm-first":
                found = context.followed.run().two_step.first(int(prompt["id"]), BY)
                return (dataclasses.asdict(found), "") if found else (None, "Confirmed. Waiting for the bench.")
            if ctx.triggered_id == "confirm-second" and announced:
                context.followed.run().two_step.second(
                    Announced(int(announced["prompt_id"]), str(announced["ticket"])), BY
                )
                return None, "Confirmed twice. Waiting for the bench."
        except (StageError, RecordError) as error:
            return None, _sentence(error)
        return None, ""

    @app.callback(
        Output("announced-end", "data"),
        Output("end-said", "children"),
        Input("end-first", "n_clicks"),
        Input("end-second", "n_clicks"),
        Input("end-cancel", "n_clicks"),
        State("announced-end", "data"),
        prevent_initial_call=True,
    )
    def end(_first: int, _second: int, _cancel: int, announced: dict[str, Any] | None) -> tuple[Any, str]:
        try:
            context.at_the_bench()
            if ctx.triggered_id == "end-first":
                return dataclasses.asdict(context.followed.run().two_step.first_end()), ""
            if ctx.triggered_id == "end-second" and announced:
                context.followed.run().two_step.second_end(Announced(0, str(announced["ticket"])), BY)
                return None, "Asked to open the relay and end the run."
        except (StageError, RecordError) as error:
            return None, _sentence(error)
        return None, ""


def _in_browser_only(app: Dash) -> None:
    for ticks, asked, beat in (("tick", "asked", "beat"), ("trend-tick", "trend-asked", "trend-beat")):
        _in_browser(
            app,
            "ask",
            Output(asked, "data"),
            Input(ticks, "n_intervals"),
            State(asked, "data"),
            State(beat, "children"),
            prevent_initial_call=True,
        )
    _in_browser(app, "show", Output("beat", "children"), Input("live", "data"))
    _in_browser(
        app, "ahead", Output("ahead-drawn", "children"), Input("ahead", "data"), Input("trend-beat", "children")
    )

    _in_browser(
        app,
        "step",
        Output("confirm-first", "hidden"),
        Output("confirm-first", "children"),
        Output("confirm-step", "hidden"),
        Output("confirm-second", "children"),
        Output("confirm-said", "hidden"),
        Input("announced", "data"),
        Input("prompt", "data"),
        Input("confirm-said", "children"),
    )
    _in_browser(
        app, "endStep", Output("end-step", "hidden"), Output("end-first", "hidden"), Input("announced-end", "data")
    )


def _in_browser(app: Dash, function: str, *places: Any, **options: Any) -> None:
    # Functions of assets/live.js.
    callback: Any = app.clientside_callback
    callback(ClientsideFunction("bench", function), *places, **options)


def _sentence(error: Exception) -> str:
    text = str(error)
    return text[:1].upper() + text[1:] + "."
