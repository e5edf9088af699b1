"""Prints what one step of the virtual amplifier costs and how much faster than time it runs.

Run by hand: python tests/bench_dut.py
"""

import time

from benchwarden.core.unit import Unit
from benchwarden.virtual.dut import Dut, DutParams

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0, run_type="burn-in")
MODEL_S = 120.0


def cost_us(dt_s: float, drive: float, fault: str, shunt: str = "rail-fuse") -> float:
    """Return microseconds of processor time per 10 ms of model time."""
    unit = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0, run_type="burn-in", load_connected=True, shunt_position=shunt)
    dut = Dut(DutParams.from_unit(unit, 1), 1)
    dut.variac_pct = 100.0
    dut.mains_closed = True
    dut.bypass_closed = True
    dut.drive_level = drive
    if fault:
        dut.inject(fault, 0.5)
    dut.step(2.0)
    best = 1e9
    for _ in range(3):
        start = time.process_time()
        for _ in range(round(MODEL_S / 3.0 / dt_s)):
            dut.step(dt_s)
        best = min(best, time.process_time() - start)
    return best / (MODEL_S / 3.0) * 1e4


def main() -> None:
    for name, args in (
        ("idle, 10 ms steps", (0.01, 0.0, "")),
        ("idle, 2.5 ms steps", (0.0025, 0.0, "")),
        ("driven, 2.5 ms steps", (0.0025, 0.35, "")),
        ("leaky device, driven", (0.0025, 0.35, "leaky-device")),
        ("shunts before the reservoir", (0.0025, 0.35, "", "before-reservoir")),
    ):
        us = cost_us(*args)
        print(f"{name:30s} {us:6.1f} us per 10 ms of model time, {1e4 / us:6.0f} times real time")


if __name__ == "__main__":
    main()
