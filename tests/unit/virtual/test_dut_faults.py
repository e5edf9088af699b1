"""Every named fault does what its table says, where it says, and nothing elsewhere."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from benchwarden.core.channels import CHANNELS
from benchwarden.core.unit import Unit
from benchwarden.virtual.dut import Dut, DutParams, thermal_loop_gain
from benchwarden.virtual.faults import FAULTS, LOOK_ALIKES

UNIT = Unit(
    rated_power_w=60.0,
    load_ohm=8.0,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100.0,
    run_type="burn-in",
)
WARM_S = 20.0


class Watched:
    """An amplifier with one fault and its healthy twin, and the extremes seen since the fault."""

    def __init__(
        self,
        name: str,
        severity: float,
        seconds: float,
        channel: str = "left",
        drive: float = 0.0,
        c_sink: float | None = None,
    ) -> None:
        params = DutParams.from_unit(UNIT, 3)
        if c_sink is not None:
            # A light heatsink: minutes do for an hour.
            params = replace(
                params, left=replace(params.left, c_sink=c_sink), right=replace(params.right, c_sink=c_sink)
            )
        self.sick = Dut(params, 5)
        self.well = Dut(params, 5)
        self.high = dict.fromkeys(CHANNELS, -1e9)
        self.low = dict.fromkeys(CHANNELS, 1e9)
        self.sick.inject(name, severity, at_s=WARM_S + 0.001, channel=channel)
        for dut in (self.sick, self.well):
            dut.load_connected = drive > 0.0
            dut.variac_pct = 100.0
            dut.mains_closed = True
            for _ in range(300):
                dut.step(0.01)
            dut.bypass_closed = True
            dut.drive_level = drive
            while dut.t_s < WARM_S - 0.005:
                dut.step(0.01)
        assert reading(self.sick) == reading(self.well)
        for _ in range(round(seconds / 0.01)):
            self.sick.step(0.01)
            for key in CHANNELS:
                value = getattr(self.sick, key)
                self.high[key] = max(self.high[key], value)
                self.low[key] = min(self.low[key], value)
        for _ in range(round(seconds)):
            self.well.step(1.0)

    def more(self, channel: str) -> float:
        return float(getattr(self.sick, channel) - getattr(self.well, channel))


def reading(dut: Dut) -> dict[str, float]:
    return {name: getattr(dut, name) for name in CHANNELS}


def what(dut: Dut) -> str:
    return "; ".join(text for _, text in dut.damaged)


def test_table_is_complete_and_speaks():
    assert set(FAULTS) == {
        *("device-shorted", "rail-missing", "bias-high", "spreader-uncoupled", "runaway-slow", "runaway-fast"),
        *("weak-devices", "poor-interface", "oscillation-small", "oscillation-burst", "oscillation-gross"),
        *("offset-jump", "offset-creep", "leaky-device", "bias-intermittent", "airflow-blocked"),
        *("sensor-off", "sensor-open", "sensor-short", "hf-probe-unplugged"),
        *("relay-welded", "board-hang", "usb-unplugged"),
    }
    for fault in (*FAULTS.values(), *LOOK_ALIKES.values()):
        assert min(map(len, (fault.summary, fault.severity, fault.channel, fault.shows, fault.damages))) > 5


def test_unknown_names_and_silly_severities_are_refused_with_what_is_allowed():
    dut = Dut(DutParams.from_unit(UNIT, 3), 5)
    with pytest.raises(ValueError, match="allowed: airflow-blocked"):
        dut.inject("gremlin", 0.5)
    with pytest.raises(ValueError, match="allowed: 0 to 1"):
        dut.inject("bias-high", 1.5)
    with pytest.raises(ValueError, match="allowed: left, right"):
        dut.inject("bias-high", 0.5, channel="middle")


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_fault_begins_at_its_time_and_leaves_the_other_channel_alone(name):
    w = Watched(name, 0.6, 3.0, channel="right")
    assert w.sick.active_faults == [(name, 0.6, "right")]
    if name not in ("rail-missing", "device-shorted"):
        assert abs(w.more("offset_left_v")) < 1e-3
        assert abs(w.more("hf_left_v")) < 0.02
        assert abs(w.more("sink_left_c")) < 0.1


def test_shorted_device_without_the_limiter_burns_its_emitter_resistor():
    w = Watched("device-shorted", 1.0, 3.0)
    assert w.high["rail_pos_a"] > 15.0
    assert w.low["rail_pos_v"] < 20.0
    assert "emitter resistor left" in what(w.sick)


def test_one_shorted_device_pulls_the_output_to_the_rail_and_takes_its_partner_along():
    dut = Dut(DutParams.from_unit(UNIT, 3), 5)
    dut.inject("device-shorted", 0.2)
    dut.variac_pct = 25.0
    dut.mains_closed = True
    for _ in range(300):
        dut.step(0.01)
    assert dut.offset_left_v > 1.0
    assert dut.lamp_temp_k > 400.0
    assert dut.damaged == []
    w = Watched("device-shorted", 0.2, 0.2)
    assert "output device left" in what(w.sick)


@pytest.mark.parametrize(("channel", "rail"), [("left", "rail_pos_v"), ("right", "rail_neg_v")])
def test_missing_rail(channel, rail):
    w = Watched("rail-missing", 1.0, 30.0, channel=channel)
    assert abs(getattr(w.sick, rail)) < 5.0
    other = "rail_neg_v" if rail == "rail_pos_v" else "rail_pos_v"
    assert abs(getattr(w.sick, other)) > 40.0
    # Both outputs go to the rail that is left.
    assert w.sick.offset_left_v * getattr(w.sick, other) > 100.0
    assert w.sick.bias_left_v < 1e-3


@pytest.mark.parametrize("severity", [0.0, 0.5, 1.0])
def test_bias_high(severity):
    w = Watched("bias-high", severity, 5.0)
    assert w.sick.bias_left_v > 0.011 * (1.4 + 6.0 * severity)
    assert w.more("rail_pos_a") == pytest.approx(w.more("bias_left_v") / w.sick.params.left.emitter_ohm, rel=0.05)


def test_loop_gain_after_the_faults_that_raise_it():
    gains = {}
    for name in ("spreader-uncoupled", "poor-interface", "airflow-blocked", "runaway-slow", "runaway-fast"):
        dut = Dut(DutParams.from_unit(UNIT, 3), 5)
        before = thermal_loop_gain(dut.left.params, 42.0)
        dut.inject(name, 0.5)
        gains[name] = thermal_loop_gain(dut.left.params, 42.0)
        assert gains[name] > before + 0.05, name
    assert 1.0 < gains["runaway-slow"] < 2.0 < gains["runaway-fast"]


def test_fast_runaway_destroys_within_minutes_and_slow_takes_many():
    fast = Watched("runaway-fast", 0.5, 150.0)
    assert "output device left" in what(fast.sick)
    t_s = fast.sick.damaged[0][0] - WARM_S
    assert 10.0 < t_s < 150.0
    # The sink has hardly moved by then: that is what makes it fast.
    assert fast.high["sink_left_c"] < 60.0
    slow = Watched("runaway-slow", 0.5, 300.0)
    assert slow.sick.damaged == []
    assert slow.more("bias_left_v") > 0.001
    assert slow.more("sink_left_c") > 0.2


@pytest.mark.slow
def test_slow_runaway_there_from_the_start_runs_away_even_at_its_mildest():
    params = DutParams.from_unit(UNIT, 3)
    dut = Dut(replace(params, left=replace(params.left, c_sink=40.0)), 5)
    dut.inject("runaway-slow", 0.0)
    dut.variac_pct = 100.0
    dut.mains_closed = dut.bypass_closed = True
    for _ in range(30_000):
        dut.step(0.01)
    assert "output device left" in what(dut)
    assert dut.bias_right_v < 0.012


def test_slow_runaway_ends_in_damage():
    w = Watched("runaway-slow", 1.0, 400.0, c_sink=100.0)
    assert "output device left" in what(w.sick)
    assert w.sick.damaged[0][0] - WARM_S > 60.0


@pytest.mark.parametrize("name", ["weak-devices", "poor-interface"])
def test_devices_that_look_normal_idle_and_die_driven(name):
    idle = Watched(name, 1.0, 10.0)
    assert idle.sick.damaged == []
    driven = Watched(name, 1.0, 150.0, drive=0.5, c_sink=60.0)
    assert "output device left" in what(driven.sick)
    assert driven.high["sink_left_c"] < 110.0


def test_small_oscillation_shows_as_hf_with_current_and_harms_nothing():
    w = Watched("oscillation-small", 0.5, 20.0)
    assert w.sick.hf_left_v == pytest.approx(0.675, abs=0.05)
    assert 0.003 < w.more("rail_pos_a") < 0.08
    assert w.sick.damaged == []


def test_bursts_come_and_go():
    w = Watched("oscillation-burst", 0.6, 60.0)
    assert w.high["hf_left_v"] > 2.0
    assert w.low["hf_left_v"] < 0.05
    assert w.high["rail_pos_a"] > w.low["rail_pos_a"] + 0.05


def test_gross_oscillation_burns_the_output_network_within_seconds():
    w = Watched("oscillation-gross", 0.7, 10.0)
    assert w.sick.hf_left_v > 10.0
    assert w.more("rail_pos_a") > 0.2
    assert "output network resistor left" in what(w.sick)
    assert w.sick.damaged[0][0] - WARM_S > 0.3


@pytest.mark.parametrize(("severity", "volts"), [(0.0, 0.1), (0.5, 2.0), (1.0, 39.0)])
def test_offset_jump(severity, volts):
    w = Watched("offset-jump", severity, 1.0)
    assert abs(w.more("offset_left_v")) == pytest.approx(volts, rel=0.05)


def test_dc_destroys_a_connected_load_only():
    w = Watched("offset-jump", 0.9, 5.0, drive=0.01)
    assert "load left" in what(w.sick)
    assert 0.2 < w.sick.damaged[0][0] - WARM_S < 3.0
    # The load's current comes out of one rail.
    assert abs(w.sick.rail_pos_a - w.sick.rail_neg_a) > 1.0
    assert Watched("offset-jump", 0.9, 5.0).sick.damaged == []


def test_offset_creep_is_a_ramp():
    w = Watched("offset-creep", 0.5, 100.0)
    assert abs(w.more("offset_left_v")) == pytest.approx(2e-4 * 100.0, rel=0.05)


def test_leaky_device_cannot_be_turned_down():
    w = Watched("leaky-device", 0.7, 10.0)
    assert w.more("bias_left_v") > 0.002
    w.sick.pot("left", 0.0)
    for _ in range(100):
        w.sick.step(0.01)
    assert w.sick.bias_left_v > 0.004


def test_intermittent_bias_steps_and_returns():
    w = Watched("bias-intermittent", 0.8, 60.0)
    assert w.high["bias_left_v"] - w.low["bias_left_v"] > 0.004
    assert w.sick.damaged == []


def test_airflow_blocked_raises_the_end_value():
    w = Watched("airflow-blocked", 1.0, 200.0, c_sink=60.0)
    assert w.more("sink_left_c") > 0.5


def seen_by_sensor(dut: Dut, channel: str) -> float:
    transform = dut.sensor[channel]
    assert isinstance(transform, Callable)
    return float(transform(getattr(dut, channel)))


def test_sensor_faults_change_the_sensor_and_not_the_truth():
    w = Watched("sensor-off", 1.0, 200.0, drive=0.4)
    assert w.sick.sink_left_c > 27.0
    assert w.more("sink_left_c") == pytest.approx(0.0, abs=0.1)
    assert seen_by_sensor(w.sick, "sink_left_c") == pytest.approx(w.sick.ambient_c, abs=0.3)
    for name, kind in (("sensor-open", "open"), ("sensor-short", "short")):
        w = Watched(name, 1.0, 0.1, channel="right")
        assert w.sick.sensor == {"sink_right_c": kind}
    w = Watched("hf-probe-unplugged", 1.0, 0.1)
    assert seen_by_sensor(w.sick, "hf_left_v") == 0.0
    assert w.sick.hf_left_v > 0.005


@pytest.mark.parametrize("name", ["relay-welded", "board-hang", "usb-unplugged"])
def test_faults_outside_the_amplifier_only_raise_a_flag(name):
    w = Watched(name, 1.0, 1.0)
    assert w.sick.board_faults == {name}
    assert w.well.board_faults == set()


@pytest.mark.parametrize("name", ["phone-burst", "transmitter", "switch-click"])
def test_pick_up_comes_on_both_channels_without_current(name):
    w = Watched(name, 0.8, 60.0)
    assert w.high["hf_left_v"] > 0.2
    assert w.high["hf_right_v"] > 0.05
    assert w.high["rail_pos_a"] - w.low["rail_pos_a"] < 0.01
    assert w.sick.damaged == []


def test_mains_dip_and_draught_pass():
    w = Watched("mains-dip", 1.0, 5.0)
    assert w.low["rail_pos_v"] < 41.0
    assert w.sick.rail_pos_v > 41.0
    w = Watched("draught", 1.0, 5.0)
    assert w.more("ambient_c") == pytest.approx(-8.0, abs=0.5)
