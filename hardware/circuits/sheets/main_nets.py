"""The nets that the sheets of the main board share: one name, one domain, everywhere."""

from __future__ import annotations

from circuits.netlist import COIL12, EARTH, LOGIC, MAINS, SENSOR, Net, merged, nets

MAIN_NETS = merged(
    nets(
        LOGIC,
        "ENABLE PULSE BYPASS LAMP AUX BUTTON ESTOP ALERT COIL_SENSE LATCH_SENSE SINK_LEFT SINK_RIGHT AMBIENT "
        "SDA0 SCL0 SDA1 SCL1 OK_POS OK_NEG LATCH_Q LATCH_NQ NOT_LATCHED PUMP_DRIVE AUX_WET ESTOP_WET BUTTON_IN "
        "CLAMP_LEFT CLAMP_RIGHT CLAMP_AMBIENT",
        "P5V VBUS P3V3 VSYS",
        "GND",
    ),
    nets(
        COIL12,
        "COIL_A COIL_B COIL_CLAMP BYPASS_COIL BYPASS_CLAMP PUMP_SW PUMP_AC PUMP_IN PUMP_C2 PUMP_GATE ENABLE_GATE "
        "BYPASS_GATE LAMP_GATE LAMP_OUT",
        "P12_JACK P12_FUSED P12 P12_E",
    ),
    nets(MAINS, "L_IN L_FUSED N_IN L_SW N_SW L_OUT"),
    nets(EARTH, "", "", "PE"),
    nets(SENSOR, "NTC_LEFT NTC_RIGHT NTC_AMBIENT"),
)


def used(*names: str) -> dict[str, Net]:
    """Return these nets of the main board.

    Raises:
        KeyError: one is not listed above.
    """
    return {name: MAIN_NETS[name] for name in names}


def used_by(parts: tuple) -> dict[str, Net]:  # type: ignore[type-arg]
    """Return the nets of the main board that these parts are on."""
    names = {net for part in parts for net in part.pins.values()}
    return {name: net for name, net in MAIN_NETS.items() if name in names}
