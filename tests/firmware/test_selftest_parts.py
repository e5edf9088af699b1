"""Modules, converters, buses and clock: each thing that can be wrong is told under its part's name.

Register addresses, conversion times and LSBs: TI INA228 SLYS021A section 7.6,
ADS1115 SBAS444D. Nine clocks: NXP UM10204 section 3.1.16.
"""

from __future__ import annotations

from collections.abc import Callable

import firmware_fakes as fakes
import pytest
import selftest_models
from firmware_bench import Bench

from wardenfw import wire

SDA, SCL = {0: 4, 1: 6}, {0: 5, 1: 7}


def parts_with(spoil: Callable[[Bench], None]) -> dict[str, str]:
    """Return what a board says at power-on that has been spoilt."""
    with fakes.installed() as clock:
        bench = Bench(clock, spoil=spoil)
        assert bench.chain.closed_us == []
        parts: dict[str, str] = bench.app.test.parts
        return parts


def wrong(parts: dict[str, str]) -> dict[str, str]:
    return {name: said for name, said in parts.items() if said != "ok"}


def test_a_sound_board_passes_every_part() -> None:
    parts = parts_with(lambda bench: None)
    assert wrong(parts) == {}
    assert set(parts) == {
        *("rail_pos", "rail_neg", "output_left", "output_right", "ntc_left", "ntc_right", "ntc_ambient"),
        *("adc", "relay_contact", "program", "ram", "clock", "supply", "bus_rails", "bus_outputs"),
        *("coil_pump", "coil_enable", "alert_pos", "alert_neg", "alert_latch"),
    }


class TestBus:
    def test_data_held_low_is_freed_by_nine_clocks_and_counted(self) -> None:
        def spoil(bench: Bench) -> None:
            self.wires = selftest_models.Wires(SDA[0], SCL[0], clocks=9)

        with fakes.installed() as clock:
            bench = Bench(clock, spoil=spoil)
            assert wrong(bench.app.test.parts) == {}
            assert bench.app.test.info()["bus_freed"] == 1
            assert self.wires.seen == 9

    def test_data_that_stays_low_is_named_with_its_bus(self) -> None:
        parts = parts_with(lambda bench: selftest_models.Wires(SDA[1], SCL[1], clocks=None) and None)
        assert parts["bus_outputs"] == "data line is held low, nine clocks did not free it"
        assert parts["output_left"] == parts["output_right"] == "not tested: bus_outputs came first"
        assert parts["bus_rails"] == parts["rail_pos"] == "ok"

    def test_a_clock_line_that_stays_low_is_named(self) -> None:
        parts = parts_with(lambda bench: selftest_models.Wires(SDA[0], SCL[0], None, clock_line=True) and None)
        assert parts["bus_rails"] == "clock line is held low"
        assert parts["rail_pos"] == parts["rail_neg"] == "not tested: bus_rails came first"
        assert parts["clock"] == "no rail monitor to compare with"
        assert parts["alert_latch"] == "not tested: no monitor to set it"


class TestAddresses:
    @staticmethod
    def move(bus: int, old: int, new: int) -> Callable[[Bench], None]:
        def spoil(bench: Bench) -> None:
            fakes.I2C.buses[bus][new] = fakes.I2C.buses[bus].pop(old)

        return spoil

    def test_a_wrong_address_is_named_with_the_right_one(self) -> None:
        assert parts_with(self.move(0, 0x40, 0x44))["rail_pos"] == "answers at 0x44, expected 0x40"
        assert parts_with(self.move(1, 0x49, 0x4A))["output_right"] == "answers at 0x4A, expected 0x49"

    def test_an_output_module_on_the_rails_bus_is_named(self) -> None:
        def spoil(bench: Bench) -> None:
            fakes.I2C.buses[0][0x48] = fakes.I2C.buses[1].pop(0x48)

        parts = parts_with(spoil)
        assert parts["output_left"] == "does not answer at 0x48"

    def test_two_modules_at_one_address_leave_the_other_unanswered(self) -> None:
        assert parts_with(self.move(0, 0x40, 0x41))["rail_pos"] == "does not answer at 0x40"

    def test_a_part_that_is_another_one(self) -> None:
        parts = parts_with(lambda b: b.parts["neg"].registers.update({0x3F: 0x2290}))
        assert parts["rail_neg"] == "another part answers"
        assert parts["rail_pos"] == "ok"


class TestRegisters:
    def test_a_bit_that_sticks_in_a_monitor(self) -> None:
        parts = parts_with(lambda b: setattr(b.monitors["pos"], "stuck_bits", 0x0004))
        assert parts["rail_pos"] == "register 03 reads 1551, expected 1555"
        assert parts["alert_pos"] == "not tested: its monitor failed"

    def test_a_trim_memory_that_fails_its_checksum(self) -> None:
        assert "checksum" in parts_with(lambda b: setattr(b.monitors["neg"], "mem_ok", False))["rail_neg"]

    def test_a_bit_that_sticks_in_a_converter(self) -> None:
        parts = parts_with(lambda b: setattr(b.converters["left"], "stuck_bits", 0x8000))
        assert parts["output_left"] == "register 02 reads D555, expected 5555"

    def test_what_the_test_wrote_is_gone_afterwards(self) -> None:
        with fakes.installed() as clock:
            bench = Bench(clock)
            for name in ("pos", "neg"):
                registers = bench.parts[name].registers
                # Continuous bus and shunt, 540 us, average of 4: table 7-6 of the data sheet.
                assert (registers[1], registers[3], registers[0x0B]) == (0xB901, 0, 0x8000)
            for name in ("left", "right"):
                assert (bench.parts[name].registers[2], bench.parts[name].registers[3]) == (0x8000, 0x7FFF)


class TestClock:
    def speeds(self, pos: float, neg: float) -> dict[str, str]:
        def spoil(bench: Bench) -> None:
            bench.monitors["pos"].speed, bench.monitors["neg"].speed = pos, neg

        return parts_with(spoil)

    @pytest.mark.parametrize(("pos", "neg"), [(1.0, 1.0), (1.01, 0.99), (0.96, 1.04)])
    def test_oscillators_within_their_tolerance_pass(self, pos: float, neg: float) -> None:
        assert wrong(self.speeds(pos, neg)) == {}

    @pytest.mark.parametrize(("speed", "said"), [(0.9, "off by +11 %"), (1.2, "off by -17 %")])
    def test_both_off_alike_is_the_board(self, speed: float, said: str) -> None:
        parts = self.speeds(speed, speed)
        assert said in parts["clock"]
        assert parts["rail_pos"] == parts["rail_neg"] == "ok"

    def test_one_off_is_that_monitor(self) -> None:
        parts = self.speeds(1.0, 0.9)
        assert parts["clock"] == "ok"
        assert parts["rail_neg"].startswith("takes 73.")
        assert parts["rail_pos"] == "ok"

    def test_a_monitor_that_never_ends_a_conversion(self) -> None:
        parts = self.speeds(1e-6, 1.0)
        assert parts["rail_pos"] == "does not end its conversions"
        assert parts["clock"] == "ok"

    def test_a_dead_oscillator_ends_the_wait(self) -> None:
        with fakes.installed() as clock:
            bench = Bench(clock, spoil=lambda b: setattr(b.monitors["pos"], "speed", 1e-6))
            assert bench.app.test.took_ms < 1000


class TestConverters:
    def test_a_missing_mid_supply_is_told_with_its_voltage(self) -> None:
        # 1.20 V in steps of 125 uV.
        parts = parts_with(lambda b: b.parts["right"].registers.chosen.update({7: 9600}))
        assert parts["output_right"] == "mid supply reads 1.200 V, expected 1.65"
        assert parts["output_left"] == "ok"

    def test_a_converter_that_is_too_slow(self) -> None:
        parts = parts_with(lambda b: setattr(b.converters["left"], "conversion_us", 2000))
        assert parts["output_left"] == "does not end a conversion within 1.5 ms"

    @pytest.mark.parametrize(("die_c", "ok"), [(25.0, True), (58.0, True), (65.0, False), (-25.0, False)])
    def test_a_monitors_die_against_the_room(self, die_c: float, ok: bool) -> None:
        # The ambient sensor reads about 20 C.
        parts = parts_with(lambda b: setattr(b.monitors["pos"], "die_c", die_c))
        assert (parts["rail_pos"] == "ok") == ok
        assert ok or "die reads" in parts["rail_pos"]

    def test_without_the_ambient_sensor_the_die_is_held_against_what_can_be(self) -> None:
        def spoil(bench: Bench) -> None:
            fakes.ADC.counts[28] = 65535
            bench.monitors["pos"].die_c = 95.0

        parts = parts_with(spoil)
        assert parts["ntc_ambient"] == "open"
        assert parts["rail_pos"] == "its die reads 95 C"
        assert parts["rail_neg"] == "ok"

    @pytest.mark.parametrize(("volts", "ok"), [(3.6, False), (4.2, True), (5.1, True), (5.8, False)])
    def test_the_boards_supply(self, volts: float, ok: bool) -> None:
        # A third of it, of 3.3 V in 65535 steps.
        parts = parts_with(lambda b: fakes.ADC.counts.update({29: round(volts / 3 / 3.3 * 65535)}))
        assert parts["supply"] == ("ok" if ok else f"reads {volts:.2f} V, expected 4.0 to 5.5")

    def test_the_boards_own_converter(self) -> None:
        assert "die temperature" in parts_with(lambda b: fakes.ADC.counts.update({4: 30000}))["adc"]

    @pytest.mark.parametrize(("counts", "said"), [(65535, "open"), (100, "short")])
    def test_a_heatsink_sensor_that_is_not_there(self, counts: int, said: str) -> None:
        assert parts_with(lambda b: fakes.ADC.counts.update({26: counts}))["ntc_left"] == said


def test_every_finding_refuses_to_arm_and_names_itself() -> None:
    spoilers: dict[str, Callable[[Bench], None]] = {
        "ntc_right": lambda b: fakes.ADC.counts.update({27: 0}),
        "supply": lambda b: fakes.ADC.counts.update({29: 0}),
        "program": lambda b: b.flash.files.update({"boot.py": b"other"}),
        "output_left": lambda b: setattr(b.parts["left"], "present", False),
    }
    for name, spoil in spoilers.items():
        with fakes.installed() as clock:
            bench = Bench(clock, spoil=spoil)
            bench.run(100)
            assert bench.lock.state == wire.FAULT
            answer = bench.ask(wire.ARM)
            assert answer[2] == wire.R_STATE
            assert name in bench.ask(wire.RESET)[4]
