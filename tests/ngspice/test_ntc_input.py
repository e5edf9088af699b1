"""The drawn temperature inputs, simulated: divider, and a lead that touches a rail."""

import numpy as np
import pytest

from circuits import spice
from circuits.ngspice import run
from circuits.sheets.ntc_input import SHEET
from wardenfw import scale

pytestmark = pytest.mark.ngspice

LEFT = ["R30", "R31", "R32", "R33", "D21", "C21", "TH1"]


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 25.0, 60.0, 85.0, 110.0])
def test_the_divider_gives_what_the_conversion_takes(celsius):
    body = spice.lines(SHEET, "GND", only=LEFT, values={"TH1": scale.ntc_ohm(celsius)})
    got = run(spice.deck("ntc", body, ["v_33 p3v3 0 3.3"]), "op", ["v(sink_left)"])
    counts = got["v(sink_left)"][0] / 3.3 * scale.ADC_FULL_SCALE
    assert scale.ntc_celsius(counts) == pytest.approx(celsius, abs=0.05)


def test_200_inputs_with_an_exact_sensor_stay_within_a_tenth_of_a_kelvin():
    rng = np.random.default_rng(3)
    body = ["v_33 p3v3 0 3.3"]
    for k in range(200):
        values = {r: SHEET.part(r).si() * (1 + SHEET.part(r).tolerance * rng.uniform(-1, 1)) for r in LEFT[:4]}
        values["TH1"] = scale.ntc_ohm(60.0)
        body += spice.lines(SHEET, "GND", only=LEFT, values=values, prefix=f"x{k}_", shared=["P3V3"])
    nodes = [f"v(x{k}_sink_left)" for k in range(200)]
    got = run(spice.deck("ntc", body), "op", nodes)
    found = [scale.ntc_celsius(got[n][0] / 3.3 * scale.ADC_FULL_SCALE) for n in nodes]
    assert np.abs(np.array(found) - 60.0).max() < 0.1


@pytest.mark.parametrize("volts", [-85.0, 85.0])
def test_a_lead_on_a_rail_is_survived(volts):
    """The pin stays 1 k short of its limits; the rail of 3.3 V takes less back than the processor draws (20 mA)."""
    body = ["v_33 p3v3 0 3.3", f"v_x ntc_left 0 {volts}", ".model esd d(is=1e-14 n=1 rs=20)"]
    body += ["v_pin sink_left pin 0", "d_u pin p3v3 esd", "d_d 0 pin esd"]
    watched = ["@r_r30[p]", "@r_r31[p]", "@r_r32[p]"]
    deck = spice.deck("ntc", spice.lines(SHEET, "GND", only=LEFT), body)
    got = run(deck, "op", ["i(v_pin)", "i(v_33)", *watched])
    assert abs(got["i(v_pin)"][0]) < 0.1e-3
    assert abs(got["i(v_33)"][0]) < 20e-3
    for vector, rating in zip(watched, (0.4, 0.4, 1.0), strict=True):
        assert got[vector][0] < rating
