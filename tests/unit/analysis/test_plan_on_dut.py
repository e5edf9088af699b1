"""A healthy virtual amplifier walked through its plan: no board limit may open, shorts must.

The amplifier model shares no code with the planner and draws its own transformer,
resistors, heat and mains wander by seed.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import pytest

from benchwarden.analysis.planner import burn_in_plan, power_up_plan
from benchwarden.core.plan import Limit, PlanStage
from benchwarden.core.unit import Unit
from benchwarden.virtual.dut import Dut, DutParams

STEP_S = 0.01
SMALL = Unit(20.0, 8.0, 30.0, 0.33, 10.0, 60.0, package="plastic", reservoir_uf=4700.0)
MIDDLE = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0, package="metal-can")
LARGE = Unit(150.0, 8.0, 70.0, 0.22, 12.0, 200.0, output_pairs=3, package="metal-can", reservoir_uf=15000.0)
AMERICAN = replace(MIDDLE, mains_v=115.0, mains_hz=60.0)


class Board:
    """Applies a stage's limits to 10 ms samples the way the board's rules are written."""

    def __init__(self) -> None:
        self._t_s = 0.0
        self._since: dict[int, float] = {}
        self._limits: tuple[Limit, ...] = ()
        self._means: dict[str, deque[float]] = {}
        self._sums: dict[str, list[float]] = {}

    def load(self, stage: PlanStage) -> None:
        self._limits = stage.figures.limits
        self._since.clear()
        for limit in self._limits:
            self._means.setdefault(limit.channel, deque(maxlen=120))

    def sees(self, dut: Dut) -> str:
        """Take one sample; return what opens the relay, or nothing."""
        self._t_s += STEP_S
        for name, means in self._means.items():
            row = self._sums.setdefault(name, [])
            row.append(getattr(dut, name))
            if len(row) == 10:
                means.append(sum(row) / 10.0)
                row.clear()
        for i, limit in enumerate(self._limits):
            value = getattr(dut, limit.channel)
            means = self._means[limit.channel]
            if limit.kind != "value":
                steps = limit.window_ms // 100
                if len(means) <= steps:
                    continue
                if limit.kind == "rate":
                    value = (means[-1] - means[-1 - steps]) / (limit.window_ms / 1000.0)
                else:
                    value -= sum(list(means)[-steps:]) / steps
            if not (value > limit.high or value < limit.low):
                self._since.pop(i, None)
                continue
            since = self._since.setdefault(i, self._t_s)
            if (self._t_s - since) * 1000.0 >= limit.for_ms:
                return f"{limit.channel} {limit.kind} {value:.4g} against {limit.low:.4g} .. {limit.high:.4g}"
        return ""


def _run(dut: Dut, board: Board, seconds: float) -> str:
    for _ in range(round(seconds / STEP_S)):
        dut.step(STEP_S)
        opened = board.sees(dut)
        if opened:
            return opened
    return ""


def _turned(dut: Dut, board: Board, to_pct: float) -> str:
    """Turn the transformer at 10 points a second, as a careful hand does."""
    while dut.variac_pct != to_pct:
        step = max(-1.0, min(1.0, to_pct - dut.variac_pct))
        dut.variac_pct += step
        opened = _run(dut, board, 0.1)
        if opened:
            return opened
    return ""


def _biased(unit: Unit, dut: Dut, board: Board) -> str:
    """Turn the pots a little at a time until the readings stay at the target, as a person does."""
    setting = dict.fromkeys(("left", "right"), 0.0)
    for _ in range(40):
        for channel in setting:
            seen_mv = 1000.0 * getattr(dut, f"bias_{channel}_v")
            setting[channel] = max(setting[channel] + 0.6 * (unit.target_bias_drop_mv - seen_mv), 0.0)
            dut.pot(channel, setting[channel])
        opened = _run(dut, board, 8.0)
        if opened:
            return opened
    return ""


def _walked(unit: Unit, dut: Dut, stages: tuple[PlanStage, ...], lasts_s: float) -> list[str]:
    board = Board()
    out: list[str] = []
    for stage in stages:
        if not stage.energised:
            continue
        board.load(stage)
        if not dut.mains_closed:
            dut.variac_pct = stage.mains_pct
            dut.mains_closed = True
        opened = _turned(dut, board, stage.mains_pct)
        dut.bypass_closed = not stage.limiter_in
        if stage.name == "set bias":
            opened = opened or _biased(unit, dut, board)
        level = math.sqrt(1.0 / 8.0) * math.sqrt(2.0 * unit.rated_power_w * unit.load_ohm) / unit.rail_nominal_v
        dut.drive_level = level if stage.drive_on else 0.0
        opened = opened or _run(dut, board, lasts_s)
        if opened:
            return [*out, f"{stage.name}: {opened}"]
        for name, span in stage.figures.expected.items():
            value = getattr(dut, name)
            if not span.low <= value <= span.high:
                out.append(f"{stage.name}: {name} {value:.4g} not in {span.low:.4g} .. {span.high:.4g}")
    return out


@pytest.mark.parametrize(
    ("unit", "shunt_position", "seed"),
    [
        pytest.param(SMALL, "rail-fuse", 1, id="small"),
        pytest.param(MIDDLE, "before-reservoir", 2, id="middle"),
        pytest.param(LARGE, "rail-fuse", 2, id="large"),
        pytest.param(AMERICAN, "before-reservoir", 1, id="american"),
    ],
)
def test_healthy_power_up_runs_through(unit: Unit, shunt_position: str, seed: int) -> None:
    unit = replace(unit, shunt_position=shunt_position)
    dut = Dut(DutParams.from_unit(unit, seed), seed)
    assert _walked(unit, dut, power_up_plan(unit).stages, 25.0) == []


@pytest.mark.parametrize("unit", [SMALL, MIDDLE, LARGE], ids=["small", "middle", "large"])
def test_healthy_burn_in_runs_through(unit: Unit) -> None:
    unit = replace(unit, run_type="burn-in", load_connected=True)
    dut = Dut(DutParams.from_unit(unit, 3), 3)
    assert _walked(unit, dut, burn_in_plan(unit, 3.0).stages, 40.0) == []


@pytest.mark.parametrize("unit", [SMALL, MIDDLE, LARGE, AMERICAN], ids=["small", "middle", "large", "american"])
def test_shorted_pair_is_opened_at_the_first_setting(unit: Unit) -> None:
    dut = Dut(DutParams.from_unit(unit, 1), 1)
    dut.short_device("left", 0.1, both=True)
    (opened,) = _walked(unit, dut, power_up_plan(unit).stages, 25.0)
    assert opened.startswith("limiter 25 %: rail_")
    assert dut.state()["damaged"] in ([], ())
