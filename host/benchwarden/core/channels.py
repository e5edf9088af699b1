"""Channel names, units and what they measure; the names are the same from firmware to PDF."""

from __future__ import annotations

from dataclasses import dataclass

from wardenfw import wire

CHANNELS: tuple[str, ...] = wire.CHANNELS
BITS: tuple[str, ...] = wire.BIT_NAMES
CAUSES: tuple[str, ...] = wire.CAUSES[1:]
INDEX: dict[str, int] = {name: i for i, name in enumerate(CHANNELS)}


@dataclass(frozen=True)
class Channel:
    """One measured quantity.

    Attributes:
        name: the fixed channel name.
        unit: SI unit symbol as printed.
        label: the quantity in words.
        decimals: digits after the point that the sense chain supports.
        group: which plot it belongs to.
    """

    name: str
    unit: str
    label: str
    decimals: int
    group: str


def _table() -> dict[str, Channel]:
    rows = (
        ("rail_pos_a", "A", "Positive rail current", 3, "rail current"),
        ("rail_neg_a", "A", "Negative rail current", 3, "rail current"),
        ("rail_pos_v", "V", "Positive rail", 2, "rail voltage"),
        ("rail_neg_v", "V", "Negative rail", 2, "rail voltage"),
        ("offset_left_v", "V", "DC offset, left", 3, "offset"),
        ("offset_right_v", "V", "DC offset, right", 3, "offset"),
        ("bias_left_v", "V", "Bias drop, left", 5, "bias"),
        ("bias_right_v", "V", "Bias drop, right", 5, "bias"),
        ("sink_left_c", "\N{DEGREE SIGN}C", "Heatsink, left", 1, "temperature"),
        ("sink_right_c", "\N{DEGREE SIGN}C", "Heatsink, right", 1, "temperature"),
        ("ambient_c", "\N{DEGREE SIGN}C", "Ambient", 1, "temperature"),
        ("hf_left_v", "V", "HF level, left", 3, "hf"),
        ("hf_right_v", "V", "HF level, right", 3, "hf"),
    )
    return {row[0]: Channel(*row) for row in rows}


CHANNEL: dict[str, Channel] = _table()
GROUPS: tuple[str, ...] = ("rail current", "rail voltage", "offset", "bias", "temperature", "hf")
