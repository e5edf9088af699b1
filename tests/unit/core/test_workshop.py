"""The workshop's settings: what is in the file, and what is wrong with one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchwarden.core.workshop import Workshop
from benchwarden.errors import PlanError
from benchwarden.record.workshop_settings import contrast_with_white, demo_workshop, load_workshop


def written(folder: Path, text: str) -> Path:
    (folder / "workshop.toml").write_text(text, encoding="utf-8")
    return folder


def test_without_a_file_there_is_a_workshop_without_a_name(tmp_path: Path) -> None:
    assert load_workshop(tmp_path) == Workshop()
    (tmp_path / "catalogues").mkdir()
    assert load_workshop(tmp_path).catalogues == tmp_path / "catalogues"


def test_every_key_is_taken(tmp_path: Path) -> None:
    text = """
name = "Quarrystone Audio"
address = ["1 Weir Road", "Nether Hallow"]
contact = "bench@quarrystone.example"
legal = "Register 00000"
language = "de-AT"
currency = "SEK"
logo = "mark.svg"
time_zone = "Europe/Stockholm"
accent = "#0B4F5C"
"""
    found = load_workshop(written(tmp_path, text))
    assert found == Workshop(
        "Quarrystone Audio",
        ("1 Weir Road", "Nether Hallow"),
        "bench@quarrystone.example",
        "Register 00000",
        "de_AT",
        "SEK",
        tmp_path / "mark.svg",
        "Europe/Stockholm",
        "#0b4f5c",
    )


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('nam = "x"', "nam; allowed: name, address"),
        ("name = 3", "name = '3'; allowed: one line"),
        ('name = "a\\nb"', "name = 'a\\nb'; allowed: one line"),
        (f'name = "{"x" * 61}"', "allowed: one line of up to 60"),
        ('address = "street"', "address = street; allowed: a list"),
        ('address = ["1", "2", "3", "4", "5", "6"]', "allowed: a list of up to 5 lines"),
        ('address = ["ok", 7]', "address, line 2 = '7'"),
        ('language = "../de"', "language = '../de'; allowed: a language such as"),
        ('language = "xx"', "language = 'xx'; allowed: a language such as"),
        ('currency = "euro"', "currency = 'euro'; allowed: a currency code of ISO 4217"),
        ('time_zone = "Mars/Olympus"', "time_zone = 'Mars/Olympus'; allowed: a name of the IANA"),
        ('time_zone = "../etc/passwd"', "allowed: a name of the IANA"),
        ('accent = "teal"', "accent = 'teal'; allowed: a colour such as"),
        ('accent = "#ffee00"', "too light to be read on white"),
        ('logo = "mark.exe"', "logo = 'mark.exe'; allowed: a file .png"),
        ("logo = 7", "logo = '7'; allowed: a file .png"),
        ("name = ", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_named_with_file_key_and_what_is_allowed(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(PlanError) as error:
        load_workshop(written(tmp_path, line + "\n"))
    assert words in str(error.value)
    assert "workshop.toml" in str(error.value)


@pytest.mark.parametrize(
    ("colour", "ratio"),
    # 21:1 from the definition in WCAG 2.2; the two greys on either side of 4.5:1 are widely published, from memory.
    [("#000000", 21.0), ("#ffffff", 1.0), ("#767676", 4.54), ("#777777", 4.48)],
)
def test_contrast_is_that_of_the_guidelines(colour: str, ratio: float) -> None:
    assert contrast_with_white(colour) == pytest.approx(ratio, abs=0.005)


def test_the_demonstration_has_a_workshop_that_says_it_is_invented() -> None:
    found: Any = demo_workshop()
    assert found.logo.is_file()
    assert "invented" in found.legal
    assert found.contact.endswith(".example")  # RFC 2606: never anybody's
