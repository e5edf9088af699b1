"""The plots of a run: every group of channels with its limits, and each trip at full rate."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchwarden.core.channels import CHANNEL, CHANNELS, GROUPS, INDEX
from benchwarden.report.event_rows import board_trips
from benchwarden.report.figures import (
    Boundary,
    Figure,
    LimitLine,
    Panel,
    Series,
    Strip,
    stacked_figure,
)
from benchwarden.report.lenient import as_dict, as_list, as_number, as_text
from benchwarden.report.printable import clock_text, number_text
from benchwarden.report.result import BoardTrip
from benchwarden.report.source import Burst, Material
from benchwarden.report.wording import N_, Wording

# Order of the plots, and what each axis is called.
_PLOTS = ("bias", "temperature", "rail current", "rail voltage", "offset", "hf")
_TITLES = {
    "bias": N_("Bias drop"),
    "temperature": N_("Temperature"),
    "rail current": N_("Rail current"),
    "rail voltage": N_("Rail voltage"),
    "offset": N_("DC offset"),
    "hf": N_("HF level"),
}
assert set(_PLOTS) == set(GROUPS)
# (factor, unit, decimals of a limit's name, least span of the axis): the axis
# is never stretched so far that noise looks like an event.
_SCALES = {
    "bias": (1000.0, "mV", 2, 2.0),
    "temperature": (1.0, "\N{DEGREE SIGN}C", 1, 5.0),
    "rail current": (1.0, "A", 2, 0.1),
    "rail voltage": (1.0, "V", 1, 5.0),
    "offset": (1000.0, "mV", 0, 20.0),
    "hf": (1.0, "V", 2, 0.1),
}
# A current limit stands several times above a healthy draw and must be seen there.
_REACH = {"rail current": 4.0, "bias": 2.0}
_SIDES = {
    "rail_pos_a": N_("positive"),
    "rail_neg_a": N_("negative"),
    "rail_pos_v": N_("positive"),
    "rail_neg_v": N_("negative"),
    "ambient_c": N_("ambient"),
}


def _groups() -> dict[str, list[str]]:
    return {group: [n for n in CHANNELS if CHANNEL[n].group == group] for group in _PLOTS}


def _series_name(channel: str, say: Wording) -> str:
    known = _SIDES.get(channel)
    if known:
        return say(known)
    return say("left") if "_left_" in channel else say("right")


def _scale(group: str, largest_v: float) -> tuple[float, str, int, float]:
    # Tens of volts of offset are no matter of millivolts.
    if group == "offset" and largest_v > 2.0:
        return 1.0, "V", 2, 0.5
    return _SCALES[group]


def _largest(values: Any) -> float:
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if len(finite) else 0.0


def _limit_lines(
    material: Material, channels: list[str], factor: float, say: Wording, undriven: bool
) -> tuple[LimitLine, ...]:
    last_s = material.envelope.last_t_s
    found: dict[tuple[float, float, float], list[str]] = {}
    for span in material.spans:
        if undriven and material.stages[span.index].get("drive_on"):
            continue
        end = span.t1_s if math.isfinite(span.t1_s) else last_s
        for limit in map(as_dict, as_list(material.stages[span.index].get("limits"))):
            channel = as_text(limit.get("channel"))
            if channel not in channels or limit.get("kind") != "value":
                continue
            for side in ("low", "high"):
                y = as_number(limit.get(side)) * factor
                if math.isfinite(y):
                    held = found.setdefault((span.t0_s, end, y), [])
                    held += [] if channel in held else [channel]
    # A limit that binds one trace only says which; the ambient one is not the heatsinks'.
    # On the rails the sign says it already.
    pair = [name for name in channels if name != "ambient_c"]
    signed = CHANNEL[channels[0]].group == "rail voltage"
    own = say("limit")
    return tuple(
        LimitLine(*at, own if signed or held == pair else " ".join((own, *(_series_name(name, say) for name in held))))
        for at, held in found.items()
    )


def run_panels(
    material: Material, say: Wording, groups: tuple[str, ...] = _PLOTS, idle_bias: bool = False
) -> tuple[list[Panel], list[str]]:
    """Return what is plotted over the run, and in sentences which groups have nothing to plot.

    Args:
        groups: which of core.channels.GROUPS.
        idle_bias: the bias is left out while the test signal is on: it is none then.
    """
    env = material.envelope
    panels, absent = [], []
    boundaries = tuple(Boundary(span.t0_s, str(span.index + 1)) for span in material.spans)
    trips = tuple((t.t_s, say("trip: {cause}", cause=t.cause)) for t in board_trips(material.events))
    strip = Strip(env.t_s, env.seen, env.mains_on, env.limiter_in)
    target_mv = as_number(as_dict(material.header.get("unit")).get("target_bias_drop_mv"))
    for group, channels in _groups().items():
        if group not in groups:
            continue
        ks = [INDEX[name] for name in channels]
        if not env.frames or not env.values[ks].any():
            absent.append(say("{quantity}: no value in this record.", quantity=say(_TITLES[group])))
            continue
        factor, unit, decimals, least = _scale(group, max(_largest(env.low[:, ks]), _largest(env.high[:, ks])))
        is_idle = group == "bias" and idle_bias
        # What the mains side is switched to within a column belongs to neither.
        out = env.drive_on if is_idle else None
        shown = np.where(env.drive_on, math.nan, factor) if is_idle else factor
        series = tuple(
            Series(
                _series_name(name, say),
                env.t_s,
                env.low[:, k] * shown,
                env.high[:, k] * shown,
                env.mean[:, k] * shown,
                env.missing[:, k],
                style,
                out,
            )
            for style, (name, k) in enumerate(zip(channels, ks, strict=True))
            if env.values[k]
        )
        limits = _limit_lines(material, channels, factor, say, undriven=is_idle)
        if group == "bias" and math.isfinite(target_mv):
            limits += (LimitLine(env.first_t_s, env.last_t_s, target_mv, say("target"), is_limit=False),)
        reach = _REACH.get(group, 1.5)
        panels.append(
            Panel(say(_TITLES[group]), unit, series, limits, boundaries, trips, least, decimals, reach, strip, say)
        )
    return panels, absent


def _burst_figure(burst: Burst, trip: BoardTrip | None, number: int, say: Wording) -> Figure:
    groups = _groups()
    first = CHANNEL[trip.channel].group if trip and trip.channel in CHANNEL else "rail current"
    x = burst.t_s - burst.trip_t_s
    panels = []
    for group in sorted(groups, key=lambda g: (g != first, _PLOTS.index(g))):
        channels = groups[group]
        values = burst.value[:, [INDEX[name] for name in channels]]
        if not np.isfinite(values).any():
            continue
        factor, unit, decimals, least = _scale(group, _largest(values))
        series = tuple(
            Series(_series_name(name, say), x, v, v, v, ~np.isfinite(v), style)
            for style, name in enumerate(channels)
            if np.isfinite(v := burst.value[:, INDEX[name]] * factor).any()
        )
        limits: tuple[LimitLine, ...] = ()
        if trip and trip.channel in channels and math.isfinite(trip.limit):
            limits = (LimitLine(float(x[0]), float(x[-1]), trip.limit * factor, say("limit")),)
        panels.append(Panel(say(_TITLES[group]), unit, series, limits, (), ((0.0, ""),), least, decimals, say=say))
    words = f" ({trip.cause})" if trip else ""
    caption = say(
        "Every scan of the board, {before} s before the trip{cause} at {at} to {after} s after it ({scans} scans). "
        "Time is counted from the trip.",
        before=number_text(-float(x[0]), 2, say),
        cause=words,
        at=clock_text(burst.trip_t_s, say),
        after=number_text(float(x[-1]), 2, say),
        scans=str(len(x)),
    )
    return stacked_figure(say("Around trip {number}", number=str(number)), caption, panels)


def burst_figures(material: Material, say: Wording) -> tuple[Figure, ...]:
    """Return the full-rate scan around each trip."""
    trips = board_trips(material.events)
    out = []
    for number, burst in enumerate(material.bursts, 1):
        near = min(trips, key=lambda t: abs(t.t_s - burst.trip_t_s), default=None)
        if near is not None and abs(near.t_s - burst.trip_t_s) > 1.0:
            near = None
        out.append(_burst_figure(burst, near, number, say))
    return tuple(out)
