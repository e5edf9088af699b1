"""The listing's form, against checksums computed by hand or by other programs."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.core.program_listing import NAME, ListedFile, ProgramListing, build_listing, parse_listing

FILES = {"wardenfw/app.mpy": b"abc", "boot.py": b"123456789", "main.py": b""}


def test_lines_carry_published_checksums() -> None:
    # CRC-32 of "123456789" is cbf43926: the check value of CRC-32/ISO-HDLC in the
    # catalogue of parametrised CRC algorithms (from memory). Of nothing it is 0.
    text = build_listing(FILES).to_bytes().decode()
    lines = text.splitlines()
    assert lines[0] == "cbf43926 9 boot.py"
    assert lines[1] == "00000000 0 main.py"
    assert lines[2].endswith(" 3 wardenfw/app.mpy")
    assert len(lines) == 4


def test_digest_is_what_sha256sum_says(tmp_path: Path) -> None:
    # coreutils' sha256sum is the other program.
    listing = build_listing(FILES)
    data = listing.to_bytes()
    head, last = data[: data.rindex(b"sha256 ")], data[data.rindex(b"sha256 ") :]
    path = tmp_path / "lines"
    path.write_bytes(head)
    said = subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True).stdout.split()[0]
    assert last == f"sha256 {said}\n".encode()
    assert listing.digest == said


names = st.from_regex(r"[a-z][a-z0-9_]{0,8}(/[a-z0-9_]{1,8}\.mpy)?", fullmatch=True)


@given(st.dictionaries(names, st.binary(max_size=64), min_size=1, max_size=8))
def test_what_is_built_is_read_back(files: dict[str, bytes]) -> None:
    listing = build_listing(files)
    assert parse_listing(listing.to_bytes()) == listing
    assert [file.path for file in listing.files] == sorted(files)


@given(st.data())
def test_no_changed_byte_and_no_cut_passes(data: st.DataObject) -> None:
    good = build_listing(FILES).to_bytes()
    at = data.draw(st.integers(0, len(good) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda byte: byte != good[at]))
    for bad in (good[:at], good[:at] + bytes([value]) + good[at + 1 :]):
        with pytest.raises(ValueError, match=NAME):
            parse_listing(bad)


@pytest.mark.parametrize("path", ["/boot.py", "a b.py", "../boot.py", "a/../b.py", "", "b\noot.py", "ä.py"])
def test_a_path_that_cannot_be_listed_is_named(path: str) -> None:
    with pytest.raises(ValueError, match="cannot be listed"):
        build_listing({path: b""})


def test_order_and_uniqueness_are_part_of_the_form() -> None:
    one, two = ListedFile("a.py", 1, 1), ListedFile("b.py", 1, 1)
    for wrong in ((two, one), (one, one), ()):
        with pytest.raises(ValueError, match="listing"):
            ProgramListing(wrong)
