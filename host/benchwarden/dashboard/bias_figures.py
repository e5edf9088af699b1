"""The plots of the bias page: drop and heatsink over time, and one against the other."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from benchwarden.analysis.bias_fit import WindowFit
from benchwarden.dashboard.figures import DASHES, GREY
from benchwarden.dashboard.status import OutlookRow
from benchwarden.dashboard.window import Window
from benchwarden.record.thinning import Line

SIDES = ("left", "right")
_HEIGHT = 460


def _axis(unit: str, **more: Any) -> dict[str, Any]:
    return {"gridcolor": GREY, "zeroline": False, "color": GREY, "ticklen": 4, "ticksuffix": f" {unit}"} | more


def _layout(**more: Any) -> dict[str, Any]:
    return {
        # The library's own look would be sent with every plot and never shown.
        "template": go.layout.Template(),
        "margin": {"l": 62, "r": 12, "t": 26, "b": 36},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "legend": {"orientation": "h", "x": 0, "y": 1.01, "yanchor": "bottom", "bgcolor": "rgba(0,0,0,0)"},
        "font": {"size": 13},
    } | more


def _minutes(line: Line) -> list[float]:
    return [t_s / 60.0 for t_s in line.t_s]


def over_time(
    lines: dict[str, Line],
    window: Window,
    target_mv: float | None,
    outlook: tuple[OutlookRow, ...],
    stages: list[tuple[float, str]],
    moment_s: float | None,
) -> go.Figure:
    """Return drop above, heatsink below, on one time axis in minutes.

    Args:
        lines: bias_left_v, bias_right_v, sink_left_c, sink_right_c, ambient_c.
        outlook: draws the way ahead of a run that is going on, where the window reaches its end.
        stages: run time and name of each that began in the run.
        moment_s: the moment that is pointed at.
    """
    drawn = go.Figure()
    for side, dash in zip(SIDES, DASHES, strict=False):
        line = lines[f"bias_{side}_v"]
        values = [None if v is None else 1e3 * v for v in line.value]
        drawn.add_trace(_trace(_minutes(line), values, f"bias {side}", dash, "mV", f"bias-{side}"))
    for side, dash in zip(SIDES, DASHES, strict=False):
        line = lines[f"sink_{side}_c"]
        drawn.add_trace(_trace(_minutes(line), line.value, f"sink {side}", dash, "°C", f"sink-{side}", "y2"))
    room = lines["ambient_c"]
    drawn.add_trace(_trace(_minutes(room), room.value, "ambient", DASHES[2], "°C", "ambient", "y2"))
    stop_s = window.stop_s
    for row in outlook if window.whole else ():
        stop_s = max([stop_s, *(t_s for t_s, *_ in row.ahead)])
        _add_way(drawn, row)
    shapes: list[dict[str, Any]] = [_upright(t_s, "1px,3px") for t_s, _ in stages if window.start_s <= t_s <= stop_s]
    if moment_s is not None:
        shapes.append(_upright(moment_s, "solid", 2))
    if target_mv is not None:
        shapes.append(
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": target_mv, "y1": target_mv}
            | {"line": {"color": GREY, "width": 1, "dash": "6px,6px"}}
        )
    drawn.update_layout(
        **_layout(
            height=_HEIGHT,
            hovermode="x unified",
            dragmode="zoom",
            showlegend=True,
            shapes=shapes,
            annotations=_names(stages, window, stop_s),
            xaxis=_axis("min", range=[window.start_s / 60.0, stop_s / 60.0], anchor="y2", nticks=8),
            yaxis=_axis("mV", domain=[0.47, 1.0], fixedrange=True, nticks=6),
            yaxis2=_axis("°C", domain=[0.0, 0.4], fixedrange=True, nticks=5),
        )
    )
    return drawn


def _trace(
    x: list[float], y: list[float | None], name: str, dash: str, unit: str, uid: str, axis: str = "y"
) -> go.Scatter:
    return go.Scatter(
        x=x,
        y=y,
        name=name,
        mode="lines",
        uid=uid,
        yaxis=axis,
        connectgaps=False,
        line={"width": 2, "dash": dash, "color": GREY},
        hovertemplate=f"%{{y:.4g}} {unit}",
    )


def _add_way(drawn: go.Figure, row: OutlookRow) -> None:
    x = [t_s / 60.0 for t_s, *_ in row.ahead]
    middle, low, high = ([drops[k] for drops in row.ahead] for k in (1, 2, 3))
    drawn.add_trace(_trace(x, list(middle), f"{row.side}, forecast", "1px,5px", "mV", f"way-{row.side}"))
    drawn.add_trace(
        go.Scatter(
            x=x + x[::-1],
            y=high + low[::-1],
            name=f"{row.side}, 95 % band",
            mode="lines",
            fill="toself",
            uid=f"band-{row.side}",
            line={"width": 0, "color": GREY},
            showlegend=False,
            hoverinfo="skip",
        )
    )


def _upright(t_s: float, dash: str, width: int = 1) -> dict[str, Any]:
    at = t_s / 60.0
    line = {"color": GREY, "width": width, "dash": dash}
    return {"type": "line", "xref": "x", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1, "line": line}


def _names(stages: list[tuple[float, str]], window: Window, stop_s: float) -> list[dict[str, Any]]:
    """Return the names of the stages that have room for theirs, between the two plots."""
    shown = [(t_s, name) for t_s, name in stages if window.start_s <= t_s < stop_s]
    found = []
    for at, (t_s, name) in enumerate(shown):
        next_s = shown[at + 1][0] if at + 1 < len(shown) else stop_s
        # A letter takes about one 150th of the width.
        if (next_s - t_s) / (stop_s - window.start_s) * 150.0 < len(name) + 1:
            continue
        found.append(
            {"x": t_s / 60.0, "y": 0.435, "xref": "x", "yref": "paper", "text": name, "showarrow": False}
            | {"xanchor": "left", "yanchor": "middle", "font": {"size": 12, "color": GREY}}
        )
    return found


def against_sink(points: dict[str, tuple[list[float], list[float]]], fits: dict[str, WindowFit]) -> go.Figure:
    """Return drop against heatsink with the fitted lines.

    Args:
        points: per side the idle points: sink in degrees Celsius, drop in millivolts.
    """
    drawn = go.Figure()
    for side, symbol in zip(SIDES, ("circle-open", "x-thin-open"), strict=True):
        sink, drop = points[side]
        drawn.add_trace(
            go.Scatter(
                x=sink,
                y=drop,
                name=side,
                mode="markers",
                uid=f"points-{side}",
                marker={"size": 7, "symbol": symbol, "color": GREY, "line": {"width": 1.5, "color": GREY}},
                hovertemplate="%{y:.3f} mV at %{x:.1f} °C<extra>" + side + "</extra>",
            )
        )
    for side, dash in zip(SIDES, DASHES, strict=False):
        line = fits[side].line
        ends = line if line is not None else ()
        drawn.add_trace(
            go.Scatter(
                x=[c for c, _ in ends],
                y=[mv for _, mv in ends],
                name=f"{side}, fitted",
                mode="lines",
                uid=f"fit-{side}",
                line={"width": 2, "dash": dash, "color": GREY},
                hoverinfo="skip",
            )
        )
    drawn.update_layout(
        **_layout(
            height=340,
            hovermode="closest",
            showlegend=True,
            xaxis=_axis("°C", nticks=7, fixedrange=True),
            yaxis=_axis("mV", nticks=6, fixedrange=True),
        )
    )
    return drawn
