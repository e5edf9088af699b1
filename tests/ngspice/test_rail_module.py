"""The drawn rail module, simulated: filter, voltage sense, a shorted rail through the shunt."""

import numpy as np
import pytest

from circuits import spice
from circuits.ngspice import run
from circuits.sheets import rail_module

pytestmark = pytest.mark.ngspice

ANALOGUE = ["F1", "R1", "R2", "R3", "C1", "D1", "D2", "D3", "D4", "R4", "R5", "C2", "D5"]
LINKS = {"pos": ["JP1A", "JP1B"], "neg": ["JP2A", "JP2B"]}
SHEETS = {"pos": rail_module.POSITIVE, "neg": rail_module.NEGATIVE}


def module(side, **how):
    return spice.lines(SHEETS[side], "GM", only=[*ANALOGUE, *LINKS[side]], **how)


def test_filter_corner():
    """1 / (2 pi 20 ohm 100 nF)."""
    body = ["v_c s_minus 0 dc 40", "v_s kelvin_p kelvin_n ac 1", "r_z zero_in 0 1"]
    deck = spice.deck("filter", module("pos", values={"R1": 1e3}), body)
    got = run(deck, "ac dec 40 1k 10meg", ["v(in_p)", "v(in_n)"])
    gain = np.abs(got["v(in_p)"] - got["v(in_n)"])
    assert np.interp(-gain[0] / np.sqrt(2), -gain, got["x"]) == pytest.approx(79.6e3, rel=0.03)


@pytest.mark.parametrize("side", ["pos", "neg"])
def test_the_rail_is_sensed_within_a_part_in_500(side):
    """Into the pin's 1 Mohm (INA228 sheet, from memory)."""
    low = "zero_in" if side == "pos" else "s_minus"
    high = "s_minus" if side == "pos" else "zero_in"
    body = [f"v_r {high} {low} 42", "r_pin vbus_pin 0 1meg"]
    got = run(spice.deck("sense", module(side), body), "op", ["v(vbus_pin)"])
    assert got["v(vbus_pin)"][0] == pytest.approx(42.0, rel=0.002)


@pytest.mark.parametrize("side", ["pos", "neg"])
def test_a_shorted_rail_is_survived(side):
    """10 mF at 70 V into 20 mohm of wire and 1 uH; INA228: 40 V across its inputs, -0.3 to 85 V against ground."""
    if side == "pos":
        body = ["c_res s_plus_in zr 10m ic=70", "r_esr zr zero_in 20m", "l_w s_minus w 1u", "r_w w zero_in 20m"]
    else:
        body = ["c_res zr s_minus 10m ic=70", "r_esr zr zero_in 20m", "l_w zero_in w 1u", "r_w w s_plus_in 20m"]
    body += [".options method=gear", "r_z zero_in 0 1meg"]
    got = run(
        spice.deck("short", module(side), body),
        "tran 1u 6m 0 2u uic",
        ["v(in_p)", "v(in_n)", "i(l_w)"],
    )
    assert np.abs(got["v(in_p)"] - got["v(in_n)"]).max() < 40.0
    assert min(got["v(in_p)"].min(), got["v(in_n)"].min()) > -0.5
    assert max(got["v(in_p)"].max(), got["v(in_n)"].max()) < 85.0
    energy = np.trapezoid(got["i(l_w)"] ** 2 * 0.01, got["x"])
    assert energy < 25.0  # the shunt's pulse rating on the sheet; 24.5 J are stored in all
    # the alert's full range is 16.4 A: the first conversion sees the short
    assert np.abs(got["i(l_w)"]).max() > 100.0
