"""The listing of the program on a board: what must be there, byte for byte.

Text, one line a file, sorted by path: CRC-32 (eight hex digits), size in bytes,
path as on the board. The last line is `sha256 ` and the digest of all bytes
before it, so a listing that was cut short or edited is no listing. The CRC is
what a small board can check piece by piece; the digest names the whole program.
"""

from __future__ import annotations

import hashlib
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

NAME = "program.txt"
SHORT_DIGITS = 16  # of the digest, in a board's hello

_LINE = re.compile(r"([0-9a-f]{8}) (0|[1-9][0-9]*) ([A-Za-z0-9_./-]+)")
_LAST = re.compile(r"sha256 ([0-9a-f]{64})")


@dataclass(frozen=True)
class ListedFile:
    """One file of the program.

    Attributes:
        path: as on the board, without a leading slash.
        size_bytes: its length.
        crc32: of its bytes, as zlib counts it.
    """

    path: str
    size_bytes: int
    crc32: int


@dataclass(frozen=True)
class ProgramListing:
    """Every file of a program, sorted by path, each path once."""

    files: tuple[ListedFile, ...]

    def __post_init__(self) -> None:
        paths = [file.path for file in self.files]
        if not paths:
            raise ValueError("a program listing names no file; expected at least one")
        if paths != sorted(set(paths)):
            raise ValueError("the paths of a program listing are not sorted, or one is there twice")
        for file in self.files:
            if not _LINE.fullmatch(_line(file)) or ".." in file.path.split("/") or file.path.startswith("/"):
                raise ValueError(
                    f"{file.path!r} cannot be listed; allowed: letters, digits, '_', '-', '.', '/', no leading '/'"
                )

    @property
    def digest(self) -> str:
        """SHA-256 of the lines, 64 hex digits: the name of this program."""
        return hashlib.sha256(self._lines()).hexdigest()

    def to_bytes(self) -> bytes:
        """Return the listing as it lies on the board."""
        return self._lines() + f"sha256 {self.digest}\n".encode()

    def _lines(self) -> bytes:
        return "".join(f"{_line(file)}\n" for file in self.files).encode()


def _line(file: ListedFile) -> str:
    return f"{file.crc32:08x} {file.size_bytes:d} {file.path}"


def build_listing(files: Mapping[str, bytes]) -> ProgramListing:
    """Return the listing of `files`, path on the board to content.

    Raises:
        ValueError: no file, or a path that a listing cannot hold.
    """
    return ProgramListing(tuple(ListedFile(path, len(files[path]), zlib.crc32(files[path])) for path in sorted(files)))


def parse_listing(data: bytes) -> ProgramListing:
    """Read a listing, strictly: what this returns has `to_bytes() == data`.

    Raises:
        ValueError: naming the first line that is wrong and what was expected.
    """
    try:
        text = data.decode("ascii")
    except UnicodeDecodeError as error:
        raise ValueError(f"{NAME}: byte {error.start} is not ASCII") from error
    lines = text.split("\n")
    if lines[-1] != "" or len(lines) < 2:
        raise ValueError(f"{NAME}: cut short, the last line has no end")
    last = _LAST.fullmatch(lines[-2])
    if last is None:
        raise ValueError(f"{NAME}: the last line is {lines[-2]!r}, expected 'sha256 ' and 64 hex digits")
    files = []
    for number, line in enumerate(lines[:-2], 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise ValueError(f"{NAME}: line {number} is {line!r}, expected CRC-32 (8 hex digits), size, path")
        files.append(ListedFile(match[3], int(match[2]), int(match[1], 16)))
    try:
        listing = ProgramListing(tuple(files))
    except ValueError as error:
        raise ValueError(f"{NAME}: {error}") from error
    if listing.digest != last[1]:
        raise ValueError(
            f"{NAME}: digest {last[1][:16]}..., its lines give {listing.digest[:16]}...: edited or damaged"
        )
    return listing
