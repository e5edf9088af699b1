"""Current and voltage of one rail; one circuit board for both rails.

Shunt terminals are S+ and S-, current counted from S+ to S-.
Positive: S+ to the reservoir, S- to the amplifier; the module floats on amp 0 V.
Negative: S+ to the amplifier, S- to the reservoir; the module floats on S-,
the lowest potential of the set. The link block swaps ground and voltage sense
and sets the address at one go, so a module set for one rail cannot answer as
the other.
"""

from __future__ import annotations

from circuits.netlist import LOGIC, RAIL_NEG, RAIL_POS, Part, Sheet, merged, nets
from circuits.stock import (
    capacitor,
    connector,
    i2c_isolator,
    ic,
    isolated_supply,
    regulator_3v3,
    resistor,
    schottky_power,
    suppressor,
    zener,
)


def _link(ref: str, closed: bool, a: str, b: str, note: str) -> Part:
    return Part(
        ref,
        "LINK" if closed else "OPEN",
        "closed" if closed else "open",
        {"1": a, "2": b},
        "pin header 2.54 mm with one 3-pole jumper block",
        "Harwin M20-9980346 with M7567-05",
        "100 V, 1 A",
        note=note,
    )


def _parts(positive: bool) -> tuple[Part, ...]:
    return (
        connector(
            "J1",
            "rail",
            {"1": "S_PLUS_IN", "2": "S_MINUS"},
            "Keystone 1285 blade terminals, 6.3 mm",
            "20 A, 100 V",
            labels={"1": "S+", "2": "S-"},
            note="S+ to the reservoir, S- to the amplifier" if positive else "S+ to the amplifier, S- to the reservoir",
        ),
        Part(
            "F1",
            "F",
            "as the set's own",
            {"1": "S_PLUS_IN", "2": "S_PLUS"},
            "fuse 5 x 20 mm, the value that the amplifier's maker gives for this rail",
            "Littelfuse 0217 series in Schurter 0031.8201 holder",
            "at most 10 A; 125 V d.c. breaking",
            note="the module sits in the place of the rail fuse, so it carries one",
        ),
        Part(
            "R1",
            "SHUNT",
            "10m",
            {"I+": "S_PLUS", "I-": "S_MINUS", "S+": "KELVIN_P", "S-": "KELVIN_N"},
            "current sense resistor, four terminals, 0.5 %, 3 W",
            "Isabellenhuette PBV-R010-F1-0.5",
            "10 mohm; 17 A continuous in free air; 25 J pulse",
            0.005,
            30e-6,
            model="shunt",
        ),
        resistor("R2", "10", "KELVIN_P", "IN_P", note="with C1: 80 kHz"),
        resistor("R3", "10", "KELVIN_N", "IN_N"),
        capacitor("C1", "100n", "IN_P", "IN_N"),
        schottky_power("D1", "GM", "IN_P", note="keeps the input above -0.3 V"),
        schottky_power("D2", "GM", "IN_N"),
        suppressor("D3", "SMBJ70A", "81.9", "GM", "S_PLUS", note="wiring inductance when a fuse opens"),
        suppressor("D4", "SMBJ70A", "81.9", "GM", "S_MINUS"),
        # what the link block sets
        resistor("R4", "10", "ZERO_IN", "ZERO", "fusible", note="opens when the 0 V lead carries a fault"),
        _link("JP1A", positive, "ZERO", "GM", "positive: ground is amp 0 V"),
        _link("JP1B", positive, "S_MINUS", "SENSE", "positive: the rail is measured"),
        _link("JP1C", positive, "A0", "GM", "positive: address 0x40"),
        _link("JP2A", not positive, "S_MINUS", "GM", "negative: ground is the rail"),
        _link("JP2B", not positive, "ZERO", "SENSE", "negative: amp 0 V is measured"),
        _link("JP2C", not positive, "A0", "V33", "negative: address 0x41"),
        connector(
            "J2",
            "amp 0 V",
            {"1": "ZERO_IN"},
            "Keystone 1285 blade terminal, 2.8 mm",
            "1 A, 100 V",
            note="its own lead to the amplifier's star point",
        ),
        resistor("R5", "1k", "SENSE", "VBUS_PIN", "one", note="0.1 % of the pin's 1 Mohm"),
        capacitor("C2", "10n", "VBUS_PIN", "GM", "c0g_200"),
        schottky_power("D5", "GM", "VBUS_PIN"),
        ic(
            "U1",
            "INA228",
            {
                "IN+": "IN_P",
                "IN-": "IN_N",
                "VBUS": "VBUS_PIN",
                "ALERT": "ALERT_N",
                "SCL": "SCL_M",
                "SDA": "SDA_M",
                "A0": "A0",
                "A1": "GM",
                "VS": "V33",
                "GND": "GM",
            },
            "20-bit current and voltage monitor, 85 V, I2C",
            "TI INA228AIDGSR",
            "-0.3 to 85 V common mode, +-40 V differential",
        ),
        capacitor("C3", "100n", "V33", "GM", note="at U1"),
        resistor("R6", "10k", "V33", "ALERT_N", note="open drain, low = over current"),
        resistor("R7", "2.2k", "V33", "SDA_M"),
        resistor("R8", "2.2k", "V33", "SCL_M"),
        # barrier
        i2c_isolator("U2", note="side 2 to the monitor: its low level is the lower one"),
        capacitor("C4", "100n", "V33", "GM", note="at U2"),
        capacitor("C5", "100n", "P3V3", "GND", note="at U2"),
        ic(
            "U3",
            "ISO7710F",
            {"VCC1": "V33", "GND1": "GM", "IN": "ALERT_N", "VCC2": "P3V3", "GND2": "GND", "OUT": "OK"},
            "digital isolator, one channel, output low without input supply, reinforced, wide body",
            "TI ISO7710FDWR",
            "reinforced, 8 mm",
            note="high = all well; low = over current, or the module has no supply",
        ),
        capacitor("C6", "100n", "V33", "GM", note="at U3"),
        capacitor("C7", "100n", "P3V3", "GND", note="at U3"),
        isolated_supply("U4"),
        capacitor("C8", "10u", "P5V", "GND", "x7r_25"),
        capacitor("C9", "10u", "V50", "GM", "x7r_25"),
        regulator_3v3("U5"),
        capacitor("C10", "1u", "V33", "GM"),
        zener("D6", "5.1", "GM", "V33", note="takes what the clamps feed back"),
        connector(
            "J3",
            "to the board",
            {"1": "P5V", "2": "GND", "3": "P3V3", "4": "SDA", "5": "SCL", "6": "OK"},
            "JST XH B6B-XH-A",
            "SELV",
            labels={"1": "5 V", "2": "0 V", "3": "3.3 V", "4": "SDA", "5": "SCL", "6": "OK"},
        ),
    )


def _sheet(positive: bool) -> Sheet:
    domain = RAIL_POS if positive else RAIL_NEG
    side = "positive" if positive else "negative"
    return Sheet(
        "rail_pos" if positive else "rail_neg",
        f"Rail module, set for the {side} rail",
        "rail_module",
        _parts(positive),
        merged(
            nets(LOGIC, "SDA SCL OK", "P5V P3V3", "GND"),
            nets(
                domain,
                "S_PLUS_IN S_PLUS S_MINUS KELVIN_P KELVIN_N IN_P IN_N ZERO_IN ZERO SENSE VBUS_PIN A0 ALERT_N "
                "SDA_M SCL_M",
                "V50 V33",
                "GM",
            ),
        ),
    )


POSITIVE = _sheet(True)
NEGATIVE = _sheet(False)
