"""A board at its prompt that is a dictionary, and that fails when told to."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from benchwarden.core.procedure import NO, YES, Ask
from benchwarden.errors import BoardFault, LinkError
from benchwarden.install.board_files import BoardFacts, BoardFile
from wardenfw.program import ProgramCheck

# sys.implementation of MicroPython 1.24.1 on a Raspberry Pi Pico, as its prompt prints it (seen on the emulated chip).
PICO = BoardFacts("micropython", (1, 24, 1), "Raspberry Pi Pico with RP2040", 4870, "e66164084373532b", 1_400_000, 4096)


class FakePrompt:
    """Files by path, folders with a trailing slash.

    Attributes:
        cut_at: this change, counted from 0, is left half done and the board is gone.
        spoil: paths whose content is stored with one bit wrong.
        capacity_bytes: what the file system holds, whole blocks, whatever `facts` says.
        changes: changes so far.
    """

    def __init__(self, files: dict[str, bytes] | None = None, facts: BoardFacts = PICO) -> None:
        self.files: dict[str, bytes] = dict(files or {})
        for path in list(self.files):
            self._make_folders(path)
        self._facts = facts
        self.cut_at = -1
        self.spoil: set[str] = set()
        self.capacity_bytes = 1 << 30
        self.changes = 0
        self.gone = False
        self.restarted = False

    def _make_folders(self, path: str) -> None:
        for at, letter in enumerate(path[:-1]):
            if letter == "/":
                self.files.setdefault(path[: at + 1], b"")

    def _taken(self) -> int:
        return sum(-(-len(data) // 4096) * 4096 for data in self.files.values())

    def _ask(self) -> None:
        if self.gone:
            raise LinkError("fake: the board is gone; was the cable pulled?")

    def _changing(self) -> bool:
        """Count a change; False when the board goes in the middle of this one."""
        self._ask()
        self.gone = self.changes == self.cut_at
        self.changes += 1
        return not self.gone

    def facts(self) -> BoardFacts:
        self._ask()
        return self._facts

    def inventory(self, hashed: tuple[str, ...]) -> dict[str, BoardFile]:
        self._ask()
        return {
            path: BoardFile(len(data), hashlib.sha256(data).hexdigest() if path.startswith(hashed) else "")
            for path, data in self.files.items()
        }

    def read(self, path: str) -> bytes:
        self._ask()
        return self.files[path]

    def write(self, path: str, data: bytes) -> None:
        whole = self._changing()
        if path in self.spoil:
            data = bytes([data[0] ^ 1]) + data[1:]
        # Cut short, a file has any part of its content; half of it is one such part.
        self._make_folders(path)
        self.files[path] = data if whole else data[: len(data) // 2]
        if self._taken() > self.capacity_bytes:
            self.files[path] = b""
            raise BoardFault("fake: the board's flash is full (OSError: 28)")
        self._ask()

    def rename(self, path: str, to: str) -> None:
        # One step on littlefs: done or not done.
        if self._changing():
            self.files[to] = self.files.pop(path)
        self._ask()

    def remove(self, path: str) -> None:
        if self._changing():
            below = [other for other in self.files if path.endswith("/") and other.startswith(path) and other != path]
            if below:
                raise BoardFault(f"fake: {path} is not empty: {below}")
            del self.files[path]
        self._ask()

    def restart(self) -> None:
        self._ask()
        self.restarted = True
        self.gone = True

    def close(self) -> None:
        pass

    def plugged_in_again(self) -> FakePrompt:
        again = FakePrompt(self.files, self._facts)
        return again

    def could_arm(self) -> bool:
        """Would this board's firmware start and, by its own check of its program, arm?"""
        if "main.py" not in self.files:
            return False
        check = ProgramCheck(_Flash(self.files))
        return bool(check.run(lambda: None) == "ok")


class _Flash:
    """What firmware/wardenfw/flash.py is to the firmware."""

    def __init__(self, files: dict[str, bytes]) -> None:
        self._files = {path: data for path, data in files.items() if not path.endswith("/")}

    def size(self, name: str) -> int:
        return len(self._files[name]) if name in self._files else -1

    def read_into(self, name: str, offset: int, buf: bytearray) -> int:
        piece = self._files[name][offset : offset + len(buf)]
        buf[: len(piece)] = piece
        return len(piece)

    def names(self, folder: str) -> list[str]:
        return sorted(path for path in self._files if path.startswith(folder))


@dataclass
class Person:
    """Answers every question the same way and keeps what was asked and told."""

    says: str = YES
    asked: list[Ask] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    then: Callable[[Ask], Any] = lambda ask: None

    def answer(self, ask: Ask) -> str:
        self.asked.append(ask)
        self.then(ask)
        return self.says

    def tell(self, text: str) -> None:
        self.told.append(text)


def refuser() -> Person:
    return Person(NO)


def facts(**changed: Any) -> BoardFacts:
    return replace(PICO, **changed)
