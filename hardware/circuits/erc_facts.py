"""What the electrical rules have to know about parts and places beyond the netlists.

Pin types and limits are those of the makers' data sheets, from memory; worst
cases name their reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

SUPPLY, GROUND, SOURCE = "supply", "ground", "source"  # source: a supply that the part gives
INPUT, OUTPUT, OPEN_DRAIN, ANALOG, GPIO = "input", "output", "open drain", "analog", "gpio"


@dataclass(frozen=True)
class Ic:
    """
    Attributes:
        pins: pin -> type.
        pairs: (supply or source pin, its ground pin).
        limits_v: pin -> lowest and highest voltage it bears against its domain's ground.
        may_float: outputs that need not be joined to anything.
    """

    pins: Mapping[str, str]
    pairs: tuple[tuple[str, str], ...]
    limits_v: Mapping[str, tuple[float, float]]
    may_float: tuple[str, ...] = ()


def _types(**groups: str) -> dict[str, str]:
    return {pin: kind.replace("_", " ") for kind, pins in groups.items() for pin in pins.split()}


_GPIO_LIMIT_V = (-0.5, 3.8)
_PICO_GPIO = tuple(f"GP{n}" for n in (3, 4, 5, 6, 7, 14, 15, 16, 17, 18, 19, 20, 21, 22, 26, 27, 28))
_NAND_PINS = tuple(f"{gate}{pin}" for gate in "1234" for pin in "AB")

ICS: Mapping[str, Ic] = {
    "Raspberry Pi Pico": Ic(
        {**_types(source="VBUS 3V3", analog="VSYS", ground="GND AGND"), **dict.fromkeys(_PICO_GPIO, GPIO)},
        (("3V3", "GND"),),
        dict.fromkeys(_PICO_GPIO, _GPIO_LIMIT_V),
        ("VSYS",),
    ),
    "74HCT00": Ic(
        {
            **dict.fromkeys(_NAND_PINS, INPUT),
            **_types(output="1Y 2Y 3Y 4Y", supply="VCC", ground="GND"),
        },
        (("VCC", "GND"),),
        {"VCC": (0.0, 7.0), **dict.fromkeys(_NAND_PINS, (-0.5, 5.75))},
    ),
    "INA228": Ic(
        {
            "IN+": ANALOG,
            "IN-": ANALOG,
            **_types(analog="VBUS", input="A0 A1 SCL", open_drain="SDA ALERT", supply="VS", ground="GND"),
        },
        (("VS", "GND"),),
        {"IN+": (-0.3, 85.0), "IN-": (-0.3, 85.0), "VBUS": (-0.3, 85.0), "VS": (0.0, 6.0)},
    ),
    "ADS1115": Ic(
        _types(analog="AIN0 AIN1 AIN2 AIN3", input="ADDR SCL", open_drain="SDA ALERT", supply="VDD", ground="GND"),
        (("VDD", "GND"),),
        {**{f"AIN{n}": (-0.3, 3.6) for n in range(4)}, "VDD": (0.0, 5.5)},
        ("ALERT",),
    ),
    "ISO1640": Ic(
        _types(open_drain="SDA1 SCL1 SDA2 SCL2", supply="VCC1 VCC2", ground="GND1 GND2"),
        (("VCC1", "GND1"), ("VCC2", "GND2")),
        {"VCC1": (0.0, 6.0), "VCC2": (0.0, 6.0)},
    ),
    "ISO7710F": Ic(
        _types(input="IN", output="OUT", supply="VCC1 VCC2", ground="GND1 GND2"),
        (("VCC1", "GND1"), ("VCC2", "GND2")),
        {"VCC1": (0.0, 6.0), "VCC2": (0.0, 6.0)},
    ),
    "UCC12050": Ic(
        _types(supply="VINP", ground="GNDP GNDS", input="EN SEL", source="VISO"),
        (("VINP", "GNDP"), ("VISO", "GNDS")),
        {"VINP": (0.0, 6.0)},
    ),
    "MCP1700-3.3": Ic(
        _types(supply="VIN", source="VOUT", ground="GND"),
        # Its input shares the capacitor of the isolated supply beside it.
        (("VOUT", "GND"),),
        {"VIN": (0.0, 6.0)},
    ),
}

# An enhancement FET's gate against its source, volts. Source: NX7002AK, from memory.
GATE_V = 20.0

MAINS_V = 264.0  # 240 V + 10 %, IEC 60038 (from memory), rms
# Fuses, connectors and contacts are rated by the nominal voltage of the system,
# 250 V for 230 and 240 V; what bears the voltage itself has to bear all of it.
MAINS_NOMINAL_V = 250.0
NOMINAL_KINDS = ("F", "J", "RELAY", "SWITCH", "LAMP")
LAMP_NOMINAL_V = 230.0
# The bench's limit is 70 V a rail; suppressors let 85 V by.
RAIL_V = 85.0

_5V, _3V3, _12V = (0.0, 5.25), (0.0, 3.45), (0.0, 13.2)
_RAIL = (-0.5, RAIL_V)
# The released coil throws node A to 13.2 V + 27 V + 1.2 V of the clamp across it.
_COIL = (-0.7, 41.4)
_MIDDLE = 1.75

# Lowest and highest voltage of a net against its side's ground, one fault included.
# Nets that are not here: 0 to 3.45 V on the computer's side, 0 to 13.2 V on the coils'.
VOLTS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "main": {
        **dict.fromkeys(("P5V", "VBUS", "LATCH_Q", "LATCH_NQ", "NOT_LATCHED", "PUMP_DRIVE"), _5V),
        **dict.fromkeys(("AUX_WET", "ESTOP_WET"), _5V),
        **dict.fromkeys(("COIL_A", "COIL_CLAMP", "BYPASS_COIL", "BYPASS_CLAMP"), _COIL),
        **dict.fromkeys(("ENABLE_GATE", "BYPASS_GATE", "LAMP_GATE"), _3V3),
        "GND": (0.0, 0.0),
        "PE": (0.0, 0.0),
        "COIL_SENSE": (-0.5, 3.8),  # Schottky clamps
        "PUMP_IN": (-0.8, 13.2),
        "PUMP_C2": (-0.8, 10.7),  # zener
        "PUMP_GATE": (-0.8, 10.7),
        # A sensor's lead on a rail; the silicon clamps leave 0.9 V beyond the supply.
        **dict.fromkeys(("NTC_LEFT", "NTC_RIGHT", "NTC_AMBIENT"), (-RAIL_V, RAIL_V)),
        **dict.fromkeys(("CLAMP_LEFT", "CLAMP_RIGHT", "CLAMP_AMBIENT"), (-0.9, 4.4)),
        # Beyond the clamp 10 k lets less than 0.1 mA into the pin's own diodes.
        **dict.fromkeys(("SINK_LEFT", "SINK_RIGHT", "AMBIENT"), _GPIO_LIMIT_V),
    },
    "rail_module": {
        **dict.fromkeys(("S_PLUS_IN", "S_PLUS", "S_MINUS", "KELVIN_P", "KELVIN_N", "ZERO_IN", "ZERO", "SENSE"), _RAIL),
        **dict.fromkeys(("IN_P", "IN_N", "VBUS_PIN"), (-0.3, RAIL_V)),  # Schottky clamps
        **dict.fromkeys(("P5V", "V50"), _5V),
        **dict.fromkeys(("GM", "GND"), (0.0, 0.0)),
    },
    "output_module": {
        # Against GM; a failed output device puts the whole rail between emitter and terminal.
        **dict.fromkeys(("EMIT", "BIAS_MID", "AMP0", "OFF_MID"), (_MIDDLE - RAIL_V, _MIDDLE + RAIL_V)),
        **dict.fromkeys(("BIAS", "CLAMP_UP", "CLAMP_DOWN"), (_MIDDLE - 1.7, _MIDDLE + 1.7)),  # two diodes each way
        "AIN0": (-0.3, 3.6),
        "AIN1": (-0.3, 3.6),
        "AIN2": (_MIDDLE - RAIL_V / 55, _MIDDLE + RAIL_V / 55),
        "TERM": (_MIDDLE, _MIDDLE),
        # A burst of 45 V peak, and the step of a full rail behind the first capacitor.
        **dict.fromkeys(("HP1", "HP2"), (_MIDDLE - RAIL_V, _MIDDLE + RAIL_V)),
        "PEAK": (_MIDDLE - 0.5, _MIDDLE + RAIL_V),
        **dict.fromkeys(("P5V", "V50"), _5V),
        **dict.fromkeys(("GM", "GND"), (0.0, 0.0)),
    },
}


@dataclass(frozen=True)
class Across:
    """What can lie across one part, where the nets' own worst cases never meet."""

    volts: float
    power_w: float
    why: str


# (board, reference) -> what can lie across it.
ACROSS: Mapping[tuple[str, str], Across] = {
    ("rail_module", "R1"): Across(0.17, 2.5, "16 A, the range; a fuse of at most 10 A ends more"),
    ("rail_module", "R2"): Across(1.0, 0.1, "100 A for the fuse's time through 10 mohm"),
    ("rail_module", "R3"): Across(1.0, 0.1, "100 A for the fuse's time through 10 mohm"),
    ("rail_module", "R4"): Across(1.0, 0.1, "1 mA in use; it is made to open when its lead carries a fault"),
    ("rail_module", "C1"): Across(1.0, 0.0, "drop of the shunt at 100 A"),
    ("rail_module", "R5"): Across(RAIL_V / 1001, 0.001, "1 k of the pin's 1 M"),
    ("rail_module", "F1"): Across(RAIL_V, 0.0, "opened at full rail"),
    ("output_module", "R3"): Across(
        RAIL_V / 2, (RAIL_V / 2) ** 2 / 2200, "half of what lies between emitter and terminal"
    ),
    ("output_module", "R4"): Across(
        RAIL_V / 2, (RAIL_V / 2) ** 2 / 2200, "half of what lies between emitter and terminal"
    ),
    ("output_module", "R5"): Across(1.7, 0.0062, "what the clamps leave"),
    ("output_module", "R6"): Across(RAIL_V / 2, (RAIL_V / 2) ** 2 / 27e3, "half of terminal to amplifier 0 V"),
    ("output_module", "R7"): Across(RAIL_V / 2, (RAIL_V / 2) ** 2 / 27e3, "half of terminal to amplifier 0 V"),
    ("output_module", "R9"): Across(RAIL_V, 0.9, "45 V peak at 1 MHz and above, all of it across the resistor"),
    ("output_module", "R10"): Across(RAIL_V, 0.22, "45 V peak behind the second capacitor"),
    ("output_module", "D3"): Across(
        90.0, 0.0, "45 V peak held against 45 V the other way; the 85 V step of a failed device finds it empty"
    ),
    ("output_module", "R11"): Across(45.0, 0.0097, "45 V peak, held"),
    ("output_module", "R12"): Across(1.9, 0.0004, "45 V peak over the divider"),
}

# Module sheet and its connector -> socket of the main board.
PLUGS: Mapping[tuple[str, str], str] = {
    ("rail_pos", "J3"): "J10",
    ("rail_neg", "J3"): "J11",
    ("output_left", "J2"): "J12",
    ("output_right", "J2"): "J13",
}

# The firmware's name of a pin -> net on the sheet "board".
PIN_NETS: Mapping[str, str] = {
    "LATCH_SENSE": "LATCH_SENSE",
    "RAILS_SDA": "SDA0",
    "RAILS_SCL": "SCL0",
    "OUTPUTS_SDA": "SDA1",
    "OUTPUTS_SCL": "SCL1",
    "RELAY_ENABLE": "ENABLE",
    "RELAY_PULSE": "PULSE",
    "BYPASS": "BYPASS",
    "LAMP": "LAMP",
    "AUX": "AUX",
    "BUTTON": "BUTTON",
    "ESTOP": "ESTOP",
    "ALERT": "ALERT",
    "COIL_SENSE": "COIL_SENSE",
    "ADC_SINK_LEFT": "SINK_LEFT",
    "ADC_SINK_RIGHT": "SINK_RIGHT",
    "ADC_AMBIENT": "AMBIENT",
}
# Inputs of the converter that are no pins of the module's edge.
INNER_PINS = ("ADC_SUPPLY", "ADC_DIE")
# The firmware's name of an address -> module sheet.
ADDRESS_SHEETS: Mapping[str, str] = {
    "RAIL_POS_ADDRESS": "rail_pos",
    "RAIL_NEG_ADDRESS": "rail_neg",
    "OUTPUT_LEFT_ADDRESS": "output_left",
    "OUTPUT_RIGHT_ADDRESS": "output_right",
}
