"""The seam below an installation: a board at its interpreter's prompt, as facts and files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class BoardFacts:
    """What the interpreter says of itself and its board.

    Attributes:
        interpreter: "micropython".
        version: major, minor, micro.
        machine: board and chip in words.
        mpy: number of sys.implementation._mpy, 0 when it loads no compiled files.
        board_id: unique id of the chip, hex.
        free_bytes, block_bytes: of the file system.
    """

    interpreter: str
    version: tuple[int, int, int]
    machine: str
    mpy: int
    board_id: str
    free_bytes: int
    block_bytes: int

    @property
    def version_text(self) -> str:
        return ".".join(str(part) for part in self.version)

    @property
    def mpy_version(self) -> int:
        """Format version of the compiled files it loads (low byte of `mpy`; docs.micropython.org, ".mpy files")."""
        return self.mpy & 0xFF


@dataclass(frozen=True)
class BoardFile:
    """One file on the board.

    Attributes:
        size_bytes: its length.
        sha256: of its content as read back, hex; "" where it was not asked for.
    """

    size_bytes: int
    sha256: str


class BoardFiles(Protocol):
    """A board at its prompt. Paths have no leading slash.

    Every call raises LinkError when the board is gone or falls silent, and
    BoardFault when it answers with an error.
    """

    def facts(self) -> BoardFacts:
        """Return what the interpreter says of itself."""
        ...

    def inventory(self, hashed: tuple[str, ...]) -> dict[str, BoardFile]:
        """Return every file, path to facts; read back and hashed where the path begins with one of `hashed`.

        A folder is listed with a trailing slash and size 0.
        """
        ...

    def read(self, path: str) -> bytes:
        """Return a file's content."""
        ...

    def write(self, path: str, data: bytes) -> None:
        """Make or replace a file, and its folder."""
        ...

    def rename(self, path: str, to: str) -> None:
        """Give a file another name in one step, replacing what has it."""
        ...

    def remove(self, path: str) -> None:
        """Remove a file, or an empty folder (trailing slash)."""
        ...

    def restart(self) -> None:
        """Reset the board; nothing else can be asked afterwards."""
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...
