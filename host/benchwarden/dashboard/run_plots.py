"""How a run's lines, limits, stages and events become plots; plain tables, for a zoom has to be quick."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from benchwarden.analysis.spread import Spread
from benchwarden.dashboard.figures import TRENDS, Trend
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.run_story import KIND_WORDS, KINDS, LimitSpan, RunEvent, StageHeld
from benchwarden.dashboard.time_axis import clock, ticks
from benchwarden.record.thinning import Line

VOLTAGE = Trend("voltage", "Rail voltage", (("rail_pos_v", "positive"), ("rail_neg_v", "negative")))
_TITLES = {"offset": "DC offset", "hf": "HF level"}
PLOTS = tuple(Trend(plot.name, _TITLES.get(plot.name, plot.title), plot.lines) for plot in (*TRENDS, VOLTAGE))
CHANNELS_OF = {plot.name: tuple(channel for channel, _ in plot.lines) for plot in PLOTS}

# Middle tones: each has a contrast of at least 3 to 1 on the light and on the
# dark card (WCAG 2.2, 1.4.11). The style sheet's own replace the first three.
_TONES = ("#3d85b8", "#c96a1f", "#7d878c")
_FILLS = ("rgba(61,133,184,0.22)", "rgba(201,106,31,0.22)", "rgba(125,135,140,0.22)")
_GREY = "#7d878c"
_LIMIT = "#d24a50"
_DASHES = ("solid", "6px,3px", "2px,2px")
_OVER_DASHES = ("10px,3px,2px,3px", "1px,4px", "4px,4px")
_SCAN_SYMBOLS = ("circle", "x-thin-open", "square-open")
# A limit is drawn inside the picture when it is no further off than this many heights of what was read.
_REACH = 0.7
# Noise shall not fill the picture: least height of the axis, in units as shown.
_LEAST_HEIGHT = {"bias": 0.5, "temperature": 2.0, "current": 0.05, "offset": 10.0, "hf": 0.05, "voltage": 2.0}
_SIGNS = {
    "trip": ("x", _LIMIT, 13),
    "finding": ("diamond", "#b88a00", 11),
    "gap": ("line-ew-open", _LIMIT, 14),
    "stage": ("triangle-right", _TONES[0], 11),
    "act": ("circle", _TONES[1], 9),
    "board": ("square", _GREY, 8),
    "message": ("circle-open", _GREY, 8),
}
_MOST_EVENTS = 400
_MARKS = 4


@dataclass(frozen=True)
class Window:
    """What is in view, seconds since run start; `moment_s` is marked where it is not None."""

    start_s: float
    stop_s: float
    moment_s: float | None = None

    @property
    def width_s(self) -> float:
        return self.stop_s - self.start_s


@dataclass(frozen=True)
class Behind:
    """What is drawn behind a run's own lines.

    Attributes:
        over: another run's lines, already moved to this run's time.
        spread: per channel; its first minute begins at spread_from_s.
    """

    over: Mapping[str, Line] = field(default_factory=dict)
    spread: Mapping[str, Spread] = field(default_factory=dict)
    spread_from_s: float = 0.0


def plot_figure(
    plot: Trend,
    lines: Mapping[str, Line],
    window: Window,
    behind: Behind,
    limits: Sequence[LimitSpan],
    held: Sequence[StageHeld],
    trips_s: Sequence[float],
) -> dict[str, Any]:
    """Return one plot of a run."""
    traces = [
        _line(lines[channel], channel, name, _TONES[k], _DASHES[k], 2.0) for k, (channel, name) in enumerate(plot.lines)
    ]
    for k, (channel, name) in enumerate(plot.lines):
        if channel in behind.over:
            said = f"{name}, other run"
            traces.append(_line(behind.over[channel], channel, said, _TONES[k], _OVER_DASHES[k], 1.4))
    for k, (channel, name) in enumerate(plot.lines):
        if channel in behind.spread:
            traces += _band(behind.spread[channel], behind.spread_from_s, channel, name, k)
    low, high = _extent(traces, window, _LEAST_HEIGHT[plot.name])
    drawn, low, high = _limits(plot, limits, window, low, high)
    room = 0.05 * (high - low)
    unit = scale(plot.lines[0][0]).unit
    layout = _layout(window, [*_stages(held, window), *drawn, *_trips(trips_s, window)])
    layout["yaxis"] = {**_axis(), "range": [low - room, high + room], "ticksuffix": f" {unit}", "nticks": 5}
    place = {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "traceorder": "normal"}
    layout["legend"] = {**place, "bgcolor": "rgba(0,0,0,0)"}
    return {"data": traces, "layout": layout}


def limits_beyond(plot: Trend, figure: dict[str, Any], limits: Sequence[LimitSpan], window: Window) -> str:
    """Return in words which limits of the stages in view lie outside the picture, "" when none."""
    low, high = figure["layout"]["yaxis"]["range"]
    written = scale(plot.lines[0][0])
    found = set()
    for limit in _in_view(plot, limits, window):
        for value in (limit.low, limit.high):
            if value is not None and not low <= value * written.factor <= high:
                found.add(value)
    if not found:
        return ""
    said = ", ".join(written.text(value) for value in sorted(found))
    return f"limit{'s' if len(found) > 1 else ''} outside the picture: {said} {written.unit}"


def track_figure(events: Sequence[RunEvent], held: Sequence[StageHeld], window: Window) -> dict[str, Any]:
    """Return the events of the window as a track, a row for each kind."""
    shown = [event for event in events if window.start_s <= event.t_s <= window.stop_s]
    if len(shown) > _MOST_EVENTS:
        shown = sorted(shown, key=lambda event: KINDS.index(event.kind))[:_MOST_EVENTS]
    traces = []
    for kind in KINDS:
        symbol, colour, size = _SIGNS[kind]
        of = [event for event in shown if event.kind == kind]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": KIND_WORDS[kind],
                "x": [round(event.t_s, 3) for event in of],
                "y": [KIND_WORDS[kind]] * len(of),
                "text": [_escaped(f"{clock(event.t_s, 1)} {event.text}") for event in of],
                "hovertemplate": "%{text}<extra></extra>",
                "marker": {"symbol": symbol, "color": colour, "size": size, "line": {"width": 2, "color": colour}},
                "showlegend": False,
            }
        )
    layout = _layout(window, _stages(held, window))
    layout["yaxis"] = {
        **_axis(),
        "type": "category",
        "categoryarray": [KIND_WORDS[kind] for kind in reversed(KINDS)],
        "range": [-0.6, len(KINDS) - 0.4],
        "tickvals": list(range(len(KINDS))),
        "ticktext": [KIND_WORDS[kind] for kind in reversed(KINDS)],
    }
    layout["hovermode"] = "closest"
    layout["annotations"] = [
        {
            "x": max(stage.t0_s, window.start_s),
            "y": 1.0,
            "yref": "paper",
            "yanchor": "bottom",
            "xanchor": "left",
            "text": _escaped(stage.name[: int(60 * share) + 2]),
            "showarrow": False,
            "font": {"size": 12, "color": _GREY},
        }
        for stage in held
        if (share := _share(stage, window)) > 0.1
    ]
    layout["margin"] = {**layout["margin"], "t": 20}
    return {"data": traces, "layout": layout}


def burst_figure(plot: Trend, lines: Mapping[str, Line], window: Window, trip_s: float | None) -> dict[str, Any]:
    """Return one plot of a full-rate record, every scan marked, the trip ruled."""
    trips = () if trip_s is None else (trip_s,)
    figure = plot_figure(plot, lines, window, Behind(), (), (), trips)
    for trace, symbol in zip(figure["data"], _SCAN_SYMBOLS, strict=False):
        trace["mode"] = "lines+markers"
        trace["marker"] = {"size": 4, "symbol": symbol, "color": trace["line"]["color"]}
    if trip_s is not None:
        figure["layout"]["annotations"] = [
            {
                "x": trip_s,
                "y": 1.0,
                "yref": "paper",
                "yanchor": "top",
                "xanchor": "right",
                "text": "trip ",
                "showarrow": False,
                "font": {"size": 13, "color": _LIMIT},
            }
        ]
    return figure


def _line(line: Line, channel: str, name: str, colour: str, dash: str, width: float) -> dict[str, Any]:
    written = scale(channel)
    digits = written.decimals + 2
    return {
        "type": "scatter",
        "mode": "lines",
        "name": _escaped(name),
        "x": [round(t_s, 3) for t_s in line.t_s],
        "y": [None if value is None else round(value * written.factor, digits) for value in line.value],
        "connectgaps": False,
        "line": {"width": width, "dash": dash, "color": colour},
        "hovertemplate": "%{y:.5g} " + written.unit + "<extra>" + _escaped(name) + "</extra>",
    }


def _band(spread: Spread, from_s: float, channel: str, name: str, k: int) -> list[dict[str, Any]]:
    middle = [from_s + 60.0 * minute + 30.0 for minute in range(len(spread.median))]

    def edge(values: Iterable[float], said: str) -> dict[str, Any]:
        plain = [value if math.isfinite(value) else None for value in values]
        return _line(Line(middle, plain), channel, said, _TONES[k], "3px,5px", 0.0)

    low, high = edge(spread.low.tolist(), f"{name}, 5 %"), edge(spread.high.tolist(), f"{name}, 95 %")
    median = edge(spread.median.tolist(), f"{name}, median")
    high |= {"fill": "tonexty", "fillcolor": _FILLS[k]}
    for trace in (low, high):
        trace["showlegend"] = False
    median["line"] = {**median["line"], "width": 1.6}
    return [low, high, median]


def _extent(traces: Sequence[dict[str, Any]], window: Window, least: float) -> tuple[float, float]:
    held = [
        value
        for trace in traces
        for t_s, value in zip(trace["x"], trace["y"], strict=True)
        if value is not None and window.start_s <= t_s <= window.stop_s
    ]
    if not held:
        return 0.0, least
    low, high = min(held), max(held)
    lacking = max(0.0, least - (high - low)) / 2.0
    return low - lacking, high + lacking


def _in_view(plot: Trend, limits: Sequence[LimitSpan], window: Window) -> list[LimitSpan]:
    channels = CHANNELS_OF[plot.name]
    return [
        limit
        for limit in limits
        if limit.channel in channels
        and limit.t0_s < window.stop_s
        and (math.isnan(limit.t1_s) or limit.t1_s > window.start_s)
    ]


def _limits(
    plot: Trend, limits: Sequence[LimitSpan], window: Window, low: float, high: float
) -> tuple[list[dict[str, Any]], float, float]:
    """Return lines of the limits near enough to show, and the extent with them."""
    factor = scale(plot.lines[0][0]).factor
    reach = _REACH * (high - low)
    shapes = []
    out_low, out_high = low, high
    for limit in _in_view(plot, limits, window):
        end_s = window.stop_s if math.isnan(limit.t1_s) else min(limit.t1_s, window.stop_s)
        for value in (limit.low, limit.high):
            if value is None or not low - reach <= value * factor <= high + reach:
                continue
            out_low, out_high = min(out_low, value * factor), max(out_high, value * factor)
            start_s = max(limit.t0_s, window.start_s)
            line = {"color": _LIMIT, "width": 1.5, "dash": "9px,4px"}
            shapes.append(
                {"type": "line", "x0": start_s, "x1": end_s, "y0": value * factor, "y1": value * factor, "line": line}
            )
    return shapes, out_low, out_high


def _share(stage: StageHeld, window: Window) -> float:
    end_s = window.stop_s if math.isnan(stage.t1_s) else min(stage.t1_s, window.stop_s)
    return (end_s - max(stage.t0_s, window.start_s)) / max(window.width_s, 1e-9)


def _stages(held: Sequence[StageHeld], window: Window) -> list[dict[str, Any]]:
    """Return every second stage shaded, and a rule where each begins."""
    shapes: list[dict[str, Any]] = []
    for k, stage in enumerate(held):
        if _share(stage, window) <= 0.0:
            continue
        end_s = window.stop_s if math.isnan(stage.t1_s) else min(stage.t1_s, window.stop_s)
        place = {"yref": "paper", "y0": 0, "y1": 1, "layer": "below", "x0": max(stage.t0_s, window.start_s)}
        if k % 2:
            fill = {"fillcolor": "rgba(125,135,140,0.13)", "line": {"width": 0}}
            shapes.append({"type": "rect", **place, "x1": end_s, **fill})
        if stage.t0_s >= window.start_s:
            line = {"color": _GREY, "width": 1, "dash": "dot"}
            shapes.append({"type": "line", **place, "x1": place["x0"], "line": line})
    return shapes


def _trips(trips_s: Iterable[float], window: Window) -> list[dict[str, Any]]:
    line = {"color": _LIMIT, "width": 2, "dash": "2px,2px"}
    return [
        {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": t_s, "x1": t_s, "line": line}
        for t_s in trips_s
        if window.start_s <= t_s <= window.stop_s
    ]


def _axis() -> dict[str, Any]:
    return {"gridcolor": _GREY, "zeroline": False, "color": _GREY, "fixedrange": True, "ticklen": 4}


def _layout(window: Window, shapes: list[dict[str, Any]]) -> dict[str, Any]:
    # Few enough to be read on a phone; half steps are ruled for larger screens.
    places, texts = ticks(window.start_s, window.stop_s, _MARKS)
    halves = [(a + b) / 2.0 for a, b in pairwise(places)]
    at = window.moment_s
    # Always the last: the page's script moves it.
    mark = {
        "type": "line",
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "x0": at or 0.0,
        "x1": at or 0.0,
        "visible": at is not None,
        "line": {"color": _GREY, "width": 2},
    }
    return {
        "margin": {"l": 78, "r": 10, "t": 8, "b": 26},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 13},
        "hovermode": "x",
        "dragmode": "zoom",
        "showlegend": True,
        "shapes": [*shapes, mark],
        "xaxis": {
            **_axis(),
            "fixedrange": False,
            "range": [window.start_s, window.stop_s],
            "tickvals": places,
            "ticktext": texts,
            "tickangle": 0,
            "minor": {"tickvals": halves, "showgrid": True, "gridcolor": "rgba(125,135,140,0.25)"},
        },
    }


def _escaped(text: str) -> str:
    """Return text that the plot library shows as it is: it reads a little HTML in names and hovers."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("%{", "% {")
