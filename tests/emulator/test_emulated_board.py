"""The firmware on a genuine MicroPython image: what the pins do, in emulated time."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable
from typing import Any

import pytest
from emulated_board import ENABLE, PULSE, EmulatedBoard
from emulator_session import OVER_CURRENT, Session, limits

from benchwarden.virtual.parts import MUX_0_3
from wardenfw import wire

pytestmark = pytest.mark.timeout(3600)
Boards = Callable[..., EmulatedBoard]
BIAS = (6, 7)
RUNAWAY = wire.CAUSES.index("thermal-runaway")


def opened_after_us(board: EmulatedBoard, at_us: float) -> float:
    """Return how long after `at_us` ENABLE fell first."""
    falls = [us for us, pin, high in board.edges if pin == ENABLE and not high and us >= at_us]
    assert falls, "ENABLE did not fall"
    return falls[0] - at_us


def provoke(session: Session, delay_us: float, act: Callable[[], None]) -> float:
    """Do `act` after `delay_us`, run until the relay should be open; return microseconds to ENABLE falling."""
    when: list[float] = []

    def now() -> None:
        when.append(session.board.now_ms * 1000)
        act()

    session.board.at(delay_us, now)
    session.run(delay_us / 1000 + 120)
    return opened_after_us(session.board, when[0])


def again(session: Session) -> None:
    assert session.ask(wire.RESET)[2] == wire.DONE
    session.close()
    session.run(100)


def test_a_run_from_power_on_to_trips(boards: Boards) -> None:
    board = boards()
    session = Session(board)
    session.connect()
    assert session.hello["mpy"].startswith("1.")
    assert session.hello["selftest"] == {"ok": True, "parts": {}, "tested": 20}
    assert board.coil_on_us == [], "current flowed in the coil before anyone asked"
    assert not board.level(ENABLE)
    session.load()
    session.close()

    # Held: ten frames a second, no scan lost, an edge of the pulse train every 2.5 ms but
    # around a collection.
    session.frames.clear()
    begun_us = board.now_ms * 1000
    session.run(4500)
    assert len(session.frames) in (44, 45, 46)
    assert {b[1] - a[1] for a, b in itertools.pairwise(session.frames)} == {10}
    # Periods lost before, relay open, are others: this emulator takes 6 ms to read 24 bytes of a stage.
    assert session.frames[-1][4] == session.frames[0][4], "overruns"
    edges = [us for us, pin, _ in board.edges if pin == PULSE and us > begun_us]
    gaps = [b - a for a, b in itertools.pairwise(edges)]
    # The pump is sure to hold for 18 ms; a collection takes 13.
    assert max(gaps) < 15_000
    assert sorted(gaps)[len(gaps) // 2] == pytest.approx(2500, abs=50)
    board.send(wire.HELLO_REQUEST)
    session.run(300)
    load = session.hello["load"]
    print("load on the emulated board:", load)
    # Measured when a collection is due: what is left must carry the 50 scans it may be put off,
    # 12 kB, and a stage or a hello taken in meanwhile. 30 kB were measured here.
    assert load["heap_min"] >= 22_000
    assert load["idle_pct"] > 0

    # A register beyond its limit, and the alert line, at moments the scan cannot expect.
    chance = random.Random(1)
    for _ in range(3):
        took = provoke(session, chance.uniform(0, 20_000), lambda: board.pos.set_amperes(7.0))
        assert took <= 15_000
        assert session.event(wire.EV_TRIPPED)[2:4] == (OVER_CURRENT, 0)
        board.pos.set_amperes(0.0)
        again(session)
    took = provoke(session, chance.uniform(0, 20_000), lambda: board.force_alert(True))
    assert took <= 1000
    board.force_alert(False)
    session.run(100)
    assert session.event(wire.EV_TRIPPED)[2] == OVER_CURRENT
    again(session)

    # A host that says nothing more.
    session.lease_ms = 1000
    session.run(200)
    session.acknowledge = False
    silent_us = board.now_ms * 1000
    session.run(1300)
    assert 500_000 < opened_after_us(board, silent_us) < 1_200_000
    assert session.event(wire.EV_TRIPPED)[2] == wire.CAUSES.index("host-silent")

    assert board.resets_ms == []
    assert not board.garbage


def test_sensors_that_fail_on_the_bus(boards: Boards) -> None:
    board = boards()
    session = Session(board)
    session.connect()
    session.load()
    session.close()
    session.run(200)
    gone_us = board.now_ms * 1000
    board.left.present = False
    session.run(400)
    assert 100_000 < opened_after_us(board, gone_us) < 160_000
    assert session.event(wire.EV_TRIPPED)[2] == wire.CAUSES.index("sensor-fault")
    board.left.present = True
    session.run(200)
    again(session)
    stuck_us = board.now_ms * 1000
    board.rails.stuck = True
    session.run(300)
    assert 100_000 < opened_after_us(board, stuck_us) < 160_000
    board.rails.release()
    session.run(1200)
    assert board.resets_ms == []
    assert session.frames[-1][3] == (1 << wire.N_CHANNELS) - 1, "not every channel came back"


def test_the_boards_own_runaway_rule_with_a_silent_host(boards: Boards) -> None:
    board = boards()
    session = Session(board)
    session.connect()
    session.lease_ms = wire.MAX_LEASE_MS
    for rail in (board.pos, board.neg):
        rail.set_volts(42.0)
        rail.set_amperes(0.14)
    # The bias of limits() may go to 0.1 V, and its slope is not limited: what a stage says of both
    # is what the rule goes by.
    narrow = [(c, wire.VALUE, 8, math.nan, 0.022, 0, 0) for c in BIAS]
    slope = [(c, wire.RATE, RUNAWAY, math.nan, 0.0005, 2500, 10_000) for c in BIAS]
    stage = wire.pack_stage(2, True, False, limits() + narrow + slope, 6.0, 6.0)
    assert session.ask(wire.STAGE, stage)[2] == wire.DONE
    session.close()
    session.run(3500)
    session.acknowledge = False
    begun_us = board.now_ms * 1000
    for n in range(60):
        # First-order thermal loop of gain two, time constant 2 s.
        drop_v = 0.011 + 0.002 * (math.exp(n * 0.1 / 2.0) - 1.0)
        board.left.volts[MUX_0_3] = drop_v
        for rail in (board.pos, board.neg):
            rail.set_amperes(0.14 + (drop_v - 0.011) / 0.22)
        session.run(100)
        if not board.level(ENABLE):
            break
    assert opened_after_us(board, begun_us) < 5e6
    session.run(200)
    trip = session.event(wire.EV_TRIPPED)
    assert trip[2:4] == (RUNAWAY, BIAS[0])
    assert trip[6] < 0.022
    assert "climbs faster and faster" in trip[8]


HANGING = """
from wardenfw import app, board
made = app.build(board.Board())
real = made.sampler.cut
def hang():
    if made.relay.coil_on and made.scan > 150:
        while True:
            pass
    return real()
made.sampler.cut = hang
made.run()
"""

FAILING = HANGING.replace("while True:\n            pass", "raise RuntimeError('made to fail')")


@pytest.mark.parametrize(("main", "name"), [(HANGING, "hang"), (FAILING, "exception")])
def test_a_loop_that_ends_opens_and_reboots(boards: Boards, main: str, name: str) -> None:
    board = boards(main)
    session = Session(board)
    session.connect()
    session.load()
    session.lease_ms = 10_000
    session.close()
    pulses: list[Any] = []
    for _ in range(40):
        session.board.run(100)
        if board.resets_ms:
            break
        pulses = [e for e in board.edges if e[1] == PULSE]
    assert board.resets_ms, "the watchdog did not bite"
    assert not board.contact.contact_closed
    last_pulse_ms = pulses[-1][0] / 1000
    assert board.resets_ms[0] - last_pulse_ms < 1100
    if name == "exception":
        falls = [us for us, pin, high in board.edges if pin == ENABLE and not high]
        assert falls[-1] / 1000 - last_pulse_ms < 20
