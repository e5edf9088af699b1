"""How one run is laid out: what it was, its plots with their controls, its moments, its events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.dashboard import words
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.run_plots import PLOTS
from benchwarden.dashboard.run_story import KIND_WORDS, RunEvent, Story
from benchwarden.dashboard.runs_list import RunRow
from benchwarden.dashboard.time_axis import clock
from benchwarden.record.overview import Moment

# Replay: seconds of the run for a second of the clock.
SPEEDS = (1, 10, 60, 600, 3600)
TICK_MS = 400
_MOST_LISTED = 150
_CONFIG: Any = {
    "displayModeBar": False,
    "displaylogo": False,
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": "autosize",
    "showTips": False,
}
_ZOOMS = (
    ("whole", "Whole run", "Home"),
    ("in", "Zoom in", "+"),
    ("out", "Zoom out", "−"),
    ("left", "◀ Earlier", "←"),
    ("right", "Later ▶", "→"),
)
_EVENT_SIGNS = {
    "trip": "✕",
    "finding": "◇",
    "gap": "┄",
    "stage": "▶",
    "act": "●",
    "board": "■",
    "message": "○",
}


def run_page(found: Story, others: Sequence[RunRow], over: str, has_pdf: bool, has_csv: bool) -> list[Any]:
    """Return the cards of one run.

    Args:
        others: runs to compare with, those of the same set first.
        over: name of the run to compare with from the start, "" for none.
    """
    row = found.row
    cards = [_head(found, has_pdf, has_csv)]
    if row.duration_s is None:
        nothing = "There are no readings in this run." if not row.problem else "Its readings cannot be shown."
        return [*cards, _verdict(found), _stages(found), card("Readings", html.P(nothing))]
    # A small sentence of what went wrong before, then all that can be read.
    return [
        *cards,
        _verdict(found),
        _stages(found),
        html.Div([_plots(found), html.Div([_moment(), _events()], className="beside")], className="span-12 readings"),
        _compare(found, others, over),
        _bursts(),
        *_stores(row.name, over),
    ]


def _head(found: Story, has_pdf: bool, has_csv: bool) -> Any:
    row = found.row
    sign, said = row.verdict_words
    facts = [
        ("Started", row.started),
        ("Model", row.model),
        ("Serial", row.serial),
        ("Customer", row.customer),
        ("Kind", row.kind),
        ("Duration", words.duration(row.duration_s)),
        *found.facts,
    ]
    parts: list[Any] = []
    if row.virtual:
        note = html.Span([html.Strong("Virtual bench."), " Nothing here is a measurement."])
        parts.append(html.P(note, className="virtual", role="note"))
    if row.problem:
        parts.append(html.P([html.Strong("✕ This run is damaged. "), row.problem], className="finding trip"))
    parts.append(
        html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in facts if value], className="run-facts")
    )
    links: list[Any] = [dcc.Link("All runs", href="/runs/", className="plain-button")]
    for file, label, there in (("record.pdf", "Record (PDF)", has_pdf), ("recording.csv", "Recording (CSV)", has_csv)):
        if there:
            links.append(html.A(label, href=f"/runs/{row.name}/{file}", className="plain-button", download=file))
        else:
            links.append(html.Span(f"{label}: not made yet", className="facts"))
    parts.append(html.Div(links, className="run-links"))
    return card(f"{sign} {row.title or row.name}: {said}", *parts, columns=7, id="run-head")


def _verdict(found: Story) -> Any:
    parts: list[Any] = []
    if found.sentence:
        parts.append(html.P(found.sentence, className="verdict-sentence"))
    if found.reasons:
        parts.append(html.Ul([html.Li(reason) for reason in found.reasons], className="reasons"))
    findings = [event for event in found.events if event.kind in ("trip", "finding")]
    for event in findings[:40]:
        kind = "finding trip" if event.kind == "trip" else "finding"
        sign = _EVENT_SIGNS[event.kind]
        parts.append(html.P([f"{sign} ", _jump(event.t_s), f" {event.text}"], className=kind))
    if len(findings) > 40:
        parts.append(html.P(f"and {len(findings) - 40} more, in the events below", className="facts"))
    for lost in found.lost:
        parts.append(html.P(f"Not readable: {lost}", className="facts"))
    if not parts:
        parts.append(
            html.P("Nothing was found." if found.row.verdict else "There is no verdict yet.", className="facts")
        )
    return card("Verdict and findings", *parts, columns=5, id="run-verdict")


def _stages(found: Story) -> Any:
    times = {stage.name: stage for stage in found.held}
    rows = []
    for name, status, why in found.planned:
        held = times.get(name)
        at = [_jump(held.t0_s)] if held else []
        rows.append(
            html.Li(
                [
                    html.Span(words.stage_state(status), className="stage-state"),
                    html.Span([html.Strong(name), " ", *at]),
                    html.Span(why, className="facts"),
                ],
                className=f"run-stage is-{status}" if status.isascii() and status.isalpha() else "run-stage",
            )
        )
    body = html.Ol(rows, className="plain run-stages") if rows else html.P("The plan cannot be read.")
    return card("Stages", body, id="run-stages")


def _toggle(label: str, into: str) -> Any:
    """Return a button that is pressed or not, and puts that into a store."""
    attributes = named({"data-toggle": into, "aria-pressed": "false"})
    return html.Button(label, className="plain-button toggle", type="button", id=f"{into}-toggle", **attributes)


def _choice(label: str, into: str, options: Sequence[tuple[str, Any]], chosen: Any) -> Any:
    """Return the platform's own list to choose from, which puts its value into a store."""
    listed = [html.Option(text, value=value, selected=value == chosen) for text, value in options]
    return html.Label([html.Span(label), html.Select(listed, id=f"{into}-choice", **named({"data-into": into}))])


def _jump(t_s: float) -> Any:
    return html.Button(
        clock(t_s, 1),
        className="jump",
        type="button",
        **named({"data-jump": f"{t_s:.3f}", "aria-label": f"Go to {clock(t_s, 1)}"}),
    )


def _plots(found: Story) -> Any:
    buttons = [
        html.Button(
            label,
            id=f"zoom-{name}",
            className="plain-button",
            type="button",
            title=f"key {key}",
            **named({"data-zoom": name}),
        )
        for name, label, key in _ZOOMS
    ]
    if found.trips_s:
        buttons.append(
            html.Button(
                "✕ To the trip", id="zoom-trip", className="plain-button", type="button", **named({"data-zoom": "trip"})
            )
        )
    graphs = [
        html.Figure(
            [
                html.Figcaption([title, " ", html.Span(id=f"run-{name}-beyond", className="facts")]),
                dcc.Graph(
                    id=f"run-{name}",
                    figure={"data": [], "layout": {"paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)"}},
                    config=_CONFIG,
                    className=f"run-plot lines-{lines}",
                    style={"height": height},
                ),
            ],
            id=f"run-{name}-place",
            hidden=name == "voltage",
        )
        for name, title, lines, height in (
            ("track", "Events", 0, "176px"),
            *((plot.name, plot.title, len(plot.lines), "186px") for plot in PLOTS),
        )
    ]
    return card(
        "Readings over time",
        html.Div(buttons, className="zoom-buttons", role="group", **named({"aria-label": "Zoom"})),
        html.P(id="run-window", className="facts", role="status"),
        html.P(
            "Drag across a plot to zoom; two fingers on a screen. A click or tap shows all channels at that moment. "
            "With the plots in focus: + − ← → Home, and , . for one frame.",
            className="facts",
        ),
        html.Div(graphs, id="run-plots", tabIndex="0", role="group", **named({"aria-label": "Plots over time"})),
        _toggle("Rail voltage", "more"),
        id="run-readings",
    )


def _moment() -> Any:
    speeds = [(f"{speed} ×", speed) for speed in SPEEDS]
    return card(
        "At one moment",
        html.Div(
            [
                html.Button("◀ frame", id="moment-back", className="plain-button", type="button"),
                html.Label(
                    ["Time, h:mm:ss ", dcc.Input(id="moment-field", type="text", debounce=True, autoComplete="off")]
                ),
                html.Button("frame ▶", id="moment-on", className="plain-button", type="button"),
                html.Button("▶ Play", id="replay", className="plain-button", type="button"),
                _choice("Speed", "speed", speeds, 60),
                _toggle("Hold: ignore the pointer", "hold"),
            ],
            className="moment-controls",
        ),
        html.Div(id="moment-table", **named({"aria-live": "off"})),
        id="run-moment",
    )


def moment_table(moment: Moment | None, stage: str) -> list[Any]:
    """Return all channels at one moment."""
    if moment is None:
        return [html.P("There is no reading at this moment.")]

    def on(state: bool, yes: str, no: str) -> str:
        return yes if state else no

    states = (
        on(moment.mains_on, "mains on", "mains off"),
        on(moment.limiter_in, "limiter lamp in", "limiter lamp out"),
        on(moment.drive_on, "driven", "not driven"),
    )
    head = f"{clock(moment.t_s, 2)} · {' · '.join(states)}" + (f" · {stage}" if stage else "")
    rows = []
    for channel in CHANNELS:
        written = scale(channel)
        low, high = moment.minimum[channel], moment.maximum[channel]
        span = "" if low is None or high is None else f"{written.text(low)} … {written.text(high)}"
        rows.append(
            html.Tr(
                [
                    html.Th(CHANNEL[channel].label, scope="row"),
                    html.Td([html.Span(written.text(moment.mean[channel]), className="value"), f" {written.unit}"]),
                    html.Td(span),
                ]
            )
        )
    columns = html.Thead(html.Tr([html.Th(text, scope="col") for text in ("channel", "mean", "least … greatest")]))
    return [html.P(head, className="moment-head"), html.Table([columns, html.Tbody(rows)], className="moment-rows")]


def _events() -> Any:
    return card(
        "Events in view",
        html.Div(
            id="event-list",
            className="event-list",
            tabIndex="0",
            role="group",
            **named({"aria-label": "Events in view"}),
        ),
        id="run-events",
    )


def event_list(events: Sequence[RunEvent], start_s: float, stop_s: float) -> list[Any]:
    """Return the events of a window as a list; each moves the window to it."""
    shown = [event for event in events if start_s <= event.t_s <= stop_s]
    if not shown:
        return [html.P("No event in this window.", className="facts")]
    rows = [
        html.Li(
            [
                _jump(event.t_s),
                html.Span(f"{_EVENT_SIGNS[event.kind]} {KIND_WORDS[event.kind]}", className="event-kind"),
                html.Span(event.text),
            ],
            className=f"event is-{event.kind}",
        )
        for event in shown[:_MOST_LISTED]
    ]
    more = len(shown) - _MOST_LISTED
    rest = [html.P(f"and {more} more: zoom in to see them", className="facts")] if more > 0 else []
    return [html.Ul(rows, className="plain"), *rest]


def _compare(found: Story, others: Sequence[RunRow], over: str) -> Any:
    row = found.row
    choices = [("none", "")]
    for other in others:
        is_same = bool(row.serial) and (other.model.casefold(), other.serial) == (row.model.casefold(), row.serial)
        facts = [other.model, other.serial and f"serial {other.serial}", other.kind, other.verdict_words[1]]
        label = " · ".join(text for text in (other.started or other.name, *facts) if text)
        choices.append((("same set: " if is_same else "") + label, other.name))
    stages = list(dict.fromkeys(stage.name for stage in found.held))
    aligned = [("start of the run", ""), *((f"start of {stage}", stage) for stage in stages)]
    return card(
        "Compare",
        html.Div(
            [
                _choice("Over another run", "over", choices, over),
                _choice("Aligned at the", "align", aligned, ""),
                _toggle("Over the spread of its kind", "spread"),
            ],
            className="compare-controls",
        ),
        html.P(
            "The spread is of the passed runs of the same model and kind: their median and the band from 5 to 95 %.",
            className="facts",
        ),
        html.P(id="compare-said", role="status"),
        id="run-compare",
    )


def _bursts() -> Any:
    return html.Div(id="burst-place", className="span-12")


def burst_card(
    labels: Sequence[str], chosen: int, figures: Sequence[tuple[str, int, dict[str, Any]]], said: str
) -> Any:
    """Return the card of the full-rate records around trips.

    Args:
        labels: of each record. chosen: which is shown.
        figures: (title, number of lines, figure) of each plot.
    """
    choices = [
        html.Button(
            label,
            className="plain-button toggle",
            type="button",
            **named({"data-into": "burst-chosen", "data-value": str(k), "aria-pressed": str(k == chosen).lower()}),
        )
        for k, label in enumerate(labels)
    ]
    return card(
        "Around the trip, every scan",
        html.Div(choices, className="zoom-buttons", role="group", **named({"aria-label": "Which trip"})),
        html.P(said, className="facts"),
        html.Div(
            [
                html.Figure(
                    [
                        html.Figcaption(title),
                        dcc.Graph(
                            figure=figure,
                            config=_CONFIG,
                            className=f"run-plot lines-{lines}",
                            style={"height": "186px"},
                        ),
                    ]
                )
                for title, lines, figure in figures
            ],
            className="burst-plots",
        ),
        id="run-burst",
    )


def _stores(run: str, over: str) -> list[Any]:
    return [
        dcc.Store(id="run-name", data=run),
        dcc.Store(id="window", data={"whole": True}),
        dcc.Store(id="span", data=None),
        dcc.Store(id="moment", data=None),
        dcc.Store(id="moment-marked", data=None),
        *[
            dcc.Store(id=name, data=start)
            for name, start in (
                ("more", False),
                ("hold", False),
                ("speed", 60),
                ("over", over),
                ("align", ""),
                ("spread", False),
                ("burst-chosen", "0"),
            )
        ],
        dcc.Interval(id="fill-tick", interval=700, disabled=True),
        dcc.Interval(id="replay-tick", interval=TICK_MS, disabled=True),
        html.Div(id="gesture-held", hidden=True),
    ]
