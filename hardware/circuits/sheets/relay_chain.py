"""Mains relay, dead-man charge pump, enable transistor, alert latch, emergency stop.

12 V -> emergency stop -> coil -> node A -> Q1 (held on by the pulses) -> node B
-> Q2 (enable pin) -> ground. A suppressor and a diode across the
coil let its current fall against 26 V instead of 0.7 V.

The pump: a pulse that the latch lets through is inverted and lifted to 12 V
(Q3), loses what is faster than some kHz in R11 and C10, and through C1, D1, D2
puts a little charge into C2 at every rising edge of GP15, which R12 lets go
again. One edge alone stays below the threshold of Q1; a level, high or low,
passes nothing.
"""

from __future__ import annotations

from circuits.netlist import NC, Part, Sheet
from circuits.sheets.main_nets import used_by
from circuits.stock import (
    capacitor,
    connector,
    electrolytic,
    ic,
    resistor,
    schottky_pair,
    schottky_power,
    signal_diode,
    small_fet,
    suppressor,
    zener,
)

_NAND = "74HCT00"

PARTS: tuple[Part, ...] = (
    # 12 V for the coils
    connector(
        "J1",
        "12 V in",
        {"1": "P12_JACK", "2": "GND"},
        "CUI PJ-102AH (5.5 x 2.1 mm)",
        "12 V, 1 A, from a class II (double insulated) adapter",
        labels={"1": "+12 V", "2": "0 V"},
    ),
    Part(
        "F2",
        "PTC",
        "0.5 A",
        {"1": "P12_JACK", "2": "P12_FUSED"},
        "resettable fuse, 0.5 A hold, 1206",
        "Littelfuse 1206L050YR",
        "0.5 A, 13.2 V",
    ),
    schottky_power("D3", "P12_FUSED", "P12", note="keeps a reversed adapter out"),
    suppressor("D4", "SMAJ15A", "17.6", "GND", "P12"),
    electrolytic("C3", "100u", "P12", "GND"),
    # emergency stop: one contact in the coil supply, one read back
    connector(
        "J2",
        "emergency stop",
        {"1": "P12", "2": "P12_E", "3": "ESTOP_WET", "4": "GND"},
        "Phoenix MKDS 1,5/4-5,08",
        "30 V, 1 A",
        labels={"1": "11", "2": "12", "3": "21", "4": "22"},
        note="to S1",
    ),
    Part(
        "S1",
        "SWITCH",
        "emergency stop",
        {"11": "P12", "12": "P12_E", "21": "ESTOP_WET", "22": "GND"},
        "emergency-stop button, two direct-opening NC contacts (IEC 60947-5-5), latching",
        "Schneider XB4BS8444",
        "24 V d.c., 1 A",
        note="wired to J2, not on the board",
    ),
    resistor("R1", "1k", "P5V", "ESTOP_WET", note="5 mA wets the contact"),
    resistor("R2", "10k", "ESTOP_WET", "ESTOP"),
    resistor("R3", "18k", "ESTOP", "GND", note="5 V to 3.2 V"),
    capacitor("C4", "100n", "ESTOP", "GND"),
    # alert latch and pulse gate
    ic(
        "U2",
        _NAND,
        {
            "1A": "ALERT",
            "1B": "LATCH_NQ",
            "1Y": "LATCH_Q",
            "2A": "ENABLE",
            "2B": "LATCH_Q",
            "2Y": "LATCH_NQ",
            "3A": "LATCH_Q",
            "3B": "LATCH_Q",
            "3Y": "NOT_LATCHED",
            "4A": "PULSE",
            "4B": "NOT_LATCHED",
            "4Y": "PUMP_DRIVE",
            "VCC": "P5V",
            "GND": "GND",
        },
        "quad NAND, TTL levels, 5 V",
        "Nexperia 74HCT00D",
        "5 V",
        model="74hct00",
        note="1: set by ALERT low, whatever else; 2: reset by ENABLE low once ALERT is high",
    ),
    capacitor("C5", "100n", "P5V", "GND", note="at U2"),
    resistor("R4", "10k", "P3V3", "ALERT", note="with R64, R65: one module unplugged reads 0.55 V, below 0.8"),
    resistor("R5", "10k", "LATCH_Q", "LATCH_SENSE"),
    resistor("R6", "18k", "LATCH_SENSE", "GND", note="5 V to 3.2 V"),
    resistor("R7", "100k", "ENABLE", "GND"),
    resistor("R8", "100k", "PULSE", "GND"),
    # charge pump
    resistor("R9", "100k", "PUMP_DRIVE", "GND", note="Q3 off when U2 has no supply"),
    small_fet("Q3", "PUMP_DRIVE", "PUMP_SW", "GND", note="lifts 5 V pulses to 12 V"),
    resistor("R10", "2.2k", "P12_E", "PUMP_SW"),
    resistor("R11", "10k", "PUMP_SW", "PUMP_AC", note="with C10: a train much faster than the loop's holds nothing"),
    capacitor("C10", "22n", "PUMP_AC", "GND", "film"),
    capacitor("C1", "12n", "PUMP_AC", "PUMP_IN", "c0g"),
    signal_diode("D1", "GND", "PUMP_IN"),
    signal_diode("D2", "PUMP_IN", "PUMP_C2"),
    capacitor("C2", "100n", "PUMP_C2", "GND", "film"),
    resistor(
        "R12", "330k", "PUMP_GATE", "GND", note="with C2: lets go after the last edge; at the gate, which never floats"
    ),
    zener("D5", "10", "GND", "PUMP_C2"),
    resistor("R13", "10k", "PUMP_C2", "PUMP_GATE", note="a gate shorted to node A must not feed the coil through D5"),
    small_fet("Q1", "PUMP_GATE", "COIL_A", "COIL_B", note="held on by the pulses"),
    # enable
    resistor("R14", "100", "ENABLE", "ENABLE_GATE"),
    small_fet("Q2", "ENABLE_GATE", "COIL_B", "GND", note="the enable pin"),
    resistor("R15", "4.7k", "COIL_B", "COIL_SENSE"),
    schottky_pair("D6", "GND", "COIL_SENSE", "P3V3", note="Schottky: the pin bears 0.5 V beyond its supply"),
    capacitor("C6", "1n", "COIL_SENSE", "GND"),
    # Across the coil, not from node A to ground: a suppressor that fails short
    # there would hold the coil whatever the transistors do.
    signal_diode("D8", "COIL_A", "COIL_CLAMP", note="with D7: fast decay, no plain diode across the coil"),
    suppressor("D7", "SMAJ22A", "25.7", "P12_E", "COIL_CLAMP"),
    # the relay and its mirror contact
    Part(
        "K1",
        "RELAY",
        "3 NO + 1 NC, 12 V",
        {
            "A1": "P12_E",
            "A2": "COIL_A",
            "13": "L_FUSED",
            "14": "L_SW",
            "23": "N_IN",
            "24": "N_SW",
            "33": NC,
            "34": NC,
            "41": "AUX_WET",
            "42": "GND",
        },
        "relay with forcibly guided contacts (IEC 61810-3), 3 NO + 1 NC, 12 V, 30 mA",
        "Panasonic SFS3-DC12V",
        "6 A 250 V a.c.; coil 400 ohm; reinforced insulation coil and mirror contact to mains",
        model="relay_guided",
        note="33-34 unused: keeps mains away from the mirror contact",
    ),
    resistor("R16", "470", "P5V", "AUX_WET", style="half", note="10 mA wets the mirror contact"),
    resistor("R17", "10k", "AUX_WET", "AUX"),
    resistor("R18", "18k", "AUX", "GND", note="5 V to 3.2 V"),
    capacitor("C7", "100n", "AUX", "GND"),
    # mains in
    connector(
        "J3",
        "mains in",
        {"L": "L_IN", "N": "N_IN", "PE": "PE"},
        "Schurter 6100 series inlet (IEC 60320 C14)",
        "250 V a.c., 10 A",
        note="after the isolating transformer and the variable one",
    ),
    Part(
        "F1",
        "F",
        "T 5 A",
        {"1": "L_IN", "2": "L_FUSED"},
        "fuse 5 x 20 mm, slow, high breaking capacity, in a closed holder",
        "Littelfuse 0215005.MXP in Schurter FUP",
        "250 V a.c., 1500 A breaking",
        note="below the relay's 6 A",
    ),
    Part(
        "RV1",
        "MOV",
        "275 V a.c.",
        {"1": "L_FUSED", "2": "N_IN"},
        "varistor 275 V a.c., 14 mm",
        "TDK B72214S0271K101",
        "275 V a.c., 4500 A 8/20 us",
    ),
)

SHEET = Sheet("relay_chain", "Mains relay, dead man, alert latch, emergency stop", "main", PARTS, used_by(PARTS))
