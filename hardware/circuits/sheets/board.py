"""The processor, its pins, the sockets of the modules, button and lamp."""

from __future__ import annotations

from circuits.netlist import NC, Part, Sheet
from circuits.sheets.main_nets import used_by
from circuits.stock import capacitor, connector, electrolytic, ic, resistor, schottky_signal, small_fet

_MODULE = {"1": "5 V", "2": "0 V", "3": "3.3 V", "4": "SDA", "5": "SCL", "6": "OK"}


def _socket(ref: str, name: str, sda: str, scl: str, ok: str) -> Part:
    return connector(
        ref,
        name,
        {"1": "P5V", "2": "GND", "3": "P3V3", "4": sda, "5": scl, "6": ok},
        "JST XH B6B-XH-A",
        "SELV; at most 0.5 m of cable",
        labels=_MODULE,
    )


PARTS: tuple[Part, ...] = (
    ic(
        "U1",
        "Raspberry Pi Pico",
        {
            "VBUS": "VBUS",
            "VSYS": NC,
            "3V3": "P3V3",
            "GND": "GND",
            "AGND": "GND",
            "GP3": "LATCH_SENSE",
            "GP4": "SDA0",
            "GP5": "SCL0",
            "GP6": "SDA1",
            "GP7": "SCL1",
            "GP14": "ENABLE",
            "GP15": "PULSE",
            "GP16": "BYPASS",
            "GP17": "LAMP",
            "GP18": "AUX",
            "GP19": "BUTTON",
            "GP20": "ESTOP",
            "GP21": "ALERT",
            "GP22": "COIL_SENSE",
            "GP26": "SINK_LEFT",
            "GP27": "SINK_RIGHT",
            "GP28": "AMBIENT",
        },
        "RP2040 board, Pico pin-out, MicroPython 1.24 or newer",
        "Raspberry Pi SC0915",
        "5 V from USB",
        note="VSYS is fed on the module and read back as ADC3",
    ),
    Part(
        "F3",
        "PTC",
        "0.5 A",
        {"1": "VBUS", "2": "P5V"},
        "resettable fuse, 0.5 A hold, 1206",
        "Littelfuse 1206L050YR",
        "0.5 A, 13.2 V",
    ),
    electrolytic("C30", "100u", "P5V", "GND"),
    capacitor("C31", "10u", "P3V3", "GND", "x7r_25"),
    capacitor("C32", "100n", "P3V3", "GND"),
    # buses
    resistor("R60", "2.2k", "P3V3", "SDA0"),
    resistor("R61", "2.2k", "P3V3", "SCL0"),
    resistor("R62", "2.2k", "P3V3", "SDA1"),
    resistor("R63", "2.2k", "P3V3", "SCL1"),
    _socket("J10", "rail module, positive", "SDA0", "SCL0", "OK_POS"),
    _socket("J11", "rail module, negative", "SDA0", "SCL0", "OK_NEG"),
    _socket("J12", "output module, left", "SDA1", "SCL1", NC),
    _socket("J13", "output module, right", "SDA1", "SCL1", NC),
    # alert: both modules must say that all is well; a missing one says nothing
    resistor("R64", "1k", "OK_POS", "GND", note="unplugged or unsupplied: alert"),
    resistor("R65", "1k", "OK_NEG", "GND"),
    schottky_signal("D30", "ALERT", "OK_POS"),
    schottky_signal("D31", "ALERT", "OK_NEG"),
    # button, lamp
    connector("J14", "go/stop button", {"1": "BUTTON_IN", "2": "GND"}, "JST XH B2B-XH-A", "SELV"),
    Part(
        "S2",
        "SWITCH",
        "go/stop",
        {"13": "BUTTON_IN", "14": "GND"},
        "push button, normally open, momentary",
        "Schurter 1301.9320",
        "SELV",
        note="wired to J14",
    ),
    resistor("R66", "10k", "P3V3", "BUTTON_IN"),
    resistor("R67", "1k", "BUTTON_IN", "BUTTON"),
    capacitor("C33", "100n", "BUTTON", "GND"),
    resistor("R68", "100", "LAMP", "LAMP_GATE"),
    resistor("R69", "100k", "LAMP", "GND"),
    small_fet("Q5", "LAMP_GATE", "LAMP_OUT", "GND"),
    Part(
        "BZ1",
        "BUZZER",
        "12 V",
        {"+": "P12", "-": "LAMP_OUT"},
        "buzzer with its own oscillator, 12 V, 30 mA",
        "TDK PB1226PEQ",
        "12 V",
        note="or a 12 V signal lamp, at most 100 mA, across it",
    ),
)

SHEET = Sheet("board", "Processor, module sockets, button and lamp", "main", PARTS, used_by(PARTS))
