"""The INA228 model against the numbers its maker printed.

Sources: TI INA228 SLYS021A table 7-3 (registers, sizes); TI INA229 SLYS023A
table 8-4 (worked example; same converter and arithmetic); limit steps as in
check values citing tables 7-17 to 7-22. Latch rules of DIAG_ALRT: the register
description of SLYS021A, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchwarden.virtual import parts
from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.parts import ByteTarget, Ina228, Misuse


class Bench:
    def __init__(self, shunt_v: float = 0.0, bus_v: float = 0.0, exact: bool = True) -> None:
        self.clock = VirtualClock()
        self.shunt_v, self.bus_v = shunt_v, bus_v
        self.alerts: list[bool] = []
        self.ina = Ina228(
            self.clock, lambda: self.shunt_v, lambda: self.bus_v, np.random.default_rng(1), self.alerts.append
        )
        if exact:
            self.ina.shunt_gain = self.ina.bus_gain = 1.0
            self.ina.shunt_offset_v = self.ina.bus_offset_v = 0.0
            self.ina._noise = lambda: 0.0

    def read(self, register: int) -> int:
        buf = bytearray(self.ina.size(register))
        self.ina.write(bytes((register,)))
        self.ina.read_into(buf)
        return int.from_bytes(buf, "big")

    def write(self, register: int, value: int) -> None:
        self.ina.write(bytes((register, value >> 8, value & 0xFF)))


def signed20(raw24: int) -> int:
    counts = raw24 >> 4
    return counts - (1 << 20) if counts & 0x80000 else counts


def test_registers_after_power_on() -> None:
    bench = Bench()
    assert bench.read(parts.MANUFACTURER_ID) == 0x5449  # "TI"
    assert bench.read(parts.DEVICE_ID) == 0x2281
    assert bench.read(parts.ADC_CONFIG) == 0xFB68
    assert bench.read(parts.SHUNT_CAL) == 0x1000
    assert bench.read(parts.SOVL) == 0x7FFF
    assert bench.read(parts.SUVL) == 0x8000


@pytest.mark.parametrize(
    ("register", "size"),
    [(0, 2), (1, 2), (2, 2), (3, 2), (4, 3), (5, 3), (6, 2), (7, 3), (8, 3), (9, 5), (0xA, 5), (0xB, 2), (0x3F, 2)],
)
def test_register_sizes(register: int, size: int) -> None:
    assert Bench().ina.size(register) == size


def test_worked_example() -> None:
    bench = Bench(shunt_v=0.0972, bus_v=48.0)
    bench.write(parts.SHUNT_CAL, 4050)  # 10 A full scale on 16.2 milliohm
    bench.clock.advance(4000)
    assert signed20(bench.read(parts.VSHUNT)) == 311040
    assert signed20(bench.read(parts.VBUS)) == 245760
    assert bench.read(parts.DIETEMP) == 3200
    assert abs(signed20(bench.read(parts.CURRENT)) - 314572) <= 1
    # 288 W is 4718592 codes; the sheet's own 4718604 is 2.5e-6 away.
    assert bench.read(parts.POWER) == pytest.approx(4718592, rel=3e-6)


def test_negative_shunt_voltage_is_twos_complement() -> None:
    bench = Bench(shunt_v=-0.0972)
    bench.clock.advance(4000)
    assert bench.read(parts.VSHUNT) >> 4 == 0xB4100  # the sheet's example


def test_nothing_to_read_before_the_first_conversion_ends() -> None:
    bench = Bench(shunt_v=0.1)
    # Reset setting: shunt, bus and temperature at 1052 us each.
    bench.clock.advance(3 * 1052 - 1)
    assert bench.read(parts.VSHUNT) == 0
    assert not bench.read(parts.DIAG_ALRT) & parts.CNVRF
    bench.clock.advance(1)
    assert signed20(bench.read(parts.VSHUNT)) == 320000
    assert bench.read(parts.DIAG_ALRT) & parts.CNVRF
    assert not bench.read(parts.DIAG_ALRT) & parts.CNVRF, "reading clears the flag"


def test_a_result_stays_until_the_next_conversion() -> None:
    bench = Bench(shunt_v=0.1, exact=False)
    bench.clock.advance(3 * 1052)
    first = bench.read(parts.VSHUNT)
    bench.shunt_v = 0.05
    assert bench.read(parts.VSHUNT) == first
    bench.clock.advance(3 * 1052)
    assert abs(signed20(bench.read(parts.VSHUNT)) - 160000) < 200


def test_triggered_mode_converts_once() -> None:
    bench = Bench(shunt_v=0.1)
    bench.write(parts.ADC_CONFIG, 0x3 << 12 | 0x4 << 9 | 0x4 << 6)  # bus and shunt once, 540 us each
    bench.clock.advance(1080)
    assert signed20(bench.read(parts.VSHUNT)) == 320000
    bench.shunt_v = 0.05
    bench.clock.advance(10_000)
    assert signed20(bench.read(parts.VSHUNT)) == 320000


def test_range_saturates() -> None:
    bench = Bench(shunt_v=1.0, bus_v=-5.0)
    bench.clock.advance(4000)
    assert signed20(bench.read(parts.VSHUNT)) == (1 << 19) - 1
    assert bench.read(parts.VBUS) == 0, "the bus reading is never negative"


def settle(bench: Bench, us: int) -> None:
    """Let time pass as the virtual board does: run announced conversions at their instants."""
    end = bench.clock.now_us + us
    while (due := bench.ina.alert_due_us()) is not None and due <= end:
        bench.clock.advance(due - bench.clock.now_us)
        bench.ina.run_alert()
    bench.clock.advance(end - bench.clock.now_us)


def test_limit_step_is_5_uv_and_flag_latches_until_read() -> None:
    bench = Bench()
    bench.write(parts.ADC_CONFIG, 0xB << 12 | 0x4 << 9 | 0x4 << 6)  # shunt and bus, 540 us each
    bench.write(parts.DIAG_ALRT, parts.ALATCH)
    bench.write(parts.SOVL, 20_000)  # 100 mV
    bench.shunt_v = 0.100
    settle(bench, 10_000)
    assert bench.alerts == [], "at the limit is not over it"
    bench.shunt_v = 0.100002
    settle(bench, 2_000)
    assert bench.alerts == [False]
    bench.shunt_v = 0.0
    settle(bench, 10_000)
    assert bench.alerts == [False], "the limit passed, the latch holds"
    assert bench.read(parts.DIAG_ALRT) & parts.SHNTOL
    assert bench.alerts == [False, True]
    assert not bench.read(parts.DIAG_ALRT) & parts.SHNTOL


def test_latch_sets_again_with_the_next_conversion_while_the_cause_lasts() -> None:
    bench = Bench(shunt_v=0.15)
    bench.write(parts.ADC_CONFIG, 0xB << 12 | 0x4 << 9 | 0x4 << 6)
    bench.write(parts.DIAG_ALRT, parts.ALATCH)
    bench.write(parts.SOVL, 20_000)
    settle(bench, 2_000)
    assert bench.read(parts.DIAG_ALRT) & parts.SHNTOL
    assert bench.ina.alert_high
    settle(bench, 1_100)
    assert not bench.ina.alert_high


def test_without_latch_the_flag_follows() -> None:
    bench = Bench(shunt_v=0.15)
    bench.write(parts.ADC_CONFIG, 0xB << 12)  # 50 us each
    bench.write(parts.SOVL, 20_000)
    settle(bench, 200)
    assert not bench.ina.alert_high
    bench.shunt_v = 0.0
    settle(bench, 200)
    assert bench.ina.alert_high


def test_reset_bit_restores_the_defaults() -> None:
    bench = Bench()
    bench.write(parts.SOVL, 100)
    bench.write(parts.CONFIG, 0x8000)
    assert bench.read(parts.SOVL) == 0x7FFF


def test_noise_falls_with_conversion_time() -> None:
    """Noise-free bits rise with conversion time; six times sigma is close to peak to peak."""

    def spread(code: int) -> float:
        bench = Bench(shunt_v=0.01, exact=False)
        bench.write(parts.ADC_CONFIG, 0xA << 12 | code << 6)
        seen = []
        for _ in range(2000):
            bench.clock.advance(parts.CONVERSION_US[code])
            seen.append(signed20(bench.read(parts.VSHUNT)) * 312.5e-9)
        return float(np.std(seen))

    fast, slow = spread(0), spread(5)
    assert fast == pytest.approx(0.32768 / 2**12.5 / 6.6, rel=0.1)
    assert slow < fast / 4


def test_misuse_is_not_swallowed() -> None:
    bench = Bench()
    with pytest.raises(Misuse):
        bench.ina.write(bytes((parts.VSHUNT, 0, 0, 0)))
    with pytest.raises(Misuse):
        bench.ina.write(bytes((0x20, 0, 0)))
    bench.ina.write(bytes((parts.CURRENT,)))
    with pytest.raises(Misuse):
        bench.ina.read_into(bytearray(2))
    assert not issubclass(Misuse, Exception)


def test_byte_by_byte_access_agrees() -> None:
    bench = Bench(shunt_v=0.0972)
    bench.clock.advance(4000)
    target = ByteTarget(bench.ina)
    assert target.start(False)
    assert target.write(parts.VSHUNT)
    assert target.start(True)
    assert bytes(target.read() for _ in range(3)) == (311040 << 4).to_bytes(3, "big")
    target.stop()
    assert target.start(False)
    assert all(target.write(byte) for byte in (parts.SOVL, 0x12, 0x34))
    assert bench.read(parts.SOVL) == 0x1234
    bench.ina.connected = False
    assert not target.start(True)
