"""In which words and in whose spelling of numbers is the record printed?

The English text is the key, so a record can always be printed: what a
catalogue lacks, or has with other placeholders, comes out in English.
"""

from __future__ import annotations

import gettext
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from decimal import Decimal
from functools import cached_property
from importlib import resources
from io import BytesIO
from pathlib import Path
from string import Formatter
from typing import Any
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_datetime
from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import format_currency, get_decimal_symbol
from babel.units import format_unit

OWN = "en"
MOST_BYTES = 4 << 20
_UNITS_S = (("day", 86_400), ("hour", 3_600), ("minute", 60), ("second", 1))


def N_(message: str) -> str:
    """Return `message`; marks it for the catalogues where it is not translated on the spot."""
    return message


@dataclass(frozen=True)
class Wording:
    """Says things in one language; call it with the English text and what goes into its braces.

    Attributes:
        language: as asked for; "en" where there was no catalogue.
        zone: time zone of printed dates.
        trouble: what is wrong with the catalogue, in sentences.
    """

    language: str = OWN
    locale: Locale = field(default_factory=lambda: Locale.parse(OWN))
    zone: tzinfo = UTC
    trouble: tuple[str, ...] = ()
    translations: gettext.NullTranslations = field(default_factory=gettext.NullTranslations)

    def __call__(self, message: str, /, **values: Any) -> str:
        """Return `message` in this language with `values` in its places."""
        # The empty key is the catalogue's own heading.
        said = self.translations.gettext(message) if message else ""
        return said.format(**values) if values else said

    def plural(self, one: str, many: str, n: int, /, **values: Any) -> str:
        """Return the form that goes with `n`, which is in it as {n}."""
        return self.translations.ngettext(one, many, n).format(n=n, **values)

    @cached_property
    def decimal(self) -> str:
        """The decimal sign."""
        return get_decimal_symbol(self.locale)

    @property
    def is_own(self) -> bool:
        """Whether the analysis' own sentences are in this language too."""
        return self.language.partition("_")[0] == OWN

    def money(self, amount: Decimal, currency: str) -> str:
        """Return an amount of money."""
        return format_currency(amount, currency, locale=self.locale)

    def date(self, at: datetime) -> str:
        """Return day and time of a label."""
        zoned = at.astimezone(self.zone)
        shown: str = format_datetime(zoned, self(N_("d MMMM y, HH:mm")), locale=self.locale)
        return f"{shown} {zoned:%Z}"

    def day(self, at: datetime) -> str:
        """Return the day of a label."""
        return str(format_datetime(at.astimezone(self.zone), self(N_("d MMMM y")), locale=self.locale))

    def span(self, seconds: float) -> str:
        """Return a duration in full words, two units at most: "2 hours 3 minutes"."""
        if seconds != seconds or abs(seconds) > 1e12:
            return self(N_("an unknown time"))
        left = max(0, round(seconds))
        # What is left out below is rounded away above.
        unit_s = 60 if left >= 3_600 else 1
        left = (left + unit_s // 2) // unit_s * unit_s
        words: list[str] = []
        for name, size in _UNITS_S:
            count, left = divmod(left, size)
            if count or (name == "second" and not words):
                words.append(str(format_unit(count, f"duration-{name}", length="long", locale=self.locale)))
        return "\u00a0".join(words[0].split(" ")) + "".join(" " + "\u00a0".join(w.split(" ")) for w in words[1:2])


ENGLISH = Wording()


def placeholders(text: str) -> frozenset[str] | None:
    """Return what stands in a text's braces, None where they are not what a message may have."""
    try:
        parts = list(Formatter().parse(text))
    except ValueError:
        return None
    if any(name is not None and (spec or conversion or not name.isidentifier()) for _, name, spec, conversion in parts):
        return None
    return frozenset(name for _, name, _, _ in parts if name is not None)


def languages(folder: Path | None = None) -> tuple[str, ...]:
    """Return the languages there is a catalogue for, those in the user's `folder` among them."""
    own = [entry.name for entry in _own_folder().iterdir()]
    others = [entry.name for entry in folder.iterdir()] if folder is not None and folder.is_dir() else []
    return tuple(sorted({name[:-3] for name in (*own, *others) if name.endswith(".po")}))


def wording(language: str, folder: Path | None = None, time_zone: str = "UTC") -> Wording:
    """Return the wording of a language; in English, with the reason in `trouble`, where that cannot be had.

    Args:
        language: such as "de" or "de_AT"; the second falls back to "de.po".
        folder: the user's own catalogues; they go before those that came with the program.
    """
    zone = ZoneInfo(time_zone) if time_zone != "UTC" else UTC
    data, name = _catalogue_bytes(language, folder)
    if data is None:
        return Wording(zone=zone, trouble=(f"There is no catalogue for the language {language!r}.",))
    try:
        locale = Locale.parse(language)
        catalogue = read_po(BytesIO(data), locale=language.partition("_")[0], abort_invalid=True)
    except (PoFileError, ValueError, UnicodeError, LookupError) as error:
        return Wording(zone=zone, trouble=(f"The catalogue {name} cannot be read: {error}.",))
    wrong = _drop_damaged(catalogue)
    compiled = BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    trouble = (f"{wrong} entries of the catalogue {name} do not fit their English text.",) if wrong else ()
    return Wording(language, locale, zone, trouble, gettext.GNUTranslations(compiled))


def _own_folder() -> Any:
    return resources.files("benchwarden.report").joinpath("catalogues")


def _catalogue_bytes(language: str, folder: Path | None) -> tuple[bytes | None, str]:
    for name in dict.fromkeys((f"{language}.po", f"{language.partition('_')[0]}.po")):
        for place in (folder, _own_folder()):
            try:
                if place is not None and place.joinpath(name).is_file():
                    with place.joinpath(name).open("rb") as source:
                        return bytes(source.read(MOST_BYTES)), name
            except OSError:
                continue
    return None, language


def _drop_damaged(catalogue: Catalog) -> int:
    """Take out what would not fit into its place; return how many."""
    damaged = [message for message in catalogue if message.id and message.string and not _fits(message)]
    for message in damaged:
        message.string = ""
    return len(damaged)


def _fits(message: Message) -> bool:
    if isinstance(message.id, str):
        return placeholders(str(message.string)) == placeholders(message.id)
    # The form for one may leave the number out, the form for many has everything.
    needed = placeholders(message.id[-1]) or frozenset()
    held = [placeholders(text or "") for text in message.string or ("",)]
    return all(names is not None and names <= needed for names in held) and held[-1] == needed
