"""Where is each channel heading, in one plain table for the status file, the views and the verdict?

Numbers are rounded to what they are worth; None stands for what is not known.
"""

from __future__ import annotations

import math
from typing import Any

from benchwarden.analysis.forecast import Forecast
from benchwarden.analysis.loop_end import NO_END, loop_end
from benchwarden.analysis.runaway import HORIZON_S, Runaway
from benchwarden.analysis.situation import SIDES, Facts
from benchwarden.analysis.thermal_loop import LoopFit
from benchwarden.analysis.warm_up import WarmUp, WarmUpView, target_less_load_v

_AHEAD_STEPS = 10


def outlook_table(facts: Facts, warm_up: WarmUp, runaway: Runaway, *, ended: bool) -> dict[str, Any]:
    """Return for "left" and "right": state, final drop, time constant, pot advice, loop gain and forecast.

    Args:
        ended: the run is over: what was last known stands, and there is nothing to set any more.

    Returns:
        Per side: `state` ("settled", "settling", "drifting", "unknown"), `why`, `now_mv`, `target_mv`,
        `final_mv`, `final_95_mv`, `tau_s`, `tau_95_s`, `set_now_mv`, `stretch_s`, `loop_gain`,
        `loop_gain_95`, `runaway_p`, `limit_mv`, `reaches_limit_s` (5, 50, 95 %; None for never),
        `ahead` (rows of run time in seconds, expected drop, its 95 % interval in millivolts; None where not known),
        `sink_ahead` (the same of the heatsink in degrees Celsius).
    """
    return {side: _side(k, facts, warm_up, runaway, ended) for k, side in enumerate(SIDES)}


def _side(k: int, facts: Facts, warm_up: WarmUp, runaway: Runaway, ended: bool) -> dict[str, Any]:
    view = warm_up.last_known(k) if ended else warm_up.view(k)
    fit, told = runaway.known(k) if ended else runaway.fit(k)
    table: dict[str, Any] = {
        "state": view.state,
        "why": view.why,
        "now_mv": _mv(view.now_v),
        "target_mv": _mv(facts.target_v),
        "final_mv": _mv(view.final_v),
        "final_95_mv": _pair(view.final_95_v, 1e3),
        "tau_s": _plain(view.tau_s),
        "tau_95_s": _pair(view.tau_95_s),
        "set_now_mv": None if ended else _mv(view.set_now_v),
        "stretch_s": _plain(view.stretch_s),
        "loop_gain": None,
        "loop_gain_95": None,
        "runaway_p": None,
        "limit_mv": None,
        "reaches_limit_s": None,
        "ahead": None,
        "sink_ahead": None,
    }
    if fit is not None:
        table["loop_gain"] = _plain(fit.gain)
        table["loop_gain_95"] = _pair(fit.interval())
    if fit is not None and told is not None:
        _by_loop(table, fit, told, facts, view.load_share_v, ended)
    if told is not None:
        table["runaway_p"] = _plain(told.runaway_p)
        table["limit_mv"] = _mv(told.limit_v)
        table["reaches_limit_s"] = [_plain(t) for t in told.reach_s]
    if not ended:
        table["ahead"] = _ahead(told, view)
        if told is not None:
            table["sink_ahead"] = [[round(t_s, 1), *(round(c, 2) for c in sinks)] for t_s, *sinks in told.sink_path]
    return table


def _by_loop(
    table: dict[str, Any], fit: LoopFit, told: Forecast, facts: Facts, load_share_v: float, ended: bool
) -> None:
    """Take the end from the newest fitted loop, where it has one."""
    at = loop_end(fit, told, facts, target_less_load_v(facts, load_share_v))
    if at is None:
        if told.runaway_p > 1.0 - NO_END:
            table["final_mv"] = table["final_95_mv"] = table["set_now_mv"] = None
        return
    low, high = at.final_95_v
    table["final_mv"] = _mv(at.final_v + load_share_v)
    table["final_95_mv"] = _pair((low + load_share_v, high + load_share_v), 1e3)
    table["tau_s"], table["tau_95_s"] = _plain(at.tau_s), _pair(at.tau_95_s)
    table["loop_gain"], table["loop_gain_95"] = _plain(at.loop_gain), _pair(at.loop_gain_95)
    if not ended:
        table["set_now_mv"] = _mv(at.set_now_v + load_share_v)


def _ahead(told: Forecast | None, view: WarmUpView) -> list[list[float]] | None:
    """Return the way ahead: of the loop where there is one, else towards the end that the curve in time tells."""
    if told is not None:
        rows = [(t_s, *(v + view.load_share_v for v in drops)) for t_s, *drops in told.path]
    elif all(map(math.isfinite, (view.at_s, view.now_v, view.final_v, view.tau_s, *view.final_95_v))):
        ends = (view.final_v, *view.final_95_v)
        rows = [
            (view.at_s + t_s, *(end + (view.now_v - end) * math.exp(-t_s / view.tau_s) for end in ends))
            for t_s in (HORIZON_S * step / _AHEAD_STEPS for step in range(_AHEAD_STEPS + 1))
        ]
    else:
        return None
    return [[round(t_s, 1), *(round(v * 1e3, 3) for v in drops)] for t_s, *drops in rows]


def _plain(value: float) -> float | None:
    """Return a JSON number of sensible length, None for what is not one."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _mv(value_v: float) -> float | None:
    return _plain(value_v * 1e3)


def _pair(values: tuple[float, float], scale: float = 1.0) -> list[float] | None:
    low, high = (_plain(v * scale) for v in values)
    return None if low is None or high is None else [low, high]
