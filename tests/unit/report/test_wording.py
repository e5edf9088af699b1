"""Each language says everything, and a damaged catalogue costs nothing but its own entries."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from importlib import resources
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from report_messages import all_messages

from benchwarden.report.wording import ENGLISH, languages, placeholders, wording


def catalogue(language: str) -> Catalog:
    source = resources.files("benchwarden.report").joinpath("catalogues", f"{language}.po")
    with source.open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_catalogue_has_every_message_and_nothing_else(language: str) -> None:
    held = {message.id: message for message in catalogue(language) if message.id}
    wanted = all_messages()
    assert len(wanted) > 450
    assert {key: where for key, where in wanted.items() if key not in held} == {}
    assert [key for key in held if key not in wanted] == []
    assert [key for key, message in held.items() if not message.string or message.fuzzy] == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_translation_fits_its_places(language: str) -> None:
    assert wording(language).trouble == ()
    for message in catalogue(language):
        if message.id and isinstance(message.id, str):
            assert placeholders(message.string) == placeholders(message.id), message.id


def test_german_is_not_english() -> None:
    same = [m.id for m in catalogue("de") if isinstance(m.id, str) and m.id and m.id == m.string]
    assert sorted(same) == ["Firmware", "virtual bench", "{rate} Hz"]
    say = wording("de")
    assert say("Heatsink, left") == "Kühlkörper, links"
    assert say("Bias drop") == "Ruhestromabfall"


def test_numbers_dates_and_money_are_put_as_the_language_does() -> None:
    # Unicode CLDR, locales de and sv: decimal comma, long date, place of the currency sign.
    say = wording("de", time_zone="Europe/Berlin")
    at = datetime(2026, 3, 14, 9, 26, tzinfo=UTC)
    assert say.decimal == ","
    assert say.date(at) == "14. März 2026, 10:26 MEZ" or say.date(at) == "14. März 2026, 10:26 CET"
    assert say.money(Decimal("1234.5"), "EUR") == "1.234,50\u00a0€"
    assert ENGLISH.money(Decimal("48"), "EUR") == "€48.00"
    assert ENGLISH.date(at) == "14 March 2026, 09:26 UTC"
    assert say.span(90_061).replace("\u00a0", " ") == "1 Tag 1 Stunde"
    assert ENGLISH.span(3599.6).replace("\u00a0", " ") == "1 hour"
    assert ENGLISH.span(0).replace("\u00a0", " ") == "0 seconds"
    assert ENGLISH.span(float("nan")) == "an unknown time"


def test_plural_forms_are_those_of_the_language() -> None:
    say = wording("de")
    one, many = "{n} warning, listed under findings.", "{n} warnings, listed under findings."
    assert say.plural(one, many, 1) == "1 Warnung, siehe Befunde."
    assert say.plural(one, many, 3) == "3 Warnungen, siehe Befunde."
    assert ENGLISH.plural(one, many, 1) == "1 warning, listed under findings."


HEAD = 'msgid ""\nmsgstr ""\n"Language: {}\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n{}\n'


def own(folder: Path, language: str, entries: str, forms: str = "") -> Path:
    plural = f'"Plural-Forms: {forms}\\n"\n' if forms else ""
    (folder / f"{language}.po").write_text(HEAD.format(language, plural) + entries, encoding="utf-8")
    return folder


def test_a_third_language_is_a_file_in_a_folder(tmp_path: Path) -> None:
    own(tmp_path, "sv", 'msgid "Passed"\nmsgstr "Godkänd"\n')
    assert set(languages(tmp_path)) == {"de", "en", "sv"}
    say = wording("sv", tmp_path)
    assert say("Passed") == "Godkänd"
    assert say("Tripped") == "Tripped"  # what it lacks is English
    assert say.decimal == ","
    assert not say.trouble


def test_plural_forms_beyond_two_are_kept(tmp_path: Path) -> None:
    # GNU gettext manual, "Plural forms": Polish has three.
    forms = "nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2);"
    entry = 'msgid "{n} warning, listed under findings."\nmsgid_plural "{n} warnings, listed under findings."\n'
    entry += 'msgstr[0] "{n} a"\nmsgstr[1] "{n} b"\nmsgstr[2] "{n} c"\n'
    say = wording("pl", own(tmp_path, "pl", entry, forms))
    one, many = "{n} warning, listed under findings.", "{n} warnings, listed under findings."
    assert [say.plural(one, many, n) for n in (1, 2, 5, 22)] == ["1 a", "2 b", "5 c", "22 b"]


@pytest.mark.parametrize(
    "said", ["Lauf", "Lauf {which}", "Lauf {run} {more}", "Lauf {run.__class__}", "Lauf {run!r}", "Lauf {run:>9}", "{"]
)
def test_a_translation_with_other_places_falls_back_to_english(tmp_path: Path, said: str) -> None:
    folder = own(tmp_path, "de", f'msgid "Run {{run}}"\nmsgstr "{said}"\n\nmsgid "Passed"\nmsgstr "Gut"\n')
    say = wording("de", folder)
    assert say("Run {run}", run="x") == "Run x"
    assert say("Passed") == "Gut"
    assert "1 entries of the catalogue de.po" in say.trouble[0]


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b'msgid "a\nmsgstr', b"\x00" * 100, b'msgid "a"\nmsgid "b"\n'])
def test_a_damaged_catalogue_prints_english_and_says_so(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "de.po").write_bytes(data)
    say = wording("de", tmp_path)
    assert say("Passed") == "Passed"
    assert say.language in ("en", "de")


def test_a_language_without_a_catalogue_prints_english_and_says_so() -> None:
    say = wording("fr")
    assert say("Passed") == "Passed"
    assert say.language == "en"
    assert "no catalogue for the language 'fr'" in say.trouble[0]
    assert wording("de_AT")("Passed") == "Bestanden"


def test_words_from_a_run_are_never_taken_for_a_message() -> None:
    say = wording("de")
    assert say("") == ""
    assert say("{0.__class__} %s") == "{0.__class__} %s"
    assert say("Run {run}", run="{run} {0}") == "Lauf {run} {0}"
