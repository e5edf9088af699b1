"""Is the program on the board the installed one? Each way in which it can differ is named.

CRC-32 and SHA-256 come from zlib and hashlib, not from the firmware.
"""

from __future__ import annotations

import hashlib
import zlib

import firmware_fakes as fakes
import pytest

from wardenfw import program


def listing(files: dict[str, bytes]) -> bytes:
    lines = "".join(f"{zlib.crc32(files[path]):08x} {len(files[path])} {path}\n" for path in sorted(files)).encode()
    return lines + f"sha256 {hashlib.sha256(lines).hexdigest()}\n".encode()


@pytest.fixture
def flash() -> fakes.Flash:
    made = fakes.Flash()
    made.files = {
        "boot.py": b"boot",
        "main.py": b"",
        "wardenfw/app.mpy": bytes(range(256)) * 20,
        "wardenfw/sensors/ntc.mpy": b"n" * program.PIECE,
    }
    made.files["program.txt"] = listing(made.files)
    return made


def result(flash: fakes.Flash) -> str:
    check = program.ProgramCheck(flash)
    fed: list[int] = []
    assert check.run(lambda: fed.append(1)) == check.result
    assert check.info()["ok"] == (check.result == "ok")
    return check.result


def test_crc32_has_the_published_check_value() -> None:
    # CRC-32/ISO-HDLC of "123456789", from the catalogue of parametrised CRC algorithms, from memory.
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_an_installed_program_is_ok(flash: fakes.Flash) -> None:
    check = program.ProgramCheck(flash)
    assert check.result == program.NOT_YET
    assert check.run(lambda: None) == "ok"
    info = check.info()
    # The digest is of the lines before it.
    end = flash.files["program.txt"].rindex(b"sha256")
    assert info["digest"] == hashlib.sha256(flash.files["program.txt"][:end]).hexdigest()
    assert (info["files"], info["bytes"]) == (4, 4 + 5120 + program.PIECE)
    assert info["wrong"] == {}


def test_files_that_are_no_program_do_not_matter(flash: fakes.Flash) -> None:
    flash.files["cal_a.bin"] = b"1"
    flash.files["notes.txt"] = b"2"
    assert result(flash) == "ok"


@pytest.mark.parametrize("at", [0, 1, 1023, 1024, 4000, 5119])
def test_one_edited_bit_is_found_wherever_it_is(flash: fakes.Flash, at: int) -> None:
    data = bytearray(flash.files["wardenfw/app.mpy"])
    data[at] ^= 1
    flash.files["wardenfw/app.mpy"] = bytes(data)
    assert result(flash) == "wardenfw/app.mpy changed"


def test_missing_longer_and_strange_files_are_named(flash: fakes.Flash) -> None:
    del flash.files["boot.py"]
    flash.files["wardenfw/sensors/ntc.mpy"] += b"x"
    flash.files["wardenfw/app.py"] = b"print()"
    assert result(flash) == (
        "boot.py missing, wardenfw/app.py not part of the program, wardenfw/sensors/ntc.mpy has 1025 bytes, listed 1024"
    )


def test_many_wrong_files_are_counted(flash: fakes.Flash) -> None:
    for i in range(9):
        flash.files[f"extra{i}.py"] = b""
    assert result(flash).endswith(" and 6 more")


def test_a_module_in_the_root_that_would_be_imported_instead_is_a_stranger(flash: fakes.Flash) -> None:
    flash.files["lib/json.mpy"] = b""
    assert result(flash) == "lib/json.mpy not part of the program"


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        (lambda text: None, program.NO_LISTING),
        (lambda text: b"", "listing has 0 bytes"),
        (lambda text: text[:-10], "listing is cut short"),
        (lambda text: text[: text.rindex(b"sha256")], "listing is cut short"),
        (lambda text: text.replace(b"boot.py", b"boox.py"), "listing was edited"),
        (lambda text: text.replace(b"sha256 ", b"sha256 0"), "listing was edited"),
        (lambda text: b"\xff" * 200 + b"\n", "listing was edited"),
        (lambda text: text * 100, "listing has"),
    ],
)
def test_a_listing_that_is_none_says_why(flash: fakes.Flash, spoilt: object, said: str) -> None:
    text = spoilt(flash.files.pop("program.txt"))  # type: ignore[operator]
    if text is not None:
        flash.files["program.txt"] = text
    assert result(flash).startswith(said)


def test_every_torn_listing_is_refused(flash: fakes.Flash) -> None:
    whole = flash.files["program.txt"]
    for n in range(len(whole)):
        flash.files["program.txt"] = whole[:n]
        assert result(flash) != "ok", n


def test_a_pass_goes_in_pieces_and_begins_anew(flash: fakes.Flash) -> None:
    check = program.ProgramCheck(flash)
    steps = 1
    while not check.step():
        steps += 1
    # The listing, one piece a file and five for 5120 bytes, then the strangers.
    assert steps == 1 + (3 + 5) + 1
    assert check.passes == 1
    flash.files["boot.py"] = b"bool"
    while not check.step():
        assert check.result == "ok", "the old result stands until the new pass is whole"
    assert (check.result, check.passes) == ("boot.py changed", 2)


def test_flash_that_cannot_be_read_is_a_finding(flash: fakes.Flash, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(name: str, offset: int, buf: bytearray) -> int:
        raise OSError(5, "worn out")

    monkeypatch.setattr(flash, "read_into", refuse)
    assert result(flash).startswith("flash: OSError(5")
