"""Which orderable part stands for each generic class.

Part numbers are examples from memory of their makers' sheets unless a comment
says more; check stock, package and suffix before ordering.
"""

from __future__ import annotations

from circuits.netlist import Part

# class -> (words, example with {} for the value code, rating, tolerance, tempco 1/K)
_RESISTORS: dict[str, tuple[str, str, str, float, float]] = {
    "thick": ("chip resistor 0805, 1 %, 100 ppm/K", "Vishay CRCW0805 series, {}", "0.125 W, 150 V", 0.01, 100e-6),
    "thin": ("thin film MELF 0204, 0.1 %, 25 ppm/K", "Vishay MMA0204 series, {}, 0.1 %", "0.4 W, 200 V", 0.001, 25e-6),
    "half": ("chip resistor 2010, 1 %, 100 ppm/K", "Vishay CRCW2010 series, {}", "0.75 W, 400 V", 0.01, 100e-6),
    "one": ("flameproof metal film, 1 W, 1 %, 100 ppm/K", "Vishay PR01 series, {}, 1 %", "1 W, 350 V", 0.01, 100e-6),
    "fusible": (
        "fusible metal film, 0.5 W, 5 %",
        "Vishay NFR25H series, {}",
        "0.5 W, opens when overloaded",
        0.05,
        200e-6,
    ),
    "mains": ("metal glaze for mains, 0.5 W, 5 %", "Vishay VR37 series, {}", "0.5 W, 3.5 kV", 0.05, 200e-6),
}
_CAPACITORS: dict[str, tuple[str, str, str, float, float]] = {
    "x7r": ("ceramic X7R, 50 V, 10 %", "Murata GRM21 series, {}", "50 V", 0.10, 1e-3),
    "x7r_25": ("ceramic X7R 1206, 25 V, 10 %", "Murata GRM31 series, {}", "25 V", 0.10, 1e-3),
    "c0g": ("ceramic C0G, 50 V, 5 %", "Murata GRM21 series, {}, C0G", "50 V", 0.05, 30e-6),
    "c0g_200": ("ceramic C0G 1206, 250 V, 5 %", "Murata GRM31A5C2E series, {}, C0G", "200 V", 0.05, 30e-6),
    "film": ("film PET, 63 V, 5 %", "WIMA MKS 2 series, {}, 63 V, 5 %", "63 V", 0.05, 4e-4),
}


def resistor(ref: str, value: str, a: str, b: str, style: str = "thick", note: str = "", rating: str = "") -> Part:
    """Return a resistor of one of the classes above."""
    words, example, rated, tolerance, tempco = _RESISTORS[style]
    return Part(
        ref, "R", value, {"1": a, "2": b}, words, example.format(value), rating or rated, tolerance, tempco, note=note
    )


def capacitor(ref: str, value: str, a: str, b: str, style: str = "x7r", note: str = "") -> Part:
    """Return a capacitor of one of the classes above."""
    words, example, rated, tolerance, tempco = _CAPACITORS[style]
    return Part(ref, "C", value, {"1": a, "2": b}, words, example.format(value), rated, tolerance, tempco, note=note)


def electrolytic(ref: str, value: str, plus: str, minus: str, note: str = "") -> Part:
    return Part(
        ref,
        "CP",
        value,
        {"+": plus, "-": minus},
        "aluminium electrolytic, 25 V, 105 C",
        f"Panasonic FR series, {value}, 25 V",
        "25 V",
        0.2,
        note=note,
    )


def schottky_signal(ref: str, a: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "D",
        "BAT46W",
        {"A": a, "K": k},
        "signal Schottky diode, 100 V",
        "ST BAT46WJF",
        "100 V, 150 mA",
        model="bat46",
        note=note,
    )


def schottky_power(ref: str, a: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "D",
        "SS110",
        {"A": a, "K": k},
        "Schottky rectifier, 1 A, 100 V",
        "onsemi SS110",
        "1 A, 100 V",
        model="ss110",
        note=note,
    )


def signal_diode(ref: str, a: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "D",
        "1N4148W",
        {"A": a, "K": k},
        "signal diode, 100 V",
        "Diodes 1N4148W-7-F",
        "100 V, 150 mA",
        model="d4148",
        note=note,
    )


def diode_pair(ref: str, a: str, middle: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "D2",
        "BAV99",
        {"A": a, "M": middle, "K": k},
        "two signal diodes in series, SOT-23",
        "Nexperia BAV99",
        "100 V, 200 mA",
        model="bav99",
        note=note,
    )


def schottky_pair(ref: str, a: str, middle: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "D2",
        "BAT54S",
        {"A": a, "M": middle, "K": k},
        "two Schottky diodes in series, SOT-23",
        "Nexperia BAT54S",
        "30 V, 200 mA",
        model="bat54",
        note=note,
    )


def zener(ref: str, volts: str, a: str, k: str, note: str = "") -> Part:
    return Part(
        ref,
        "Z",
        f"{volts} V",
        {"A": a, "K": k},
        f"zener diode {volts} V, 5 %, SOT-23",
        f"Nexperia BZX84-C{volts.replace('.', 'V')}",
        "0.25 W",
        0.05,
        model="zener",
        note=note,
    )


def suppressor(ref: str, example: str, volts: str, a: str, k: str, note: str = "") -> Part:
    """Return a one-way transient suppressor; `volts` is its middle breakdown voltage."""
    return Part(
        ref,
        "Z",
        f"{volts} V",
        {"A": a, "K": k},
        f"one-way transient suppressor, {example[4:]}",
        f"Littelfuse {example}",
        "400 W, 1 ms" if example.startswith("SMAJ") else "600 W, 1 ms",
        0.05,
        model="zener",
        note=note,
    )


def small_fet(ref: str, g: str, d: str, s: str, note: str = "") -> Part:
    return Part(
        ref,
        "NFET",
        "NX7002AK",
        {"G": g, "D": d, "S": s},
        "small N-channel FET, 60 V, threshold 1.1 to 2.1 V",
        "Nexperia NX7002AK",
        "60 V, 0.19 A, threshold 1.1 to 2.1 V at 0.25 mA",
        model="nx7002",
        note=note,
    )


def ic(
    ref: str,
    value: str,
    pins: dict[str, str],
    words: str,
    example: str,
    rating: str = "",
    note: str = "",
    **more: object,
) -> Part:
    return Part(ref, "IC", value, pins, words, example, rating, note=note, **more)  # type: ignore[arg-type]


def connector(
    ref: str, value: str, pins: dict[str, str], example: str, rating: str = "", note: str = "", **more: object
) -> Part:
    return Part(ref, "J", value, pins, "connector", example, rating, note=note, **more)  # type: ignore[arg-type]


def i2c_isolator(ref: str, note: str = "") -> Part:
    """Return the barrier of a module's bus; side 2 is the module's."""
    return ic(
        ref,
        "ISO1640",
        {
            "VCC1": "P3V3",
            "GND1": "GND",
            "SDA1": "SDA",
            "SCL1": "SCL",
            "VCC2": "V33",
            "GND2": "GM",
            "SDA2": "SDA_M",
            "SCL2": "SCL_M",
        },
        "I2C isolator, reinforced, 5 kV rms, wide body",
        "TI ISO1640BDWR",
        "reinforced, 8 mm",
        note,
    )


def isolated_supply(ref: str) -> Part:
    """Return the barrier of a module's supply."""
    return ic(
        ref,
        "UCC12050",
        {"VINP": "P5V", "GNDP": "GND", "EN": "P5V", "VISO": "V50", "GNDS": "GM", "SEL": "V50"},
        "isolated supply 5 V to 5 V, 0.5 W, reinforced, 5 kV rms, wide body",
        "TI UCC12050DVER",
        "reinforced, 8 mm",
    )


def regulator_3v3(ref: str) -> Part:
    """Return a module's own 3.3 V."""
    return ic(
        ref,
        "MCP1700-3.3",
        {"VIN": "V50", "VOUT": "V33", "GND": "GM"},
        "3.3 V linear regulator, 250 mA",
        "Microchip MCP1700T-3302E/TT",
        "6 V in",
    )
