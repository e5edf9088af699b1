"""The board's file system on the virtual bench: files in memory, with flash that wears and writes that are cut short.

Answers as wardenfw.flash.Flash does. Stricter than the part: a write while the
mains relay's coil is driven raises Misuse, because the chip stands still while
its flash is written.

Not modelled: littlefs and its copies (a cut write leaves the new beginning
without its end, the worst that may be found), room, ageing by use.

Times: 45 ms to erase 4 kB and 0.4 ms to program 256 bytes, usual for such
memories, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from errno import EIO

from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.parts import Misuse

SECTOR, SECTOR_US = 4096, 45_000
PAGE, PAGE_US = 256, 400


class FlashMemory:
    """
    Args:
        clock: writing takes virtual time.
        files: what is there at first, content by path.
        coil_on: tells whether the mains relay is held.
        lose_power: lets the board's supply dip to nothing and come back; does not return.

    Attributes:
        files: the content, by path.
        worn: None, or how cells fail: below 0.5 a write is refused, from 0.5 a bit of it is lost silently.
        cut_at: None, or the share of the next write after which the supply dips.
        on_change: None, or is told the content after every write.
    """

    def __init__(
        self,
        clock: VirtualClock,
        files: Mapping[str, bytes],
        coil_on: Callable[[], bool],
        lose_power: Callable[[], None],
    ) -> None:
        self._clock = clock
        self._coil_on = coil_on
        self._lose_power = lose_power
        self.files = {name: bytes(content) for name, content in files.items()}
        self.worn: float | None = None
        self.cut_at: float | None = None
        self.on_change: Callable[[Mapping[str, bytes]], None] | None = None

    def read_into(self, name: str, offset: int, buf: bytearray | memoryview) -> int:
        """Fill `buf` from byte `offset` of a file; return how many bytes, -1 when there is no such file."""
        content = self.files.get(name)
        if content is None:
            return -1
        piece = content[offset : offset + len(buf)]
        buf[: len(piece)] = piece
        return len(piece)

    def size(self, name: str) -> int:
        """Return a file's length in bytes, -1 when there is no such file."""
        content = self.files.get(name)
        return -1 if content is None else len(content)

    def names(self, folder: str) -> list[str]:
        """Return the sorted paths of all files in `folder` and below it, "" for all."""
        head = folder + "/" if folder else ""
        return sorted(name for name in self.files if name.startswith(head))

    def write(self, name: str, data: bytes | bytearray | memoryview) -> None:
        """Replace a file's content, or make the file.

        Raises:
            OSError: the cells refuse.
            Misuse: the mains relay is held meanwhile.
        """
        if self._coil_on():
            raise Misuse(f"{name} is written to flash with the mains relay held: the guard stands still meanwhile")
        content = bytes(data)
        self._clock.advance((len(content) // SECTOR + 1) * SECTOR_US + (len(content) // PAGE + 1) * PAGE_US)
        if self.cut_at is not None:
            self._put(name, content[: int(self.cut_at * len(content))])
            self.cut_at = None
            self._lose_power()
        if self.worn is not None:
            if self.worn < 0.5:
                raise OSError(EIO, "EIO")
            content = _bit_lost(content)
        self._put(name, content)

    def _put(self, name: str, content: bytes) -> None:
        self.files[name] = content
        if self.on_change is not None:
            self.on_change(self.files)


def _bit_lost(content: bytes) -> bytes:
    """Return the content with one programmed bit in its middle that did not hold."""
    at = len(content) // 2
    if not content:
        return content
    byte = content[at]
    return content[:at] + bytes((byte & byte - 1 if byte else 1,)) + content[at + 1 :]
