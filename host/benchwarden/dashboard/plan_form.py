"""How are unit facts typed: from text in fields to a `Unit`, and back, with words for what is wrong?"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from benchwarden.core.unit import Unit, checked_fact
from benchwarden.core.unit_facts import FACTS, Fact
from benchwarden.errors import PlanError

# Longer than anything on a plate.
TEXT_ROOM = 400
# An invented set to begin from.
EXAMPLE = Unit(
    run="first power-up after new output transistors, left channel",
    customer="M. Lindqvist, job 2041",
    model="Brackwater Integrated 60",
    serial="BW60-01873",
    technician="Lindenmoor repair workshop, bench 2",
    rated_power_w=60.0,
    load_ohm=8.0,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    package="metal-can",
    limiter_lamp_w=100.0,
    reservoir_uf=10000.0,
)

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
# "10,000" is ten to one reader and ten thousand to another.
_AMBIGUOUS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_BLANKS = re.compile("[ \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}']+")


@dataclass(frozen=True)
class Entry:
    """What was made of the fields.

    Attributes:
        unit: None while something is wrong.
        wrong: what is wrong, by fact, in words that name what is allowed.
    """

    unit: Unit | None
    wrong: dict[str, str]


def number_of(text: str) -> float:
    """Return a number typed with decimal point or comma.

    Raises:
        ValueError: it is no number, or can be read in two ways; says which.
    """
    bare = _BLANKS.sub("", text.strip()).replace("\N{MINUS SIGN}", "-")
    if _AMBIGUOUS.fullmatch(bare):
        point, plain = bare.replace(",", "."), bare.replace(",", "")
        raise ValueError(f"can be read as {point} or as {plain}: write it without the comma")
    if not _NUMBER.fullmatch(bare):
        raise ValueError("is not a number")
    return float(bare.replace(",", "."))


def number_text(value: float, reads: Callable[[float], float] = float) -> str:
    """Return the shortest text from which `value` is read again.

    Args:
        reads: turns the typed number into the value's unit.
    """
    for digits in range(1, 18):
        text = f"{value:.{digits}g}"
        if reads(float(text)) == reads(value) and "e" not in text:
            return text
    return repr(value).removesuffix(".0")


def text_of(fact: Fact, value: Any) -> str:
    """Return a fact's value as it stands in its field."""
    if value is None:
        return ""
    if fact.kind == "yes-no":
        return "yes" if value else "no"
    return str(value) if fact.kind in ("text", "choice", "whole") else number_text(value)


def texts_of(unit: Unit) -> dict[str, str]:
    """Return what stands in each field for `unit`; a fact that is estimated stays empty."""
    return {fact.key: text_of(fact, getattr(unit, fact.key)) for fact in FACTS}


def empty_texts() -> dict[str, str]:
    """Return the fields as they begin: defaults where there are any."""
    return {fact.key: text_of(fact, fact.default) for fact in FACTS}


def entry_of(texts: Mapping[str, str | None]) -> Entry:
    """Return the unit facts that the fields hold, or what is wrong with them."""
    values: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for fact in FACTS:
        try:
            value = _value(fact, texts.get(fact.key) or "")
        except ValueError as error:
            wrong[fact.key] = str(error)
            continue
        if value is not None:
            values[fact.key] = value
    return Entry(None if wrong else Unit(**values), wrong)


def _value(fact: Fact, text: str) -> Any:
    """Return a fact's value, None for one left to its default or estimate.

    Raises:
        ValueError: in words for the person at the field.
    """
    if fact.kind == "text":
        if len(text) > TEXT_ROOM:
            raise ValueError(f"{len(text)} characters are too long. Allowed: up to {TEXT_ROOM}.")
        if any("\ud800" <= ch <= "\udfff" for ch in text):
            raise ValueError("Holds a broken character that no file can hold. Type it again.")
        return text
    if not text.strip():
        if fact.needed:
            raise ValueError(f"Needed, and empty. Allowed: {fact.allowed}.")
        return None
    value: Any = text
    if fact.kind == "yes-no":
        value = {"yes": True, "no": False}.get(text, text)
    elif fact.kind in ("number", "whole"):
        try:
            value = number_of(text)
        except ValueError as error:
            raise ValueError(f"“{text.strip()}” {error}. Allowed: {fact.allowed}.") from error
    try:
        return checked_fact("", fact.key, value)
    except PlanError as error:
        raise ValueError(f"“{text.strip()}” is not possible here. Allowed: {fact.allowed}.") from error
