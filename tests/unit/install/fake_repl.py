"""A board's interpreter behind a pseudo-terminal: prompt, raw prompt, raw paste; after a reset, the firmware.

The protocol is that of docs.micropython.org, "The MicroPython Interactive
Interpreter Mode (aka REPL)", raw mode and raw-paste mode. Code is run by this
Python on a folder, with the few modules of the board that the installer uses;
the same installer is run on a genuine interpreter by tests/emulator and
tests/micropython.
"""

from __future__ import annotations

import builtins
import contextlib
import io
import json
import os
import pty
import select
import struct
import threading
import tty
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchwarden.core.program_listing import NAME, SHORT_DIGITS, parse_listing
from wardenfw import wire

WINDOW = 128
BLOCK = 4096
FOLDER, FILE = 0x4000, 0x8000
BANNER = b"raw REPL; CTRL-B to exit\r\n>"


_TIME = types.SimpleNamespace(sleep_ms=lambda ms: None)


class _Gone(Exception):
    """The plug was pulled."""


class FakeRepl:
    """
    Args:
        root: folder that is the board's file system.

    Attributes:
        name: of the terminal.
        runs_firmware: answers with frames instead of a prompt.
        cut_at: pull the plug when this piece of code, counted from 0, has been run half.
        capacity_bytes: of the file system, counted in bytes of the files.
        deaf: never answers.
        ran: pieces of code so far.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)
        self.runs_firmware = False
        self.cut_at = -1
        self.capacity_bytes = 1_400_000
        self.machine = "Raspberry Pi Pico with RP2040"
        self.version = (1, 24, 1)
        self.deaf = False
        self.ran = 0
        self._resetting = False
        self._out = io.StringIO()
        self._opened: list[_File] = []
        self._globals = self._fresh()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> FakeRepl:
        self._thread.start()
        return self

    def __exit__(self, *gone: object) -> None:
        self._stop.set()
        self._thread.join()
        for file in self._opened:
            file.close()
        for fd in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)

    # Bytes.

    def _read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            if self._stop.is_set():
                raise _Gone
            if select.select([self._master], [], [], 0.05)[0]:
                data += os.read(self._master, count - len(data))
        return data

    def _write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def _serve(self) -> None:
        try:
            while True:
                if self.deaf:
                    self._read(1)
                elif self.runs_firmware:
                    self._firmware()
                else:
                    self._prompt()
        except _Gone:
            return

    # The interpreter.

    def _prompt(self) -> None:
        while True:
            byte = self._read(1)
            if byte == b"\x01":
                self._write(BANNER)
                self._raw()
                if self.runs_firmware:
                    return
            elif byte in b"\r\x03\x02":
                self._write(b"\r\n>>> ")
            # Anything else would be echoed and, at the end of a line, run; nobody looks.

    def _raw(self) -> None:
        line = b""
        while True:
            byte = self._read(1)
            if byte == b"\x02":
                self._write(b"\r\n>>> ")
                return
            if byte == b"\x01":
                line = b""
                self._write(BANNER)
            elif byte == b"\x03":
                line = b""
            elif byte == b"\x05" and not line:
                assert self._read(2) == b"A\x01"
                self._write(b"R\x01" + struct.pack("<H", WINDOW))
                if self._run(self._pasted()):
                    return
            elif byte == b"\x04":
                self._write(b"OK")
                if not line.strip():
                    self._globals = self._fresh()
                    self._write(b"\r\nMPY: soft reboot\r\n" + BANNER)
                elif self._run(line):
                    return
                line = b""
            else:
                line += byte

    def _pasted(self) -> bytes:
        code = bytearray()
        while True:
            byte = self._read(1)
            if byte == b"\x04":
                self._write(b"\x04")
                return bytes(code)
            code += byte
            if len(code) % WINDOW == 0:
                self._write(b"\x01")

    def _run(self, code: bytes) -> bool:
        """Run one piece; True when it ended the prompt."""
        # Functions of earlier pieces print, too: one output for all, emptied for each.
        self._out.seek(0)
        self._out.truncate()
        error = ""
        try:
            exec(code.decode(), self._globals)  # the point of a prompt
        except OSError as problem:
            error = f"OSError: [Errno {problem.errno}] E\r\n"
        except Exception as problem:  # noqa: BLE001 - whatever it was, a prompt prints it
            error = f"{problem!r}\r\n"
        if error:
            error = f'Traceback (most recent call last):\r\n  File "<stdin>", line 1, in <module>\r\n{error}'
        self.ran += 1
        if self.ran - 1 == self.cut_at:
            for fd in (self._master, self._slave):
                os.close(fd)
            raise _Gone
        if self._resetting:
            self._resetting = False
            self._globals = self._fresh()
            self.runs_firmware = (self._root / "main.py").exists()
            return True
        self._write(self._out.getvalue().replace("\n", "\r\n").encode() + b"\x04" + error.encode() + b"\x04>")
        return False

    def _fresh(self) -> dict[str, Any]:
        table = dict(vars(builtins))
        modules = {"os": self._os(), "machine": self._machine(), "sys": self._sys(), "time": _TIME}

        def importing(name: str, *rest: Any) -> Any:
            return modules[name] if name in modules else __import__(name, *rest)

        table["__import__"] = importing
        table["open"] = self._open
        table["print"] = lambda *words: print(*words, file=self._out)
        return {"__builtins__": table}

    def _path(self, path: str) -> Path:
        return self._root / path.lstrip("/")

    def _open(self, path: str, mode: str) -> Any:
        file = _File(self, self._path(path).open(mode, buffering=0))
        self._opened.append(file)
        return file

    def used(self) -> int:
        return sum(path.stat().st_size for path in self._root.rglob("*") if path.is_file())

    def _os(self) -> Any:
        def listing(path: str = "") -> Iterator[tuple[str, int, int, int]]:
            for entry in self._path(path).iterdir():
                yield entry.name, FOLDER if entry.is_dir() else FILE, 0, entry.stat().st_size

        def facts(path: str) -> tuple[int, ...]:
            free = (self.capacity_bytes - self.used()) // BLOCK
            return BLOCK, BLOCK, self.capacity_bytes // BLOCK, free, free, 0, 0, 0, 0, 255

        return types.SimpleNamespace(
            chdir=lambda path: None,
            ilistdir=listing,
            statvfs=facts,
            stat=lambda path: tuple(self._path(path).stat()),
            mkdir=lambda path: self._path(path).mkdir(),
            rmdir=lambda path: self._path(path).rmdir(),
            remove=lambda path: self._path(path).unlink(),
            rename=lambda path, to: self._path(path).rename(self._path(to)),
        )

    def _machine(self) -> Any:
        def reset() -> None:
            self._resetting = True

        return types.SimpleNamespace(unique_id=lambda: bytes.fromhex("e66164084373532b"), reset=reset)

    def _sys(self) -> Any:
        implementation = types.SimpleNamespace(
            name="micropython", version=(*self.version, ""), _machine=self.machine, _mpy=4870
        )
        return types.SimpleNamespace(implementation=implementation, platform="rp2")

    # The firmware.

    def _firmware(self) -> None:
        """Answer hello and self-test requests as the installed firmware would."""
        line = bytearray()
        while self.runs_firmware:
            byte = self._read(1)
            if byte != b"\n":
                line += byte
                continue
            with contextlib.suppress(wire.WireError):
                self._answer(*wire.decode(bytes(line))[1:])
            line.clear()

    def _answer(self, kind: int, seq: int, payload: bytes) -> None:
        digest = parse_listing((self._root / NAME).read_bytes()).digest
        if kind == wire.HELLO_REQUEST:
            words = {
                "board": "e66164084373532b",
                "fw": "0.1.0",
                "wire": wire.WIRE_VERSION,
                "mpy": "1.24.1",
                "boot": 7,
                "selftest": {"ok": False, "parts": {"rail_pos": "does not answer"}, "tested": 2},
                "state": "fault",
                "program": digest[:SHORT_DIGITS],
            }
            self._write(wire.encode(wire.HELLO, 1, json.dumps(words).encode()))
        elif kind == wire.INFO_REQUEST:
            topic, part = wire.unpack_info_request(payload)
            words = {"ok": False, "parts": {"program": "ok", "rail_pos": "does not answer"}}
            self._write(wire.encode(wire.INFO, 2, wire.pack_info(topic, part, 1, json.dumps(words).encode())))


class _File:
    """A file whose writes end when the board's flash is full."""

    def __init__(self, board: FakeRepl, file: Any) -> None:
        self._board, self._file = board, file

    def write(self, data: bytes) -> int:
        if self._board.used() + len(data) > self._board.capacity_bytes:
            raise OSError(28, "ENOSPC")
        return int(self._file.write(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> _File:
        return self

    def __exit__(self, *error: object) -> None:
        self._file.close()
