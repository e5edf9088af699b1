"""The rig: Ohm's law where the shunts and senses sit, a calibrator's values where it drives them, refusals in words.

Sources: V = I R; the forward law of the detector against the firmware's own
conversion (another formula, solved the other way).
"""

from __future__ import annotations

from typing import Any

import pytest
from played_board import Run

from benchwarden.core.channels import CHANNELS
from benchwarden.virtual.act import Acts
from benchwarden.virtual.board import VirtualBoard
from benchwarden.virtual.dut import Dut
from benchwarden.virtual.faults import BOARD_FAULTS, FAULTS
from benchwarden.virtual.reference_meter import ACCURACY, ReferenceMeter, kind_of
from benchwarden.virtual.rig import LOOP_OHM, Rig
from benchwarden.virtual.sense_modules import detected_v
from wardenfw import wire


def settled(rig: Rig) -> Rig:
    for _ in range(8):
        rig.step(0.0025)
    return rig


def test_current_flows_only_through_the_closed_contact() -> None:
    rig = Rig()
    rig.supply(20.0)
    rig.resistor(8.0)
    settled(rig)
    assert rig.rail_pos_a == rig.rail_pos_v == 0.0
    rig.mains_closed = True
    settled(rig)
    amperes = 20.0 / (8.0 + LOOP_OHM)
    assert rig.rail_pos_a == rig.rail_neg_a == pytest.approx(amperes)
    assert rig.rail_pos_v == pytest.approx(amperes * 8.0)
    assert rig.rail_neg_v == -rig.rail_pos_v
    rig.supply(10.0)
    assert rig.rail_pos_a == pytest.approx(amperes / 2)
    rig.mains_closed = False
    rig.step(0.0025)
    assert rig.rail_pos_a == 0.0, "a contact that opens is seen at once"


def test_a_calibrator_drives_one_input_and_comes_off_again() -> None:
    rig = Rig()
    before = {name: getattr(rig, name) for name in CHANNELS}
    rig.apply("offset_left_v", 1.5)
    assert rig.offset_left_v == 1.5
    rig.supply(5.0)
    assert rig.offset_left_v == 1.5
    rig.apply("offset_left_v", None)
    assert {name: getattr(rig, name) for name in CHANNELS} == before


def test_rig_has_every_channel_and_every_attribute_a_board_reads() -> None:
    rig, seen = Rig(), vars(Rig())
    assert set(CHANNELS) <= set(seen)
    assert not set(vars(rig)) & {"pot", "variac_pct"}, "what an amplifier has is not here"
    VirtualBoard(rig)


@pytest.mark.parametrize(
    ("act", "words"),
    [
        ({"do": "supply", "volts": 31}, "0 to 30"),
        ({"do": "supply", "volts": "12"}, "0 to 30"),
        ({"do": "resistor", "ohm": 0.01}, "0.5 to"),
        ({"do": "apply", "channel": "tj_left_c", "value": 1}, "rail_pos_a"),
        ({"do": "apply", "channel": "rail_pos_a", "value": 99}, "-15 to 15"),
        ({"do": "meter", "channel": ""}, "rail_pos_a"),
        ({"do": "plug", "part": "ntc_middle", "in": True}, "ntc_left"),
        ({"do": "module", "part": "rail_pos", "in": 1}, "true, false"),
        ({"do": "variac", "pct": 10}, "no amplifier"),
        ({"do": "pot", "mv": 10}, "no amplifier"),
        ({"do": "drive", "level": 1}, "no amplifier"),
        ({"do": "load", "connected": True}, "no amplifier"),
        ({"do": "fault", "name": "bias-high"}, "allowed on the rig"),
    ],
)
def test_impossible_acts_are_refused_in_words(act: dict[str, Any], words: str) -> None:
    answer = Acts(VirtualBoard(Rig()), lambda what: None).do(act)
    assert answer["ok"] is False
    assert words in answer["error"]


def test_rig_acts_need_the_rig() -> None:
    acts = Acts(Run().board, lambda what: None)
    for act in ({"do": "supply", "volts": 5}, {"do": "resistor", "ohm": 8}, {"do": "apply", "channel": "ambient_c"}):
        assert "need the rig" in acts.do(act)["error"]
    assert acts.do({"do": "meter", "channel": "ambient_c"})["ok"], "a meter serves anywhere"


def test_state_of_the_rig_is_plain_and_true() -> None:
    board = VirtualBoard(Rig())
    acts = Acts(board, lambda what: None)
    assert acts.do({"do": "supply", "volts": 12.5})["ok"]
    assert acts.do({"do": "apply", "channel": "sink_left_c", "value": 60})["ok"]
    state = acts.do({"do": "state"})
    assert (state["rig"], state["supply_v"], state["applied"]) == (True, 12.5, {"sink_left_c": 60.0})


# The reference meter


@pytest.mark.parametrize("seed", range(20))
def test_meter_stays_within_what_it_states(seed: int) -> None:
    meter = ReferenceMeter(seed)
    for channel, values in (
        ("rail_pos_a", (0.0, 0.1, 2.5, 10.0)),
        ("rail_neg_v", (0.0, -5.0, -30.0)),
        ("offset_left_v", (-1.5, 0.0, 20.0)),
        ("bias_right_v", (0.0, 0.011, 0.2)),
        ("sink_left_c", (0.0, 25.0, 90.0)),
        ("hf_left_v", (0.5, 10.0)),
    ):
        stated = ACCURACY[kind_of(channel)]
        for true in values:
            room = stated.gain_pct / 100 * abs(true) + stated.offset + stated.step / 2
            assert abs(meter.reads(channel, true) - true) <= room * (1 + 1e-9)


def test_meters_differ_by_seed_and_are_themselves_again() -> None:
    one, again, other = ReferenceMeter(1), ReferenceMeter(1), ReferenceMeter(2)
    assert one.reads("rail_pos_a", 10.0) == again.reads("rail_pos_a", 10.0) != other.reads("rail_pos_a", 10.0)


# Faults of board, modules and relay chain


def test_every_board_fault_is_taken_by_amplifier_and_rig() -> None:
    for name in BOARD_FAULTS:
        rig, dut = Rig(), Run().board.dut
        assert isinstance(dut, Dut)
        for load in (rig, dut):
            load.inject(name, 1.0)
            assert name in load.board_faults
            assert load.active_faults == [(name, 1.0, "left")]
    with pytest.raises(ValueError, match="allowed on the rig"):
        Rig().inject("airflow-blocked", 1.0)
    with pytest.raises(ValueError, match="severity"):
        Rig().inject("flash-worn", 2.0)
    with pytest.raises(ValueError, match="channel"):
        Rig().inject("shunt-reversed", 1.0, channel="middle")
    assert set(BOARD_FAULTS) - set(FAULTS), "the amplifier's list is not the rig's"


def test_a_fault_for_later_begins_later() -> None:
    rig = Rig()
    rig.inject("coil-supply-missing", 1.0, at_s=0.05)
    rig.step(0.01)
    assert not rig.board_faults
    for _ in range(5):
        rig.step(0.01)
    assert rig.board_faults == {"coil-supply-missing"}


# The whole board on the rig


def _supply(run: Run, volts: float, ohm: float) -> None:
    rig = run.board.dut
    assert isinstance(rig, Rig)
    rig.supply(volts)
    rig.resistor(ohm)


def test_board_on_the_rig_reads_what_flows() -> None:
    """Within the parts' limits, uncalibrated: shunt 0.5 %, bus 0.05 % and 2.5 mV."""
    run = Run(load=Rig())
    run.play(4.0, {1.4: lambda run: _supply(run, 20.0, 8.0), 2.0: lambda run: run.close()})
    assert run.mains_bit()
    amperes = 20.0 / (8.0 + LOOP_OHM)
    assert run.reading("rail_pos_a") == pytest.approx(amperes, rel=6e-3)
    assert run.reading("rail_neg_a") == pytest.approx(amperes, rel=6e-3)
    assert run.reading("rail_pos_v") == pytest.approx(amperes * 8.0, rel=2e-3)
    assert run.reading("rail_neg_v") == pytest.approx(-amperes * 8.0, rel=2e-3)


@pytest.mark.parametrize(
    ("channel", "value", "within"),
    [
        ("offset_left_v", 1.5, 0.02),
        ("offset_right_v", -40.0, 0.3),
        ("bias_left_v", 0.02, 0.0003),
        ("sink_left_c", 60.0, 1.0),
        ("ambient_c", 5.0, 1.0),
        ("hf_left_v", 0.5, 0.02),
        ("hf_right_v", 20.0, 0.5),
    ],
)
def test_board_reads_what_a_calibrator_applies(channel: str, value: float, within: float) -> None:
    """Tolerances of the modules' parts as sense_modules draws them, three sigma."""
    rig = Rig()
    rig.apply(channel, value)
    run = Run(load=rig).play(2.5, {})
    assert run.reading(channel) == pytest.approx(value, abs=within)


def test_detector_and_firmware_are_each_others_inverse() -> None:
    from wardenfw import scale

    for peak_v in (0.1, 0.3, 1.0, 5.0, 40.0):
        counts = detected_v(peak_v, scale.FOOT_V) / scale.HF_RATIO / scale.AIN_LSB_V
        # Whole counts: half a step of 62.5 uV times 25, and the slope of the foot, at most 5.4.
        assert scale.to_si(wire.CHANNELS.index("hf_left_v"), round(counts)) == pytest.approx(peak_v, abs=0.006)


def test_two_runs_on_the_rig_are_the_same_bit_for_bit() -> None:
    runs = [
        Run(load=Rig(), seed=3).play(3.0, {1.4: lambda run: _supply(run, 15.0, 10.0), 2.0: lambda run: run.close()})
        for _ in range(2)
    ]
    assert runs[0].frames == runs[1].frames
    assert runs[0].events == runs[1].events
