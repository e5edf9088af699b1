"""The trend plots: their first drawing and what extends them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go

from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.trends import WINDOW_S, Points

# One point a second over the window; older ones fall off the left edge.
MOST_POINTS = WINDOW_S


@dataclass(frozen=True)
class Trend:
    """One plot: its channels, the names of its lines, and how its values are written."""

    name: str
    title: str
    lines: tuple[tuple[str, str], ...]


TRENDS = (
    Trend("bias", "Bias drop", (("bias_left_v", "left"), ("bias_right_v", "right"))),
    Trend(
        "temperature",
        "Temperature",
        (("sink_left_c", "left sink"), ("sink_right_c", "right sink"), ("ambient_c", "ambient")),
    ),
    Trend("current", "Rail current", (("rail_pos_a", "positive"), ("rail_neg_a", "negative"))),
    Trend("offset", "DC offset, widest in each second", (("offset_left_v", "left"), ("offset_right_v", "right"))),
    Trend("hf", "HF level, peak in each second", (("hf_left_v", "left"), ("hf_right_v", "right"))),
)
# Plots that show where their first two lines will go.
FORECAST = ("bias", "temperature")
CHANNELS = tuple(channel for trend in TRENDS for channel, _ in trend.lines)

# Lines differ by dash as well as by the colour that the style sheet gives them.
DASHES = ("solid", "6px,3px", "2px,2px")
# The style sheet colours text and lines for light and dark; these are what a
# page without it would show.
GREY = "#7d878c"


def _scaled(points: Points, channel: str) -> list[float | None]:
    factor = scale(channel).factor
    return [None if value is None else value * factor for value in points.values[channel]]


def _minutes(points: Points) -> list[float]:
    return [t_s / 60.0 for t_s in points.t_s]


def figure(trend: Trend, points: Points) -> go.Figure:
    """Return the plot as first drawn.

    Data are lists, never arrays: a packed array cannot be extended in the browser.
    """
    unit = scale(trend.lines[0][0]).unit
    drawn = go.Figure()
    for (channel, name), dash in zip(trend.lines, DASHES, strict=False):
        drawn.add_trace(
            go.Scatter(
                x=_minutes(points),
                y=_scaled(points, channel),
                name=name,
                mode="lines",
                connectgaps=False,
                line={"width": 2, "dash": dash, "color": GREY},
                hovertemplate="%{y:.4g} " + unit + " at %{x:.2f} min<extra>" + name + "</extra>",
            )
        )
    if trend.name in FORECAST:
        _add_ways(drawn, unit)
    axis = {"gridcolor": GREY, "zeroline": False, "color": GREY, "fixedrange": True, "ticklen": 4}
    drawn.update_layout(
        # The library's own look would be sent with every plot and never shown.
        template=go.layout.Template(),
        margin={"l": 56, "r": 10, "t": 8, "b": 34},
        height=200,
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "bgcolor": "rgba(0,0,0,0)"},
        font={"size": 13},
        hovermode="x",
        uirevision="same",
        xaxis={**axis, "ticksuffix": " min", "nticks": 6},
        yaxis={**axis, "ticksuffix": f" {unit}", "nticks": 5},
    )
    return drawn


def _add_ways(drawn: go.Figure, unit: str) -> None:
    """Add the forecast of both channels, empty: the browser fills it in (assets/live.js).

    For each channel a line, then its band as the two edges of one closed shape.
    """
    for side in ("left", "right"):
        drawn.add_trace(
            go.Scatter(
                x=[],
                y=[],
                name=f"{side}, forecast",
                mode="lines",
                line={"width": 2, "dash": "1px,5px", "color": GREY},
                showlegend=False,
                hovertemplate="%{y:.4g} " + unit + " expected at %{x:.1f} min<extra>" + side + "</extra>",
            )
        )
    for side in ("left", "right"):
        drawn.add_trace(
            go.Scatter(
                x=[],
                y=[],
                name=f"{side}, 95 % band",
                mode="lines",
                fill="toself",
                line={"width": 0, "color": GREY},
                showlegend=False,
                hoverinfo="skip",
            )
        )


def extension(trend: Trend, points: Points) -> tuple[dict[str, Any], list[int], int]:
    """Return what `extendData` appends to the plot: new points, which lines, how many to keep."""
    return (
        {
            "x": [_minutes(points) for _ in trend.lines],
            "y": [_scaled(points, channel) for channel, _ in trend.lines],
        },
        list(range(len(trend.lines))),
        MOST_POINTS,
    )
