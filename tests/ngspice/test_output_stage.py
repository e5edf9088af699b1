"""The output stage against ngspice: junction law over temperature, and a warm-up with thermal nodes."""

import numpy as np
import pytest

from benchwarden.virtual.amplifier import (
    OutputStage,
    StageParams,
    idle_current_a,
    reference_slope_v_per_k,
    setting_for,
    spreader_slope_v_per_k,
    temperatures_at,
)

pytestmark = pytest.mark.ngspice

STAGE = StageParams(pairs=2, emitter_ohm=0.22, target_drop_v=0.012, ohmic_ohm=0.06, saturation_a=3e-12)

# Two pairs, both polarities, at a fixed bias voltage of 2 VB between the bases;
# gain so high that base current does not matter, no Early effect.
PAIRS = """
class-AB output stage, two pairs
.model qn npn(is={is_a} bf=1e7 br=1 eg=1.11 xti=3 re={re_ohm})
.model qp pnp(is={is_a} bf=1e7 br=1 eg=1.11 xti=3 re={re_ohm})
vcc c 0 40
vee e 0 -40
vb bp 0 0.5
eb 0 bn bp 0 1
q1 c bp e1 qn
q2 c bp e2 qn
q3 e bn e3 qp
q4 e bn e4 qp
r1 e1 out {emitter_ohm}
r2 e2 out {emitter_ohm}
r3 e3 out {emitter_ohm}
r4 e4 out {emitter_ohm}
rl out 0 8
"""


def test_idle_current_follows_bias_and_temperature_as_the_transistor_model_does(spice):
    """Within 0.1 % from 0.1 mA to 5 A, 0 C to 150 C."""
    net = PAIRS.format(is_a=STAGE.saturation_a, re_ohm=STAGE.ohmic_ohm, emitter_ohm=STAGE.emitter_ohm)
    worst, seen = 0.0, 0
    for temperature in (0, 25, 50, 100, 150):
        rows = spice(
            net.replace("vcc c 0 40", f".options temp={temperature}\nvcc c 0 40"),
            "dc vb 0.2 0.9 0.01",
            ["v(e1,out)", "i(vcc)"],
        )
        for half_v, drop_v, rail_a in rows:
            current = drop_v / STAGE.emitter_ohm
            if not 1e-4 < current < 5.0:
                continue
            # The rail carries every pair; the netlist has two, and a collector leakage when hot.
            assert -rail_a == pytest.approx(2 * current, rel=1e-3, abs=1e-5)
            mine = idle_current_a(STAGE, half_v, temperature + 273.15)
            worst = max(worst, abs(mine / current - 1.0))
            seen += 1
    print(f"idle current against ngspice: worst {100 * worst:.4f} % over {seen} points")
    assert seen > 100
    assert worst < 0.001


# The same stage closed on its own heat: thermal potentials as node voltages
# (kelvin above 0 C), heat as currents, one device drawn and scaled by four.
WARM_UP = """
electro-thermal warm-up
.param is0={is_a} kq=8.617333262e-5 tn=300.15 eg=1.11
.param ohm={ohm} re={emitter_ohm} rail={rail_v} amb={ambient_c}
* y = ln of the device current, found by an integrator far faster than any heat
cy y 0 1e-4
by 0 y i = V(half) - kq*(V(j)+273.15)*(V(y) - V(lnis)) - ohm*exp(V(y))
blnis lnis 0 v = ln(is0) + 3*ln((V(j)+273.15)/tn) + eg/kq*(1/tn - 1/(V(j)+273.15))
bhalf half 0 v = {setting_v} - {spread_slope}*(V(sp)-25) + {driver_slope}*(V(s)-25)
bp 0 j i = exp(V(y))*(rail - exp(V(y))*re)
cj j 0 {c_junction}
rjc j c {rth_jc}
cc c 0 {c_case}
rcs c s4 {rth_cs}
* four such devices share the sink: one sees a quarter of its capacity and four times its resistance
vs s4 s 0
cs s 0 {c_sink_each}
rsa s a {rth_sa_each}
va a 0 {ambient_c}
bsp spin 0 v = amb + {coupling}*(V(s)-amb)
rsp spin sp 1
csp sp 0 {spreader_lag_s}
.ic v(j)={ambient_c} v(c)={ambient_c} v(s)={ambient_c} v(sp)={ambient_c} v(y)=-3.5
"""


def test_warm_up_of_the_closed_electro_thermal_loop(spice):
    """Bias drop over 3000 s of warm-up within 0.05 % of an independent solution."""
    rail_v, ambient_c = 40.0, 22.0
    at = temperatures_at(STAGE, STAGE.target_drop_v / STAGE.emitter_ohm, rail_v, ambient_c)
    setting_v = setting_for(STAGE, at.current_a, at)
    devices = 2 * STAGE.pairs
    net = WARM_UP.format(
        is_a=STAGE.saturation_a,
        ohm=STAGE.emitter_ohm + STAGE.ohmic_ohm,
        emitter_ohm=STAGE.emitter_ohm,
        rail_v=rail_v,
        ambient_c=ambient_c,
        setting_v=setting_v,
        spread_slope=spreader_slope_v_per_k(STAGE),
        driver_slope=reference_slope_v_per_k(STAGE) * STAGE.drivers,
        c_junction=STAGE.c_junction,
        rth_jc=STAGE.rth_jc,
        c_case=STAGE.c_case,
        rth_cs=STAGE.rth_cs,
        c_sink_each=STAGE.c_sink / devices,
        rth_sa_each=STAGE.rth_sa * devices,
        coupling=STAGE.coupling,
        spreader_lag_s=STAGE.spreader_lag_s,
    )
    rows = spice(net, "tran 0.1 3000 0 0.5 uic", ["v(y)", "v(j)", "v(s)"])
    stage = OutputStage(STAGE, rail_v, ambient_c)
    stage.setting_v = setting_v
    worst_drop = worst_k = 0.0
    for k in range(1, 300001):
        stage.step(0.01, rail_v, rail_v, ambient_c, 0.0, 0.0, 0.0, 0.0)
        if k in (100, 1000, 5000, 20000, 60000, 300000):
            t_s = k * 0.01
            drop = np.exp(np.interp(t_s, rows[:, 0], rows[:, 1])) * STAGE.emitter_ohm
            worst_drop = max(worst_drop, abs(stage.drop_v / drop - 1.0))
            worst_k = max(
                worst_k,
                abs(stage.heat.junction_c - np.interp(t_s, rows[:, 0], rows[:, 2])),
                abs(stage.heat.sink_c - np.interp(t_s, rows[:, 0], rows[:, 3])),
            )
    print(f"warm-up against ngspice: drop within {100 * worst_drop:.3f} %, temperatures within {worst_k:.4f} K")
    assert worst_drop < 0.0005
    assert worst_k < 0.01
    # And both end where the closed form says.
    assert stage.drop_v == pytest.approx(STAGE.target_drop_v, rel=0.01)
