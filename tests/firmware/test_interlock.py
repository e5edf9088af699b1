"""The relay state machine, seen from its pins: what closes it, what opens it, what it says."""

from __future__ import annotations

import firmware_fakes as fakes
import pytest
from firmware_bench import NAN, Bench, stage_payload, value_limits

from wardenfw import wire

ENABLE, PULSE, BYPASS, AUX, BUTTON, ESTOP, ALERT = 14, 15, 16, 18, 19, 20, 21


def cause(name: str) -> int:
    return wire.CAUSES.index(name)


def armed(bench: Bench) -> int:
    """Bring the board to ARMED; return the challenge."""
    bench.send(wire.HELLO_REQUEST)
    bench.run(200)
    assert bench.ask(wire.STAGE, stage_payload())[2] == wire.DONE
    bench.lease()
    return int(bench.ask(wire.ARM)[4])


def press(bench: Bench, ms: float = 60) -> None:
    fakes.Pin.levels[BUTTON] = 0
    bench.run(ms)
    fakes.Pin.levels[BUTTON] = 1
    bench.run(40)


def test_everything_is_open_after_building(bench: Bench) -> None:
    assert [bench.pin(n) for n in (ENABLE, PULSE, BYPASS)] == [0, 0, 0]
    assert bench.lock.state == wire.SAFE


def test_go_closes_and_pulses_at_200_hz(bench: Bench) -> None:
    bench.close()
    assert bench.pin(ENABLE) == 1
    assert bench.newest(wire.EV_CLOSED)[6] <= 150
    fakes.Pin.log.clear()
    bench.run(1000)
    edges = [e for e in fakes.Pin.log if e[0] == PULSE]
    assert len(edges) == 400


def test_no_slot_no_pulse(bench: Bench) -> None:
    bench.close()
    fakes.Pin.log.clear()
    bench.time.us += 500_000
    assert fakes.Pin.log == []


def test_the_button_closes_when_armed_and_trips_when_closed(bench: Bench) -> None:
    armed(bench)
    bench.run(50)
    press(bench)
    assert bench.lock.state == wire.CLOSED
    bench.lease()
    press(bench)
    assert bench.lock.state == wire.TRIPPED
    assert bench.lock.cause == cause("operator")
    assert bench.pin(ENABLE) == 0


def test_a_button_held_since_before_arming_does_not_close(bench: Bench) -> None:
    fakes.Pin.levels[BUTTON] = 0
    armed(bench)
    bench.run(500)
    assert bench.lock.state == wire.ARMED
    assert bench.pin(ENABLE) == 0


def test_the_button_does_nothing_when_not_armed(bench: Bench) -> None:
    press(bench)
    assert bench.lock.state == wire.SAFE
    assert bench.pin(ENABLE) == 0


def test_a_wrong_challenge_does_not_close(bench: Bench) -> None:
    challenge = armed(bench)
    assert bench.ask(wire.GO, wire.pack_u32(challenge ^ 1))[2] == wire.R_CHALLENGE
    assert bench.pin(ENABLE) == 0
    assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.DONE


def test_a_challenge_serves_once(bench: Bench) -> None:
    challenge = armed(bench)
    assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.DONE
    bench.ask(wire.OPEN, wire.pack_open(0))
    bench.run(50)
    assert bench.ask(wire.ARM)[2] == wire.DONE
    assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.R_CHALLENGE


def test_nobody_says_go(bench: Bench) -> None:
    challenge = armed(bench)
    for _ in range(wire.CHALLENGE_MS // 5000 + 1):
        bench.lease()
        bench.run(5000)
    assert bench.lock.state == wire.SAFE
    assert bench.newest(wire.EV_DISARMED)[8] == "nobody said go"
    assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.R_STATE


def test_arming_is_refused_with_the_reason(bench: Bench) -> None:
    bench.send(wire.HELLO_REQUEST)
    assert bench.ask(wire.ARM)[2] == wire.R_STATE  # no stage
    assert bench.ask(wire.STAGE, stage_payload())[2] == wire.DONE
    assert bench.ask(wire.ARM)[2] == wire.R_STATE  # no lease
    bench.lease()
    fakes.Pin.levels[ESTOP] = 1
    assert bench.ask(wire.ARM)[2] == wire.R_ESTOP
    fakes.Pin.levels[ESTOP] = 0
    fakes.Pin.levels[ALERT] = 0
    assert bench.ask(wire.ARM)[2] == wire.R_ALERT
    fakes.Pin.levels[ALERT] = 1
    bench.parts["left"].present = False
    bench.run(20)
    assert bench.ask(wire.ARM)[2] == wire.R_SENSOR
    bench.parts["left"].present = True
    bench.run(50)
    assert bench.ask(wire.ARM)[2] == wire.DONE


def test_over_limit_opens_and_names_the_first_cause(bench: Bench) -> None:
    bench.close()
    bench.parts["pos"].registers[4] = round(5.5 / 31.25e-6) << 4
    bench.parts["left"].registers.chosen[3] = 32000
    bench.slots(4)
    assert bench.pin(ENABLE) == 0
    bench.run(300)
    tripped = bench.newest(wire.EV_TRIPPED)
    assert tripped[2:4] == (1, 0)
    assert tripped[6] == pytest.approx(5.5, abs=1e-3)
    assert tripped[7] == 5.0
    assert bench.lock.cause == 1
    # Nothing closes it again.
    bench.parts["pos"].registers[4] = 0
    press(bench)
    assert bench.ask(wire.ARM)[2] == wire.R_STATE
    assert bench.pin(ENABLE) == 0


def test_the_alert_interrupt_drops_the_pins_by_itself(bench: Bench) -> None:
    bench.close()
    handler, pin = fakes.Pin.handlers[ALERT]
    bench.parts["neg"].registers[0x0B] = 0x8041
    handler(pin)
    assert [bench.pin(ENABLE), bench.pin(PULSE)] == [0, 0]
    bench.run(100)
    assert bench.lock.state == wire.TRIPPED
    assert bench.newest(wire.EV_TRIPPED)[2:4] == (cause("over-current"), 1)


def test_an_alert_while_closing_the_coil_leaves_it_open(bench: Bench) -> None:
    challenge = armed(bench)
    handler, pin = fakes.Pin.handlers[ALERT]
    handler(pin)
    bench.send(wire.GO, wire.pack_u32(challenge))
    bench.run(100)
    assert bench.pin(ENABLE) == 0
    assert bench.lock.state == wire.SAFE


def test_host_silence_opens(bench: Bench) -> None:
    bench.close()
    bench.lease(1000)
    bench.run(900)
    assert bench.lock.state == wire.CLOSED
    bench.run(200)
    assert bench.lock.state == wire.TRIPPED
    assert bench.lock.cause == cause("host-silent")


def test_a_lease_is_never_longer_than_the_board_allows(bench: Bench) -> None:
    bench.close()
    bench.lease(65_535)
    bench.run(wire.MAX_LEASE_MS + 100)
    assert bench.lock.cause == cause("host-silent")


def test_the_emergency_stop_opens(bench: Bench) -> None:
    bench.close()
    fakes.Pin.levels[ESTOP] = 1
    bench.slots(4)
    assert bench.pin(ENABLE) == 0
    assert bench.lock.cause == cause("operator")


def test_a_contact_that_does_not_close_is_a_relay_fault(bench: Bench) -> None:
    challenge = armed(bench)
    bench.follow = False
    bench.ask(wire.GO, wire.pack_u32(challenge))
    bench.run(200)
    assert bench.pin(ENABLE) == 0
    assert bench.lock.cause == cause("relay-fault")


def test_a_contact_that_opens_by_itself_is_a_relay_fault(bench: Bench) -> None:
    bench.close()
    bench.follow = False
    fakes.Pin.levels[AUX] = 0
    bench.run(50)
    assert bench.lock.cause == cause("relay-fault")


def test_a_welded_contact_is_said_beside_the_first_cause(bench: Bench) -> None:
    bench.close()
    bench.follow = False
    bench.parts["pos"].registers[4] = round(5.5 / 31.25e-6) << 4
    bench.run(300)
    assert bench.lock.state == wire.FAULT
    assert bench.lock.cause == cause("over-current")
    said = [e for e in bench.events.values() if e[1] == wire.EV_TRIPPED]
    assert [e[2] for e in said] == [cause("over-current"), cause("relay-fault")]
    assert said[1][6] > 100
    assert bench.ask(wire.RESET)[2] == wire.R_CONTACT
    fakes.Pin.levels[AUX] = 0
    bench.parts["pos"].registers[4] = 0
    bench.run(50)
    assert bench.ask(wire.RESET)[2] == wire.DONE
    assert bench.pin(ENABLE) == 0


def test_a_contact_nobody_closed_is_a_fault(bench: Bench) -> None:
    bench.follow = False
    fakes.Pin.levels[AUX] = 1
    bench.run(200)
    assert bench.lock.state == wire.FAULT


def test_an_orderly_open_ends_safe_and_says_how_long_it_took(bench: Bench) -> None:
    bench.close()
    assert bench.ask(wire.OPEN, wire.pack_open(0, "end of stage"))[2] == wire.DONE
    bench.run(100)
    assert bench.lock.state == wire.SAFE
    assert bench.newest(wire.EV_OPENED)[6] < 100


def test_an_open_with_a_cause_is_a_trip(bench: Bench) -> None:
    bench.close()
    bench.ask(wire.OPEN, wire.pack_open(cause("thermal-runaway"), "forecast"))
    bench.run(100)
    assert bench.lock.state == wire.TRIPPED
    assert bench.newest(wire.EV_TRIPPED)[2] == cause("thermal-runaway")
    assert bench.newest(wire.EV_TRIPPED)[8] == "forecast"
    assert bench.ask(wire.RESET)[2] == wire.DONE
    assert bench.lock.state == wire.SAFE
    assert bench.pin(ENABLE) == 0


def test_a_mangled_open_opens_all_the_same(bench: Bench) -> None:
    bench.close()
    bench.send(wire.OPEN, b"\xff\xff\xfe")
    bench.run(50)
    assert bench.pin(ENABLE) == 0


def test_a_silent_sensor_opens_within_its_time(bench: Bench) -> None:
    bench.close()
    bench.parts["right"].present = False
    bench.run(90)
    assert bench.lock.state == wire.CLOSED
    bench.run(60)
    assert bench.lock.state == wire.TRIPPED
    assert bench.lock.cause == cause("sensor-fault")


def test_a_sensor_that_blinks_does_not_trip(bench: Bench) -> None:
    bench.close()
    for _ in range(5):
        bench.parts["pos"].present = False
        bench.run(30)
        bench.parts["pos"].present = True
        bench.run(100)
        bench.lease()
    assert bench.lock.state == wire.CLOSED


def test_a_monitor_that_was_away_gets_its_threshold_back(bench: Bench) -> None:
    bench.close()
    assert bench.parts["pos"].registers[0x0C] == 12000
    bench.parts["pos"].present = False
    bench.run(30)
    bench.parts["pos"].registers.update({0x0B: 1, 0x0C: 0x7FFF, 0x01: 0xFB68})
    bench.parts["pos"].present = True
    bench.run(30)
    assert bench.parts["pos"].registers[0x0C] == 12000
    assert bench.parts["pos"].registers[0x0B] == 0x8000


def test_a_monitor_that_forgot_in_silence_is_found_out(bench: Bench) -> None:
    bench.close()
    bench.parts["neg"].registers.update({0x0C: 0x7FFF})
    bench.run(1200)
    assert bench.parts["neg"].registers[0x0C] == 12000
    assert "lost its settings" in bench.newest(wire.EV_SENSOR)[8]


def test_a_stuck_bus_is_recovered_at_most_twice_a_second(bench: Bench) -> None:
    fakes.I2C.stuck[0] = True
    fakes.Pin.levels.update({4: 1, 5: 1})
    before = fakes.I2C.opened
    bench.run(2000)
    assert 1 <= fakes.I2C.opened - before <= 5
    fakes.I2C.stuck[0] = False
    bench.run(600)
    assert bench.app.sampler.raw[0] == 0


class TestLimiter:
    """Taking the limiter out while the relay is closed."""

    def direct(self, limits: list[object] | None = None) -> bytes:
        return stage_payload(limits, stage_id=9, limiter_in=False)

    def test_it_waits_for_arm_and_go(self, bench: Bench) -> None:
        bench.close()
        assert bench.ask(wire.STAGE, self.direct())[2] == wire.DONE
        assert bench.pin(BYPASS) == 0
        bench.lease()
        challenge = int(bench.ask(wire.ARM)[4])
        assert bench.pin(BYPASS) == 0
        assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.DONE
        assert bench.pin(BYPASS) == 1
        assert bench.lock.stage_id() == 9
        assert bench.lock.state == wire.CLOSED

    def test_it_lapses(self, bench: Bench) -> None:
        bench.close()
        bench.ask(wire.STAGE, self.direct())
        challenge = int(bench.ask(wire.ARM)[4])
        for _ in range(7):
            bench.lease()
            bench.run(5000)
        assert bench.ask(wire.GO, wire.pack_u32(challenge))[2] == wire.R_STATE
        assert bench.pin(BYPASS) == 0

    def test_putting_it_back_needs_nobody(self, bench: Bench) -> None:
        bench.close(self.direct())
        assert bench.pin(BYPASS) == 1
        assert bench.ask(wire.STAGE, stage_payload())[2] == wire.DONE
        assert bench.pin(BYPASS) == 0

    def test_every_opening_puts_it_back(self, bench: Bench) -> None:
        bench.close(self.direct())
        bench.parts["pos"].registers[4] = round(5.5 / 31.25e-6) << 4
        bench.slots(4)
        assert [bench.pin(n) for n in (ENABLE, BYPASS)] == [0, 0]


def test_a_stage_the_readings_break_is_refused_while_closed(bench: Bench) -> None:
    bench.parts["pos"].registers[4] = round(1.0 / 31.25e-6) << 4
    bench.close()
    bench.run(300)
    tight = value_limits(rail_pos_a=(NAN, 0.5))
    answer = bench.ask(wire.STAGE, stage_payload(tight))
    assert answer[2] == wire.R_READINGS
    assert "rail_pos_a" in answer[4]
    assert bench.lock.stage_id() == 7
    assert bench.lock.state == wire.CLOSED


def test_a_failing_part_at_power_on_is_a_fault_with_its_name() -> None:
    with fakes.installed() as clock:
        from firmware_bench import Bench as Made

        real = fakes.parts

        def without_left() -> dict[str, fakes.Registers]:
            parts = real()
            parts["left"].present = False
            return parts

        fakes.parts = without_left  # type: ignore[assignment]
        try:
            bench = Made(clock)
        finally:
            fakes.parts = real
        assert bench.lock.state == wire.FAULT
        assert bench.app.test.parts["output_left"] == "does not answer at 0x48"
        bench.parts["left"].present = True
        bench.run(50)
        assert bench.ask(wire.RESET)[2] == wire.DONE
        assert bench.lock.state == wire.SAFE


def test_an_exception_opens_and_leaves_word(bench: Bench) -> None:
    bench.close()
    bench.app.fail(RuntimeError("broken"))
    assert [bench.pin(n) for n in (ENABLE, PULSE, BYPASS)] == [0, 0, 0]
    bench.run(100)
    assert "broken" in bench.newest(wire.EV_TRIPPED)[8]
