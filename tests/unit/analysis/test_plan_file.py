"""A plan file changes what it names and refuses what it does not know."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwarden.analysis.planner import load_plan
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)


def _written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_times_and_limits_are_taken(tmp_path: Path) -> None:
    path = _written(
        tmp_path,
        """
[stage."limiter 25 %"]
hold_s = 90
[stage."limiter 25 %".limits.rail_pos_a]
high = 0.25
for_ms = 40
[stage."idle soak".limits.bias_left_v]
rate_high = 0.0002
""",
    )
    plan = load_plan(path, UNIT)
    stage = plan.stages[1]
    assert stage.hold_s == 90.0
    changed = [x for x in stage.figures.limits if x.channel == "rail_pos_a" and x.cause == "over-current"]
    value = next(x for x in changed if x.kind == "value")
    assert (value.high, value.for_ms) == (0.25, 40)
    assert "computed was" in value.why
    untouched = next(x for x in stage.figures.limits if x.channel == "rail_neg_a" and x.cause == "over-current")
    assert untouched.high != 0.25
    rate = next(x for x in plan.stages[-1].figures.limits if x.channel == "bias_left_v" and x.kind == "rate")
    assert rate.high == 0.0002


def test_burn_in_by_the_file(tmp_path: Path) -> None:
    plan = load_plan(_written(tmp_path, 'run_type = "burn-in"\nhours = 5\n'), UNIT)
    assert plan.run_type == "burn-in"
    assert plan.stages[-1].name == "long soak"


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("hold = 3", ("hold", "hours, run_type, stage")),
        ('run_type = "demo"', ("run_type", "power-up, burn-in")),
        ("hours = 3", ("hours", "burn-in")),
        ('run_type = "burn-in"\nhours = "many"', ("hours", "a number")),
        ('run_type = "burn-in"\nhours = 1000', ("hours", "336")),
        ('[stage."limiter 33 %"]\nhold_s = 1', ("limiter 33 %", "limiter 25 %")),
        ('[stage."limiter 25 %"]\nhold = 1', ("'hold'", "hold_s")),
        ('[stage."limiter 25 %"]\nhold_s = -1', ("hold_s", "0 to")),
        ('[stage."limiter 25 %"]\nhold_s = true', ("hold_s", "a number")),
        ('[stage."limiter 25 %".limits.rail_volts]\nhigh = 1', ("rail_volts", "rail_pos_v")),
        ('[stage."limiter 25 %".limits.rail_pos_a]\nhighest = 1', ("highest", "high")),
        ('[stage."limiter 25 %".limits.rail_pos_a]\nhigh = 99', ("high", "-15 to 15")),
        ('[stage."limiter 25 %".limits.hf_left_v]\nlow = 3', ("low", "allowed: high")),
        ('[stage."limiter 25 %".limits.rail_pos_a]\nfor_ms = 20000', ("for_ms", "10000")),
        ('[stage."limiter 25 %".limits.offset_left_v]\nlow = 9\nhigh = 3', ("low = 9", "low below high")),
        ('stage = "all"', ("stage", "NAME")),
        ("this is not toml", ("not valid TOML",)),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, names: tuple[str, ...]) -> None:
    path = _written(tmp_path, text)
    with pytest.raises(PlanError) as caught:
        load_plan(path, UNIT)
    message = str(caught.value)
    assert str(path) in message
    for name in names:
        assert name in message


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"none\.toml"):
        load_plan(tmp_path / "none.toml", UNIT)
