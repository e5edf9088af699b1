"""Bias drop, DC offset and HF level of one channel; floats on the output terminal.

The terminal (the amplifier's side of the output network, where the emitter
resistors meet) is held at half of the module's 3.3 V and is the converter's
AIN3; every reading is a difference against it. What clamps take flows back to
the terminal, not into the module's supply.
"""

from __future__ import annotations

from circuits.netlist import LOGIC, OUT_LEFT, OUT_RIGHT, Part, Sheet, merged, nets
from circuits.stock import (
    capacitor,
    connector,
    diode_pair,
    i2c_isolator,
    ic,
    isolated_supply,
    regulator_3v3,
    resistor,
    schottky_signal,
    zener,
)


def _parts(left: bool) -> tuple[Part, ...]:
    return (
        connector(
            "J1",
            "to the amplifier",
            {"1": "TERM", "2": "EMIT", "3": "AMP0"},
            "Phoenix MKDS 1,5/3-5,08",
            "100 V, insulated test leads",
            labels={"1": "terminal", "2": "emitter", "3": "amp 0 V"},
        ),
        # the terminal at half supply
        resistor("R1", "10k", "V33", "TERM"),
        resistor("R2", "10k", "TERM", "GM"),
        capacitor("C1", "10u", "V33", "TERM", "x7r_25"),
        capacitor("C2", "10u", "TERM", "GM", "x7r_25"),
        # bias
        resistor(
            "R3", "2.2k", "EMIT", "BIAS_MID", "one", note="19 mA when the emitter resistor is open and 85 V lie across"
        ),
        resistor("R4", "2.2k", "BIAS_MID", "BIAS", "one"),
        diode_pair("D1", "BIAS", "CLAMP_UP", "TERM"),
        diode_pair("D2", "TERM", "CLAMP_DOWN", "BIAS"),
        capacitor("C3", "1u", "BIAS", "TERM"),
        resistor("R5", "470", "BIAS", "AIN0"),
        # offset
        resistor("R6", "27k", "AMP0", "OFF_MID", "thin"),
        resistor("R7", "27k", "OFF_MID", "AIN2", "thin"),
        resistor(
            "R8", "1k", "AIN2", "TERM", "thin", note="1/55 with R6 and R7; low, for the converter's input current"
        ),
        capacitor("C4", "22u", "AIN2", "TERM", "x7r_25", note="7 Hz with R8"),
        # HF level
        capacitor("C5", "10n", "AMP0", "HP1", "c0g_200"),
        resistor("R9", "1k", "HP1", "TERM", "one", note="16 kHz; 0.8 W at 40 V peak"),
        capacitor("C6", "2.2n", "HP1", "HP2", "c0g_200"),
        resistor("R10", "4.7k", "HP2", "TERM", "half", note="15 kHz"),
        schottky_signal("D3", "HP2", "PEAK", note="100 V: 45 V peak at most"),
        capacitor("C7", "47n", "PEAK", "TERM", "c0g_200"),
        resistor("R11", "210k", "PEAK", "AIN1", "thin", note="with C7: holds 10 ms"),
        resistor("R12", "9.2k", "AIN1", "TERM", "thin", note="1/25 of the peak, the detector's own loss included"),
        ic(
            "U1",
            "ADS1115",
            {
                "AIN0": "AIN0",
                "AIN1": "AIN1",
                "AIN2": "AIN2",
                "AIN3": "TERM",
                "ADDR": "GM" if left else "V33",
                "SCL": "SCL_M",
                "SDA": "SDA_M",
                "ALERT": "NC",
                "VDD": "V33",
                "GND": "GM",
            },
            "16-bit converter, four inputs, I2C",
            "TI ADS1115IDGSR",
            "inputs -0.3 to VDD + 0.3 V, 10 mA",
            model="ads1115",
            note="ADDR to ground: 0x48, left; to 3.3 V: 0x49, right (solder bridge)",
        ),
        capacitor("C8", "100n", "V33", "GM", note="at U1"),
        resistor("R13", "2.2k", "V33", "SDA_M"),
        resistor("R14", "2.2k", "V33", "SCL_M"),
        zener("D4", "5.1", "GM", "V33", note="takes what the input diodes feed back"),
        # barrier
        i2c_isolator("U2"),
        capacitor("C9", "100n", "V33", "GM", note="at U2"),
        capacitor("C10", "100n", "P3V3", "GND", note="at U2"),
        isolated_supply("U3"),
        capacitor("C11", "10u", "P5V", "GND", "x7r_25"),
        capacitor("C12", "10u", "V50", "GM", "x7r_25"),
        regulator_3v3("U4"),
        capacitor("C13", "1u", "V33", "GM"),
        connector(
            "J2",
            "to the board",
            {"1": "P5V", "2": "GND", "3": "P3V3", "4": "SDA", "5": "SCL", "6": "NC"},
            "JST XH B6B-XH-A",
            "SELV",
            labels={"1": "5 V", "2": "0 V", "3": "3.3 V", "4": "SDA", "5": "SCL", "6": "-"},
        ),
    )


def _sheet(left: bool) -> Sheet:
    side = "left" if left else "right"
    return Sheet(
        f"output_{side}",
        f"Output module, {side} channel",
        "output_module",
        _parts(left),
        merged(
            nets(LOGIC, "SDA SCL", "P5V P3V3", "GND"),
            nets(
                OUT_LEFT if left else OUT_RIGHT,
                "TERM EMIT AMP0 BIAS_MID BIAS CLAMP_UP CLAMP_DOWN AIN0 OFF_MID AIN2 HP1 HP2 PEAK AIN1 SDA_M SCL_M",
                "V50 V33",
                "GM",
            ),
        ),
    )


LEFT = _sheet(True)
RIGHT = _sheet(False)
