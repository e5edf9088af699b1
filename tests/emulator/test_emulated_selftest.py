"""The self-test on a genuine image: parts that answer as their data sheets say, and what can be wrong with them.

Register behaviour: TI INA228 SLYS021A section 7.6, ADS1115 SBAS444D table 8;
nine clocks: NXP UM10204 section 3.1.16.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from emulated_board import ENABLE, PULSE, EmulatedBoard
from emulator_session import Session

from benchwarden.virtual.coil_drive import SENSE_SHARE
from wardenfw import wire

pytestmark = pytest.mark.timeout(3600)
Boards = Callable[..., EmulatedBoard]


def test_a_sound_board_passes_in_time_and_each_fault_is_named(boards: Boards) -> None:
    board = boards()
    session = Session(board)
    session.connect()
    told = json.loads(session.info(wire.SELFTEST_INFO))
    print("self-test on the emulated board:", told, "load:", session.hello["load"])
    assert told["ok"] is True
    assert told["took_ms"] < 2000
    figures = told["figures"]
    # The model's oscillator is exact: what remains is the asking.
    assert figures["rail_pos_conversions_ms"] == pytest.approx(16 * 4.12, rel=0.01)
    # Two conversions of 540 us at most, and asking.
    assert 0.0 < figures["alert_pos_ms"] < 2.0
    assert figures["pump_falls_ms"] == pytest.approx(SENSE_SHARE * board.coil.drop_out_us / 1000, abs=1.0)
    assert session.hello["load"]["heap_min"] > 20_000
    assert json.loads(session.info(wire.PROGRAM_INFO))["ok"] is True

    # One monitor that does not acknowledge, one that answers elsewhere.
    def failed(part: str) -> str:
        reply = session.ask(wire.SELF_TEST, within_ms=4000)
        assert reply[2] == wire.R_SENSOR, reply
        parts = json.loads(session.info(wire.SELFTEST_INFO))["parts"]
        said: str = parts[part]
        return said

    board.pos.present = False
    assert failed("rail_pos") == "does not answer at 0x40"
    board.pos.present = True
    board.rails.parts[0x44] = board.rails.parts.pop(0x41)
    assert failed("rail_neg") == "answers at 0x44, expected 0x41"
    board.rails.parts[0x41] = board.rails.parts.pop(0x44)

    # An interrupted read leaves SDA low; the part lets go at the fifth clock, of the scan's or of the test's.
    board.outputs.hold_data(5)
    assert session.ask(wire.SELF_TEST, within_ms=4000)[2] == wire.DONE
    assert board.outputs.clocks_seen == 5
    board.outputs.hold_data(50)
    assert failed("bus_outputs").startswith("data line is held low")
    board.outputs.clock_out()
    session.run(1200)

    # Links of the relay chain.
    for fault, part in (("pump_shorted", "coil_pump"), ("enable_shorted", "coil_enable")):
        setattr(board.coil, fault, True)
        board.coil.weigh()
        assert failed(part).startswith("conducts")
        setattr(board.coil, fault, False)
        board.coil.weigh()
    board.coil.coil_supply(False)
    assert "no voltage" in failed("coil_pump")
    board.coil.coil_supply(True)
    assert session.ask(wire.RESET, within_ms=4000)[2] == wire.DONE
    assert board.coil_on_us == []
    assert not board.level(ENABLE)
    assert board.resets_ms == [], "the watchdog was not fed during a self-test"


def test_a_stall_is_ended_by_the_hardware_and_told_after_the_reset(boards: Boards) -> None:
    board = boards()
    session = Session(board)
    session.connect()
    record = wire.pack_calibration(
        session.hello["board"], 9461, 365, 3, "a meter, 0.05 %", [(0, 3, 1, 1.01, 0.002, 1.0, 1e-3, 1e-3)]
    )
    assert session.ask(wire.CAL_WRITE, record, within_ms=4000)[2] == wire.DONE
    crc = session.hello_again()["cal_crc"]
    assert len(crc) == 8
    session.load(stage_id=wire.COMMISSION_STAGE)
    session.lease_ms = 10_000
    session.close()
    session.run(200)
    assert session.ask(wire.STALL, wire.pack_u32(2000))[2] == wire.DONE
    for _ in range(30):
        board.run(100)
        if board.resets_ms:
            break
    assert board.resets_ms, "the watchdog did not bite"
    last_pulse_us = [us for us, pin, _ in board.edges if pin == PULSE and us < board.resets_ms[0] * 1000][-2]
    falls = [us for us, pin, high in board.edges if pin == ENABLE and not high and us > last_pulse_us]
    # Enable stayed high until the reset: the pump alone has opened the relay.
    assert falls[0] / 1000 == pytest.approx(board.resets_ms[0], abs=1.0)
    assert not board.contact.contact_closed

    after = Session(board)
    after.connect()
    after.run(500)
    boot = after.event(wire.EV_BOOT)
    print("after the stall:", boot)
    # Pump and relay together; the mirror contact closes behind the main one.
    assert board.coil.drop_out_us / 1000 < boot[6] < board.coil.drop_out_us / 1000 + 12
    assert boot[8].startswith("watchdog; stalled as asked")
    assert after.hello["selftest"]["ok"] is True
    assert after.hello["cal_crc"] == crc, "the calibration is still in force"
    assert after.info(wire.CALIBRATION_INFO) == record


DRIVERS = """
import time
from wardenfw import board
from wardenfw.sensors.ina228 import Ina228, DIAG_ALRT
from wardenfw.sensors.ads1115 import Ads1115, START_MIDDLE, CONFIG
from wardenfw.registers import Registers

class NoPort:
    pass

b = board.Board(NoPort())
said = {}
rail = Ina228(b.i2c[0], 0x40, 0)
rail.configure()
raw = Registers(b.i2c[0], 0x40)
raw.read(DIAG_ALRT)
# Four of bus and shunt, 540 us each: ready after 4.32 ms and not before.
raw.write(1, 0xB901)
time.sleep_us(3800)
said["ready_early"] = raw.read(DIAG_ALRT) >> 1 & 1
time.sleep_us(1500)
said["ready_late"] = raw.read(DIAG_ALRT) >> 1 & 1
said["ready_again"] = raw.read(DIAG_ALRT) >> 1 & 1
# The alert stays although the current is below the threshold again, until the flags are read.
rail.set_alert(-0.5)
time.sleep_ms(5)
rail.set_alert(15.0)
time.sleep_ms(20)
said["alert_sticks"] = b.alert.value()
said["flag"] = rail.clear_alert()
time.sleep_ms(5)
said["alert_gone"] = b.alert.value()
said["flag_gone"] = rail.clear_alert()
left = Registers(b.i2c[1], 0x48)
driver = Ads1115(b.i2c[1], 0x48)
driver.start(START_MIDDLE)
said["os_busy"] = left.read(CONFIG) >> 15
time.sleep_us(1500)
said["os_done"] = left.read(CONFIG) >> 15
said["middle"] = driver.counts()
try:
    b.i2c[0].readfrom_into(0x45, bytearray(1))
    said["nak"] = "answered"
except OSError as error:
    said["nak"] = error.args[0]
import json
print("SAID", json.dumps(said))
while True:
    time.sleep_ms(100)
"""


def test_the_drivers_meet_parts_that_answer_as_the_data_sheets_say(boards: Boards) -> None:
    board = boards(DRIVERS)
    for _ in range(60):
        board.run(50)
        board.messages()
        if b"SAID" in board.garbage:
            break
    line = next(x for x in bytes(board.garbage).splitlines() if x.startswith(b"SAID"))
    said = json.loads(line[5:])
    assert (said["ready_early"], said["ready_late"], said["ready_again"]) == (0, 1, 0)
    assert (said["alert_sticks"], said["flag"]) == (0, True)
    assert (said["alert_gone"], said["flag_gone"]) == (1, False)
    assert (said["os_busy"], said["os_done"]) == (0, 1)
    # 1.65 V in steps of 125 uV, within the model's own errors.
    assert said["middle"] == pytest.approx(13200, abs=10)
    assert said["nak"] == 5  # EIO
