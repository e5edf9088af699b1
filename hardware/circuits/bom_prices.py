"""What a part costs, roughly: one piece, without VAT, as a small buyer pays it.

Estimates from memory of distributors' usual prices, not quotations.
"""

from __future__ import annotations

from dataclasses import dataclass

from circuits.netlist import Part

PRICED_ON = "2026-11-25"

# The beginning of an example or of a part class -> euros. Examples come first.
_BY_EXAMPLE = (
    ("CUI PJ-102AH", 0.90),
    ("Keystone 1285 blade terminals", 0.60),
    ("Keystone 1285 blade terminal, 2.8", 0.30),
    ("Phoenix MKDS 1,5/4", 1.80),
    ("Phoenix MKDS 1,5/3", 1.40),
    ("JST XH B2B", 0.15),
    ("JST XH B6B", 0.30),
    ("Wieland 8-type", 1.60),
    ("Schurter 6100", 2.80),
    ("Schurter 6600", 3.20),
)
_BY_CLASS = (
    ("buzzer", 1.80),
    ("capacitor class X2", 0.45),
    ("ceramic C0G 1206", 0.35),
    ("ceramic C0G", 0.12),
    ("ceramic X7R 1206", 0.25),
    ("ceramic X7R", 0.05),
    ("film PET", 0.35),
    ("aluminium electrolytic", 0.30),
    ("Schottky rectifier", 0.25),
    ("signal Schottky diode", 0.20),
    ("signal diode", 0.05),
    ("two Schottky diodes", 0.12),
    ("two signal diodes", 0.10),
    ("fuse 5 x 20 mm, slow", 3.20),
    ("fuse 5 x 20 mm, the value", 2.40),
    ("16-bit converter", 5.20),
    ("20-bit current and voltage monitor", 7.50),
    ("3.3 V linear regulator", 0.45),
    ("I2C isolator", 5.80),
    ("RP2040 board", 4.20),
    ("digital isolator", 2.10),
    ("isolated supply", 9.50),
    ("quad NAND", 0.45),
    ("filament lamp", 6.50),
    ("pin header", 0.90),
    ("varistor", 0.55),
    ("small N-channel FET", 0.15),
    ("NTC 10 k", 3.40),
    ("resettable fuse", 0.40),
    ("chip resistor 0805", 0.03),
    ("chip resistor 2010", 0.15),
    ("flameproof metal film", 0.20),
    ("fusible metal film", 0.25),
    ("thin film MELF", 0.30),
    ("metal glaze for mains", 0.30),
    ("power relay", 3.60),
    ("relay with forcibly guided contacts", 19.00),
    ("current sense resistor", 9.80),
    ("emergency-stop button", 24.00),
    ("push button", 2.20),
    ("one-way transient suppressor", 0.45),
    ("zener diode", 0.10),
)


@dataclass(frozen=True)
class Extra:
    """What is on no sheet and still has to be bought."""

    what: str
    rating: str
    example: str
    quantity: int
    unit_eur: float


EXTRAS = (
    Extra("circuit board, main", "FR-4 1.6 mm, 35 um, 8 mm slots", "any board house, 160 x 100 mm", 1, 12.0),
    Extra("circuit board, rail module", "FR-4 1.6 mm, 70 um, 8 mm slot", "any board house, 80 x 50 mm", 2, 6.0),
    Extra("circuit board, output module", "FR-4 1.6 mm, 35 um, 8 mm slot", "any board house, 80 x 50 mm", 2, 5.0),
    Extra("12 V adapter", "SELV, class II, 12 V, 1 A", "Mean Well GST18E12-P1J", 1, 11.0),
    Extra("case of the mains box", "insulating or earthed, flame retardant, closed", "Hammond 1591 series", 1, 18.0),
    Extra("case of a module", "insulating, flame retardant", "Hammond 1551 series", 4, 5.0),
    Extra("lamp holder E27", "closed, 250 V, 4 A, porcelain", "any approved holder", 1, 6.0),
    Extra("module cable, 0.5 m", "6 x 0.14 mm2, sleeved to 300 V", "JST XHP-6 and sleeve", 4, 4.0),
    Extra("test leads and insulated clips", "CAT II 300 V, 10 A", "4 mm safety leads, set", 2, 14.0),
    Extra("mains cord and plug", "3 x 1 mm2, with protective earth", "IEC 60320 C13", 1, 5.0),
)


def unit_price_eur(part: Part) -> float:
    """Return the estimated price of one, euros.

    Raises:
        KeyError: no price is known for this class.
    """
    for start, price in _BY_EXAMPLE:
        if part.example.startswith(start):
            return price
    for start, price in _BY_CLASS:
        if part.part_class.startswith(start):
            return price
    raise KeyError(f"{part.ref}: no price for {part.part_class!r}, add it to bom_prices.py")
