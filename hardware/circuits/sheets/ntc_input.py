"""Three heatsink and ambient sensors, ratiometric against the converter's own reference.

Each lead may touch a rail of 85 V: two 20 k in parallel share what one 10 k
would have to take, and the clamp current returns into the 3.3 V line, which
carries more than that at any time.
"""

from __future__ import annotations

from circuits.netlist import Part, Sheet
from circuits.sheets.main_nets import used_by
from circuits.stock import capacitor, connector, diode_pair, resistor


def _input(n: int, lead: str, pin: str, clamp: str) -> tuple[Part, ...]:
    return (
        connector(
            f"J{20 + n}",
            lead.lower().replace("_", " "),
            {"1": lead, "2": "GND"},
            "JST XH B2B-XH-A",
            "insulated pair, 2 kV",
        ),
        Part(
            f"TH{n}",
            "NTC",
            "10k",
            {"1": lead, "2": "GND"},
            "NTC 10 k, B25/85 3977 to 3984 K, insulated ring terminal, 1 kV a.c. lead to ring",
            "Vishay NTCALUG03A103G",
            "2 %; 1000 V a.c. to the ring (its sheet)",
            0.02,
            note="the conversion holds the fit of NTCLE100E3 (3977 K)",
        ),
        resistor(f"R{20 + 10 * n}", "20k", "P3V3", lead, "thin"),
        resistor(f"R{21 + 10 * n}", "20k", "P3V3", lead, "thin", note="10.0 k together"),
        resistor(f"R{22 + 10 * n}", "10k", lead, clamp, "one", note="8 mA when the lead touches 85 V"),
        diode_pair(f"D{20 + n}", "GND", clamp, "P3V3", note="silicon, not Schottky: its leakage would be read as heat"),
        resistor(f"R{23 + 10 * n}", "10k", clamp, pin, note="keeps what the diode leaves over out of the pin"),
        capacitor(f"C{20 + n}", "100n", pin, "GND"),
    )


PARTS: tuple[Part, ...] = (
    *_input(1, "NTC_LEFT", "SINK_LEFT", "CLAMP_LEFT"),
    *_input(2, "NTC_RIGHT", "SINK_RIGHT", "CLAMP_RIGHT"),
    *_input(3, "NTC_AMBIENT", "AMBIENT", "CLAMP_AMBIENT"),
)

SHEET = Sheet("ntc_input", "Heatsink and ambient sensors", "main", PARTS, used_by(PARTS))
