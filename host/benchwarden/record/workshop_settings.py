"""What the workshop set for its paper: workshop.toml in a records folder."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from babel.numbers import list_currencies

from benchwarden.core.unit import load_toml
from benchwarden.core.workshop import Workshop
from benchwarden.errors import PlanError

NAME = "workshop.toml"
CATALOGUES = "catalogues"
LOGO_KINDS = (".png", ".jpg", ".jpeg", ".svg")
# What a letterhead has room for.
MOST_CHARACTERS = 60
MOST_ADDRESS = 40
MOST_LEGAL = 160
MOST_LINES = 5
# WCAG 2.2, success criterion 1.4.3: ordinary text against its ground.
LEAST_CONTRAST = 4.5
_DEMO = "report/demo_workshop.toml"
_LINES = {"name": MOST_CHARACTERS, "contact": MOST_ADDRESS * 2, "legal": MOST_LEGAL}


def load_workshop(records: Path) -> Workshop:
    """Return what `workshop.toml` in the records folder says; without the file a workshop without a name.

    A relative logo path is taken from that folder. Further language catalogues
    are looked for in its sub-folder `catalogues`.

    Raises:
        PlanError: the file is not what it should be; names file, key and what is allowed.
    """
    path = records / NAME
    folder = records / CATALOGUES
    catalogues = folder if folder.is_dir() else None
    if not path.exists():
        return Workshop(catalogues=catalogues)
    return workshop_from(load_toml(path), path, catalogues)


def demo_workshop() -> Workshop:
    """Return the invented workshop of the demonstration."""
    path = Path(str(resources.files("benchwarden").joinpath(_DEMO)))
    return workshop_from(load_toml(path), path)


def workshop_from(table: dict[str, Any], path: Path, catalogues: Path | None = None) -> Workshop:
    """Return the workshop held in a parsed file.

    Args:
        path: of the file, for errors and for a relative logo.

    Raises:
        PlanError: names file, key and what is allowed.
    """
    known = ("name", "address", "contact", "legal", "language", "currency", "logo", "time_zone", "accent")
    for key in table:
        if key not in known:
            raise PlanError(f"{path}: {key}; allowed: {', '.join(known)}")
    said: dict[str, Any] = {}
    for key, room in _LINES.items():
        said[key] = _line(table.get(key, ""), f"{path}: {key}", room)
    address = table.get("address", [])
    if not isinstance(address, list) or len(address) > MOST_LINES:
        raise PlanError(f"{path}: address = {str(address)[:80]}; allowed: a list of up to {MOST_LINES} lines")
    said["address"] = tuple(
        _line(line, f"{path}: address, line {number}", MOST_ADDRESS) for number, line in enumerate(address, 1)
    )
    for key, check in (("language", _language), ("currency", _currency), ("time_zone", _zone), ("accent", _accent)):
        if key in table:
            said[key] = check(table[key], f"{path}: {key} = {str(table[key])[:80]!r}")
    logo = table.get("logo", "")
    if logo:
        said["logo"] = _logo(logo, path)
    return Workshop(**said, catalogues=catalogues)


def _line(value: Any, where: str, room: int) -> str:
    if not isinstance(value, str) or len(value) > room or not value.isprintable():
        raise PlanError(f"{where} = {str(value)[:80]!r}; allowed: one line of up to {room} printable characters")
    return value.strip()


def _language(value: Any, where: str) -> str:
    # The name becomes part of a file's name.
    if isinstance(value, str) and re.fullmatch(r"[a-z]{2,3}([_-][A-Za-z]{2,4})?", value):
        try:
            return str(Locale.parse(value.replace("-", "_")))
        except (UnknownLocaleError, ValueError):
            pass
    raise PlanError(f"{where}; allowed: a language such as en, de or de_AT")


def _currency(value: Any, where: str) -> str:
    if isinstance(value, str) and value in list_currencies():
        return value
    raise PlanError(f"{where}; allowed: a currency code of ISO 4217 such as EUR, GBP or SEK")


def _zone(value: Any, where: str) -> str:
    try:
        return str(ZoneInfo(value).key)
    except (KeyError, OSError, ValueError, TypeError, AttributeError) as error:
        raise PlanError(f"{where}; allowed: a name of the IANA time zone database such as Europe/Berlin") from error


def _accent(value: Any, where: str) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"#[0-9a-fA-F]{6}", value):
        raise PlanError(f"{where}; allowed: a colour such as #0b4f5c")
    if contrast_with_white(value) < LEAST_CONTRAST:
        raise PlanError(f"{where}: too light to be read on white; allowed: a contrast of {LEAST_CONTRAST} or more")
    return value.lower()


def contrast_with_white(colour: str) -> float:
    """Return the contrast ratio of a colour "#rrggbb" with white, 1 to 21.

    Source:
        WCAG 2.2, definitions of "relative luminance" and "contrast ratio".
    """
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05)


def _logo(value: Any, path: Path) -> Path:
    if not isinstance(value, str) or Path(value).suffix.lower() not in LOGO_KINDS or "\0" in value:
        raise PlanError(f"{path}: logo = {str(value)[:80]!r}; allowed: a file {', '.join(LOGO_KINDS)}")
    return path.parent / value
