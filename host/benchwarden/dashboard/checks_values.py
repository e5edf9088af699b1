"""How is a reading of a check typed: 0.22, 0R22, 4k7, 2M2, 100n?

Letters in the place of the decimal point are those of IEC 60062 (from memory: R, K and M of
ohms, p, n, u, m of farads); one behind the number means the same.
"""

from __future__ import annotations

import re

from benchwarden.dashboard.plan_form import number_of, number_text

_OHMS = {"R": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_FARADS = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "\N{MICRO SIGN}": 1e-6, "\N{GREEK SMALL LETTER MU}": 1e-6, "m": 1e-3}
_VOLTS = {"V": 1.0, "m": 1e-3, "k": 1e3}
# Letters that multiply, by the unit that a check takes its reading in; and what one such unit is.
_LETTERS = {"ohm": _OHMS, "nF": _FARADS, "uF": _FARADS, "V": _VOLTS}
_ONE = {"ohm": 1.0, "nF": 1e-9, "uF": 1e-6, "V": 1.0}
# The unit may be written behind; "100F" alone would be a hundred farads.
_WRITTEN = {"ohm": r"(?:ohms?|\N{OHM SIGN}|\N{GREEK CAPITAL LETTER OMEGA})", "nF": "F", "uF": "F", "V": "V"}
_NEEDS_LETTER = ("nF", "uF")
ALLOWED = {
    "ohm": "ohms as 0.22, 0R22, 4k7, 2M2 or 1.5M",
    "nF": "nanofarads as 100, or 100n, 4n7, 0.1u",
    "uF": "microfarads as 10000, or 4700u, 10m, 470n",
    "V": "volts as 0.56, or 560m",
}
# A meter shows no more, and a slip of the finger does.
_MOST = {"ohm": 1e12, "nF": 1e9, "uF": 1e9, "V": 1000.0}


def value_of(text: str, unit: str) -> float | None:
    """Return a typed value in the check's unit; None for an empty field.

    Raises:
        ValueError: it is none; names what is allowed.
    """
    bare = text.strip()
    if not bare:
        return None
    if len(bare) > 40:
        raise ValueError(f"{len(bare)} characters are no reading. Allowed: {ALLOWED[unit]}.")
    try:
        value = _read(bare, unit)
    except ValueError as error:
        raise ValueError(f"“{bare}” {error}. Allowed: {ALLOWED[unit]}.") from error
    if value < 0:
        raise ValueError(f"“{bare}” is below zero; give it without the sign.")
    if value > _MOST[unit]:
        raise ValueError(f"“{bare}” is more than {_MOST[unit]:g} {unit}. Allowed: {ALLOWED[unit]}.")
    return value


def typed(value: float | None, unit: str) -> str:
    """Return a value as it stands in its field, from which the same value is read again."""
    if value is None:
        return ""
    if unit == "ohm":
        for letter in ("G", "M", "k"):
            scaled = value / _OHMS[letter]
            text = f"{number_text(scaled)}{letter}"
            if scaled >= 1 and value <= _MOST[unit] and value_of(text, unit) == value:
                return text
    return number_text(value)


def _read(text: str, unit: str) -> float:
    letters = _LETTERS[unit]
    found = "".join(letters)
    written = _WRITTEN[unit]
    # The letter in the place of the point: 4k7, 0R22, R47, 10R.
    coded = re.fullmatch(rf"([0-9]*)([{found}])([0-9]*)\s*{written}?", text)
    if coded and (coded[1] or coded[3]):
        return _scaled(float(f"{coded[1] or 0}.{coded[3] or 0}"), letters[coded[2]], unit)
    behind = re.fullmatch(rf"(.*?)\s*([{found}])\s*{written}?", text)
    if behind:
        return _scaled(number_of(behind[1]), letters[behind[2]], unit)
    return number_of(text if unit in _NEEDS_LETTER else re.sub(rf"\s*{written}$", "", text))


def _scaled(number: float, factor: float, unit: str) -> float:
    # Powers of ten apart: dividing by one is exact where multiplying by its inverse is not.
    ratio = factor / _ONE[unit]
    return number * round(ratio) if ratio >= 1 else number / round(1 / ratio)
