"""The plan from outside: everything other parts of the program need of it."""

from __future__ import annotations

from benchwarden.analysis.draw import drive_share, lamp_that_separates
from benchwarden.analysis.plan_check import check_plan, to_wire
from benchwarden.analysis.plan_file import load_plan
from benchwarden.analysis.plan_stages import burn_in_plan, bypass_setting, power_up_plan
from benchwarden.analysis.plan_text import working_text
from benchwarden.analysis.stage_limits import stage_figures

__all__ = [
    "burn_in_plan",
    "bypass_setting",
    "check_plan",
    "drive_share",
    "lamp_that_separates",
    "load_plan",
    "power_up_plan",
    "stage_figures",
    "to_wire",
    "working_text",
]
