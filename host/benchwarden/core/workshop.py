"""Who prints the record: letterhead, language and money of a workshop."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Workshop:
    """A workshop as it stands on its paper.

    Attributes:
        name: as printed; "" prints a record without a letterhead.
        address: lines under the name.
        contact: one line, how to be reached.
        legal: one line at the foot of page one (register, tax number), "" for none.
        language: of the printed record, such as "en" or "de_AT".
        currency: ISO 4217 code.
        logo: PNG, JPEG or SVG file; None for none.
        time_zone: name in the IANA database that date labels are printed in.
        accent: colour of rules and headings, "#rrggbb"; "" for the usual one.
        catalogues: folder with further language catalogues; None for none.
    """

    name: str = ""
    address: tuple[str, ...] = ()
    contact: str = ""
    legal: str = ""
    language: str = "en"
    currency: str = "EUR"
    logo: Path | None = None
    time_zone: str = "UTC"
    accent: str = ""
    catalogues: Path | None = None
