"""Faults of board, modules and relay chain: the real firmware's self-test names the part, and the relay never moves.

What the firmware should find where is hardware/README.md, "how the chain is tested".
"""

from __future__ import annotations

import pytest
from played_board import Run

from benchwarden.virtual.rig import LOOP_OHM, Rig
from wardenfw import wire

pytestmark = pytest.mark.bench


def faulty(name: str, severity: float = 1.0, channel: str = "left", at_s: float = 0.0, seed: int = 1) -> Run:
    rig = Rig()
    rig.inject(name, severity, at_s, channel)
    run = Run(seed, load=rig)
    run.refusals = True
    return run


def wrong_parts(run: Run) -> dict[str, str]:
    found: dict[str, str] = run.hellos[-1]["selftest"]["parts"]
    return found


@pytest.mark.parametrize("seed", range(6))
def test_healthy_board_passes_its_self_test_whatever_its_parts_errors(seed: int) -> None:
    run = Run(seed, load=Rig()).play(3.0, {1.6: lambda run: run.close()})
    assert run.hellos[-1]["selftest"]["ok"], wrong_parts(run)
    assert run.told(wire.EV_CLOSED)


@pytest.mark.parametrize(
    ("fault", "severity", "channel", "part", "words"),
    [
        ("module-missing", 1.0, "left", "rail_pos", "does not"),
        ("module-missing", 0.0, "right", "output_right", "does not"),
        ("wrong-address", 1.0, "right", "rail_neg", "0x44"),
        ("wrong-address", 0.0, "left", "output_left", "0x4A"),
        ("program-edited", 1.0, "left", "program", "guard.py"),
        ("program-edited", 0.0, "left", "program", "extra.py"),
        ("pump-fet-shorted", 1.0, "left", "coil_pump", ""),
        ("enable-fet-shorted", 1.0, "left", "coil_enable", ""),
        ("latch-stuck", 0.0, "left", "alert_latch", ""),
        ("latch-stuck", 1.0, "left", "alert_latch", ""),
        ("alert-stuck-high", 1.0, "left", "alert_pos", ""),
        ("coil-supply-missing", 1.0, "left", "coil_pump", ""),
    ],
)
def test_self_test_names_the_part_and_the_board_does_not_arm(
    fault: str, severity: float, channel: str, part: str, words: str
) -> None:
    run = faulty(fault, severity, channel).play(3.0, {1.6: lambda run: run.close()})
    assert not run.hellos[-1]["selftest"]["ok"]
    assert words in wrong_parts(run)[part]
    assert [(kind, refusal) for kind, refusal, _ in run.replies if refusal == wire.DONE and kind == wire.ARM] == []
    assert run.contacts == []


def test_emergency_stop_pressed_at_power_on_is_told_as_that() -> None:
    run = Run(load=Rig())
    run.board.drive.emergency_stop(True)
    run.board.chip.drive(20, 1)
    run.play(2.0)
    assert "emergency stop" in wrong_parts(run)["coil_pump"]


def test_reversed_shunt_reads_negative() -> None:
    def power(run: Run) -> None:
        rig = run.board.dut
        assert isinstance(rig, Rig)
        rig.supply(10.0)

    run = faulty("shunt-reversed", channel="right").play(4.0, {1.4: power, 1.6: lambda run: run.close()})
    assert run.reading("rail_pos_a") == pytest.approx(10 / (10 + LOOP_OHM), rel=0.01)
    assert run.reading("rail_neg_a") == pytest.approx(-10 / (10 + LOOP_OHM), rel=0.01)


def test_swapped_modules_read_each_others_channel() -> None:
    run = faulty("modules-swapped")
    rig = run.board.dut
    assert isinstance(rig, Rig)
    rig.apply("offset_left_v", 5.0)
    rig.apply("bias_right_v", 0.02)
    run.play(2.5)
    assert run.reading("offset_right_v") == pytest.approx(5.0, abs=0.05)
    assert run.reading("offset_left_v") == pytest.approx(0.0, abs=0.05)
    assert run.reading("bias_left_v") == pytest.approx(0.02, abs=0.0005)


def test_coil_supply_that_dies_opens_the_relay() -> None:
    run = faulty("coil-supply-missing", at_s=3.0).play(4.0, {1.6: lambda run: run.close()})
    assert [closed for _, closed in run.contacts] == [True, False]
    assert [wire.CAUSES[int(str(body[2]))] for body in run.told(wire.EV_TRIPPED)] == ["relay-fault"]


def test_rail_module_pulled_while_closed_pulls_the_alert_line_and_comes_back_configured() -> None:
    run = Run(load=Rig())
    board = run.board
    run.play(
        6.0,
        {
            1.6: lambda run: run.close(),
            3.0: lambda run: board.plug_module("rail_pos", False),
            4.0: lambda run: board.plug_module("rail_pos", True),
        },
    )
    # The board's alert line needs both modules to say that all is well (hardware, sheet "board").
    (trip,) = run.told(wire.EV_TRIPPED)
    assert wire.CAUSES[int(str(trip[2]))] == "sensor-fault"
    assert trip[-1] == "alert line; its rail module does not answer"
    assert run.contacts[-1][1] is False
    assert board.positive.read_register(0x0C) != 0x7FFF, "its threshold was written anew"


def test_unplugged_temperature_sensor_reads_open() -> None:
    run = Run(load=Rig())
    run.board.ntcs["ntc_left"].connected = False
    run.play(2.0)
    assert wrong_parts(run) == {"ntc_left": "open"}


def test_boot_with_its_self_test_is_told_within_two_seconds() -> None:
    """A host waits five for the first hello; longer would look like no board."""
    run = Run(load=Rig()).play(2.0)
    assert run.hellos
