"""What does a healthy set read at one transformer setting, and where do the board's limits go?

Every figure comes with its working. A limit lies above everything a healthy set
does at that setting, mains wander and charging included, and below what a
shorted one draws; where the lamp leaves no room between the two, the working
says so and the limit stays close to the healthy figure.
"""

from __future__ import annotations

from functools import lru_cache

from benchwarden.analysis.current_limits import current_limits
from benchwarden.analysis.draw import draw_of
from benchwarden.analysis.output_limits import bias_limits, hf_limits, offset_limits
from benchwarden.analysis.rail_limits import rail_limits
from benchwarden.analysis.stage_sheet import Setting, Sheet
from benchwarden.analysis.temperature_limits import temperature_limits
from benchwarden.core.plan import StageFigures
from benchwarden.core.unit import Unit


def stage_figures(
    unit: Unit, mains_pct: float, limiter_in: bool, drive_on: bool, *, hands_off: bool = False, hot: bool = False
) -> StageFigures:
    """Return readings to expect, limits and working for one setting.

    Args:
        mains_pct: transformer setting, percent of nominal mains.
        limiter_in: the series lamp carries the mains current.
        drive_on: the 1 kHz test signal is applied, into load_ohm on both channels.
        hands_off: nobody turns anything during the stage, so that readings that
            climb by themselves are judged more strictly.
        hot: the test signal has just gone; its warmth still raises the bias.
    """
    return _figures(Setting(unit, float(mains_pct), bool(limiter_in), bool(drive_on), bool(hands_off), bool(hot)))


@lru_cache(maxsize=256)
def _figures(setting: Setting) -> StageFigures:
    sheet = Sheet()
    draw = draw_of(setting, sheet)
    alert_a = current_limits(setting, draw, sheet)
    rail_limits(setting, draw, sheet)
    offset_limits(setting, sheet)
    bias_limits(setting, sheet)
    temperature_limits(setting, sheet)
    hf_limits(setting, sheet)
    return StageFigures(sheet.expected, tuple(sheet.limits), alert_a, alert_a, tuple(sheet.items))
