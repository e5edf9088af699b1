"""Series lamp, the relay that shorts it, and the outlet of the amplifier."""

from __future__ import annotations

from circuits.netlist import NC, Part, Sheet
from circuits.sheets.main_nets import used_by
from circuits.stock import connector, resistor, signal_diode, small_fet, suppressor

PARTS: tuple[Part, ...] = (
    resistor("R20", "100", "BYPASS", "BYPASS_GATE"),
    resistor("R21", "100k", "BYPASS", "GND"),
    small_fet("Q4", "BYPASS_GATE", "BYPASS_COIL", "GND"),
    signal_diode(
        "D9", "BYPASS_COIL", "BYPASS_CLAMP", note="D9, D10: fast decay; short, they can only hold the lamp in"
    ),
    suppressor("D10", "SMAJ22A", "25.7", "P12_E", "BYPASS_CLAMP"),
    Part(
        "K2",
        "RELAY",
        "1 CO, 12 V",
        {"A1": "P12_E", "A2": "BYPASS_COIL", "11": "L_SW", "14": "L_OUT", "12": NC},
        "power relay, 16 A, silver tin oxide contacts, 12 V, reinforced insulation coil to contact",
        "Finder 40.61.9.012.4000",
        "16 A 250 V a.c., 30 A peak; coil 220 ohm; 8 mm, 6 kV",
        model="relay_power",
        note="operate / release 7 / 3 ms (Finder 40 series sheet)",
    ),
    Part(
        "E1",
        "LAMP",
        "25 to 200 W",
        {"1": "L_SW", "2": "L_OUT"},
        "filament lamp in a closed, earthed or insulating E27 holder",
        "halogen or carbon filament lamp for 230 V, E27",
        "230 V; gets hot",
        note="chosen by the person, wattage in the plan",
    ),
    Part(
        "RV2",
        "MOV",
        "275 V a.c.",
        {"1": "L_OUT", "2": "N_SW"},
        "varistor 275 V a.c., 14 mm",
        "TDK B72214S0271K101",
        "275 V a.c., 4500 A 8/20 us",
        note="takes what the transformer stores when K1 opens",
    ),
    Part(
        "C20",
        "C",
        "47n",
        {"1": "L_OUT", "2": "N_SW"},
        "capacitor class X2 (IEC 60384-14), 275 V a.c.",
        "KEMET R463I24705000M1K",
        "X2, 275 V a.c.",
        tolerance=0.2,
        note="below 0.1 uF: no discharge resistor asked for",
    ),
    connector(
        "J4",
        "lamp holder",
        {"1": "L_SW", "2": "L_OUT"},
        "Wieland 8-type terminal, 2 pole, 7.62 mm",
        "250 V a.c., 10 A",
        note="to E1",
    ),
    connector(
        "J5",
        "outlet",
        {"L": "L_OUT", "N": "N_SW", "PE": "PE"},
        "Schurter 6600 series outlet (IEC 60320 F)",
        "250 V a.c., 10 A",
        note="to the amplifier",
    ),
)

SHEET = Sheet("limiter_bypass", "Limiter bypass and outlet", "main", PARTS, used_by(PARTS))
