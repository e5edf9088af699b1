"""What the bias page says of each channel, and of all channels at one moment."""

from __future__ import annotations

from typing import Any

from dash import html

from benchwarden.analysis.bias_fit import TEMPCO_LEAST_K, WindowFit
from benchwarden.analysis.slow_fit import Coefficient
from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.dashboard import words
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.status import FindingRow, OutlookRow
from benchwarden.dashboard.time_axis import clock
from benchwarden.record.overview import Moment

_STATES = {
    "settled": ("●", "Settled"),
    "settling": ("▷", "On its way"),
    "drifting": ("△", "Drifts"),
    "unknown": ("·", "Not known yet"),
}


def verdict(row: OutlookRow | None, fit: WindowFit, is_over: bool, trip: FindingRow | None) -> list[Any]:
    """Return one channel's verdict and figures as components.

    Args:
        fit: of the window on view.
        is_over: the run has ended: what is told is what was last known.
        trip: what this channel tripped on.
    """
    head: list[Any] = []
    if trip is not None:
        head = [html.P(f"✕ Tripped: {words.cause(trip.cause)}", className="bias-state bias-tripped")]
    if row is None:
        head += [html.P("· Nothing is known of this channel.", className="bias-state")]
        facts: list[tuple[str, str]] = []
    else:
        sign, said = _STATES.get(row.state, ("·", row.state or "Not known yet"))
        was = " (when the run ended)" if is_over else ""
        kind = f"bias-state bias-{row.state if row.state in _STATES else ''}" if trip is None else ""
        head.append(html.P(f"{sign} {said}{was}" if trip is None else f"{said} before it tripped.", className=kind))
        if row.why:
            head.append(
                html.P(
                    words.kept_together(f"{row.why[:1].upper()}{row.why[1:]}.".replace("+-", "\N{PLUS-MINUS SIGN}")),
                    className="facts",
                )
            )
        facts = _outlook_facts(row)
    facts += _fit_facts(fit)
    return [*head, html.Dl([html.Div([html.Dt(name), html.Dd(text)]) for name, text in facts], className="bias-facts")]


def _outlook_facts(row: OutlookRow) -> list[tuple[str, str]]:
    out = [("Drop when last fitted", _mv(row.now_mv)), ("Target", _mv(row.target_mv))]
    if row.final_mv is not None:
        span = "" if row.final_95_mv is None else f" ({row.final_95_mv[0]:.2f} to {row.final_95_mv[1]:.2f})"
        out.append(("Settles at, 95 %", f"{row.final_mv:.2f}{span} mV"))
    if row.tau_s is not None:
        out.append(("Time constant", words.duration(row.tau_s)))
    if row.loop_gain is not None:
        span = "" if row.loop_gain_95 is None else f" ({row.loop_gain_95[0]:.2f} to {row.loop_gain_95[1]:.2f})"
        out.append(("Loop gain through the sink, 95 %", f"{row.loop_gain:.2f}{span}"))
    if row.reaches_s is not None:
        out.append(("Reaches its safe limit in about", words.duration(row.reaches_s)))
    return out


def _mv(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f} mV"


def _fit_facts(fit: WindowFit) -> list[tuple[str, str]]:
    if fit.drift is None:
        drift = "too few idle points on view" if fit.points else "no idle time on view"
    else:
        drift = _with_interval(fit.drift, "mV/h")
    out = [("Drift over the time on view, 95 %", drift)]
    if fit.tempco is None:
        out.append(("Against the sink, 95 %", f"the sink has not moved by {TEMPCO_LEAST_K:g} K on view"))
    else:
        out.append(("Against the sink, 95 %", _with_interval(fit.tempco.per_k, "mV/K")))
        if fit.tempco.per_rail_v is not None:
            out.append(("Against the rail, 95 %", _with_interval(fit.tempco.per_rail_v, "mV/V")))
    return out


def _with_interval(found: Coefficient, unit: str) -> str:
    text = f"{found.value:+.3f} ({found.low:+.3f} to {found.high:+.3f}) {unit}"
    return text.replace("-", "\N{MINUS SIGN}")


def moment_table(moment: Moment | None) -> list[Any]:
    """Return all channels of one frame: mean, and least to greatest within it."""
    if moment is None:
        return [html.P("No frame there.", className="facts")]
    rows = []
    for channel in CHANNELS:
        written = scale(channel)
        mean, low, high = moment.mean[channel], moment.minimum[channel], moment.maximum[channel]
        span = "" if low is None and high is None else f"{written.text(low)} … {written.text(high)}"
        rows.append(
            html.Tr(
                [
                    html.Th(CHANNEL[channel].label, scope="row"),
                    html.Td(f"{written.text(mean)} {written.unit}", className="reading"),
                    html.Td(span, className="edge"),
                ]
            )
        )
    side = (
        f"Mains {'ON' if moment.mains_on else 'off'}, limiter lamp {'in' if moment.limiter_in else 'OUT'}, "
        f"{'driven' if moment.drive_on else 'idle'}."
    )
    heads = html.Tr(
        [
            html.Th("Channel", scope="col"),
            html.Th("Mean", scope="col", className="reading"),
            html.Th("Least … greatest", scope="col"),
        ]
    )
    return [
        html.P([html.Strong(f"At {clock(moment.t_s, 1)}. "), side], className="moment-said"),
        html.Table([html.Thead(heads), html.Tbody(rows)], className="moment-table"),
    ]
