"""A real board at its prompt, spoken to through mpremote's serial transport.

Used as a library, not as a program: one connection and one raw REPL for the
whole installation instead of an interpreter started per step, and a failure
arrives as an exception that says whose it is. Of mpremote only four things are
used (connect, enter the raw REPL, execute, close). Its file functions are not:
they turn an error on the board and an error of the cable into the same OSError,
and they send a byte of a compiled file as three.
"""

from __future__ import annotations

import ast
import binascii
import contextlib
import io
import json
import re
import struct
from collections.abc import Callable, Iterator
from typing import Any

import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from benchwarden.errors import BoardFault, LinkError
from benchwarden.install.board_files import BoardFacts, BoardFile

# Between two characters of an answer. Erasing flash and hashing a file stay far
# below it; a file system that must be tidied up first may take seconds.
_SILENCE_S = 30.0
# For the prompt to show; a soft reset of a board with a full heap takes well under a second.
_ENTER_S = 10.0
# 3 bytes become 4 letters; a piece and its compiled form fit a crowded heap.
_PIECE_BYTES = 3 * 768

_SETUP = """
import os
from binascii import a2b_base64 as _d, b2a_base64 as _e
from hashlib import sha256 as _s
os.chdir('/')
_b = bytearray(512)
def _h(p):
    s = _s()
    m = memoryview(_b)
    with open(p, 'rb') as f:
        while True:
            n = f.readinto(_b)
            if not n:
                return s.digest()
            s.update(m[:n])
def _w(d, t):
    for e in os.ilistdir(d) if d else os.ilistdir():
        p = d + '/' + e[0] if d else e[0]
        if e[1] & 0x4000:
            print([p + '/', 0, b''])
            _w(p, t)
        else:
            h = b''
            for x in t:
                if p.startswith(x):
                    h = _h(p)
            print([p, os.stat(p)[6], h])
def _o(p):
    global _f
    _f = open(p, 'wb')
def _p(t):
    if _f.write(_d(t)) != len(_d(t)):
        raise OSError(28)
"""
_FACTS = """
import sys, json, machine
i = sys.implementation
v = os.statvfs('/')
print(json.dumps([i.name, list(i.version[:3]), getattr(i, '_machine', sys.platform), getattr(i, '_mpy', 0),
    ''.join('%02x' % c for c in machine.unique_id()), v[4] * v[1], v[1]]))
"""
_READ = """
with open({path!r}, 'rb') as f:
    while True:
        b = f.read(512)
        if not b:
            break
        print(_e(b))
"""
_MAKE_FOLDER = """
try:
    os.stat({path!r})
except OSError:
    os.mkdir({path!r})
"""
_RESTART = "import machine, time\ntime.sleep_ms(50)\nmachine.reset()"

_ERRNO = re.compile(r"OSError: (?:\[Errno )?(\d+)")
_NO_ROOM = 28


class PromptBoard:
    """The board behind one serial port."""

    def __init__(self, port_name: str, connecting: Callable[..., Any] = SerialTransport) -> None:
        """Open the port and bring the interpreter to its raw prompt, with an empty heap.

        Args:
            connecting: makes the transport, called with the port's name and a timeout.

        Raises:
            LinkError: there is no prompt behind the port.
        """
        self._name = port_name
        self._folders: set[str] = set()  # known to be there
        self._transport: Any = None
        with self._speaking():
            self._transport = connecting(port_name, timeout=_ENTER_S)
            self._transport.serial.write_timeout = _SILENCE_S
        try:
            with self._speaking("no MicroPython prompt answers there: "):
                self._transport.enter_raw_repl(soft_reset=True, timeout_overall=_ENTER_S)
                self._transport.serial.timeout = _SILENCE_S
            self._do(_SETUP)
        except BaseException:
            self.close()
            raise

    @contextlib.contextmanager
    def _speaking(self, prefix: str = "") -> Iterator[None]:
        try:
            # What could not be understood is printed there; the exception says enough.
            with contextlib.redirect_stdout(io.StringIO()):
                yield
        except TransportExecError as error:
            raise BoardFault(f"{self._name}: {_why(error.error_output)}") from error
        except TransportError as error:
            raise LinkError(f"{self._name}: {prefix}{error}") from error
        except (serial.SerialException, OSError, struct.error, TypeError) as error:
            # How a transport fails whose port vanishes under it, or whose board falls silent.
            raise LinkError(f"{self._name}: the board is gone ({error}); was the cable pulled?") from error

    def _do(self, code: str) -> str:
        with self._speaking():
            output, error = self._transport.exec_raw(code, timeout=_SILENCE_S)
            if error:
                raise TransportExecError(1, error.decode(errors="replace"))
        return str(output.decode("utf-8", errors="replace"))

    def facts(self) -> BoardFacts:
        text = self._do(_FACTS)
        try:
            name, version, machine, mpy, board_id, free, block = json.loads(text)
            major, minor, micro = (int(part) for part in version)
        except (ValueError, TypeError) as error:
            raise BoardFault(f"{self._name}: the board's answer cannot be read: {text[:80]!r}") from error
        return BoardFacts(name, (major, minor, micro), machine, int(mpy), board_id, int(free), int(block))

    def inventory(self, hashed: tuple[str, ...]) -> dict[str, BoardFile]:
        text = self._do(f"_w('', {hashed!r})")
        found: dict[str, BoardFile] = {}
        for line in text.splitlines():
            try:
                path, size, digest = ast.literal_eval(line)
                found[path] = BoardFile(int(size), digest.hex())
            except (ValueError, SyntaxError, TypeError, AttributeError) as error:
                raise BoardFault(f"{self._name}: the list of files cannot be read: {line[:80]!r}") from error
        return found

    def read(self, path: str) -> bytes:
        text = self._do(_READ.format(path=path))
        return b"".join(binascii.a2b_base64(ast.literal_eval(line)) for line in text.splitlines())

    def write(self, path: str, data: bytes) -> None:
        for at in [at for at, letter in enumerate(path) if letter == "/" and path[:at] not in self._folders]:
            self._do(_MAKE_FOLDER.format(path=path[:at]))
            self._folders.add(path[:at])
        self._do(f"_o({path!r})")
        for at in range(0, len(data), _PIECE_BYTES):
            piece = binascii.b2a_base64(data[at : at + _PIECE_BYTES], newline=False)
            self._do(f"_p({piece!r})")
        self._do("_f.close()")

    def rename(self, path: str, to: str) -> None:
        self._do(f"os.rename({path!r}, {to!r})")

    def remove(self, path: str) -> None:
        self._folders.discard(path.rstrip("/"))
        self._do(f"os.rmdir({path.rstrip('/')!r})" if path.endswith("/") else f"os.remove({path!r})")

    def restart(self) -> None:
        with self._speaking():
            self._transport.exec_raw_no_follow(_RESTART)
            self._transport.in_raw_repl = False

    def close(self) -> None:
        transport, self._transport = self._transport, None
        if transport is not None:
            # A port whose board has gone cannot be closed in form; its descriptor is.
            with contextlib.suppress(OSError, serial.SerialException):
                if transport.in_raw_repl:
                    transport.exit_raw_repl()
                transport.close()


def _why(traceback: str) -> str:
    lines = [line for line in traceback.strip().splitlines() if line.strip()]
    last = lines[-1] if lines else "no reason given"
    found = _ERRNO.search(last)
    if found and int(found[1]) == _NO_ROOM:
        return f"the board's flash is full ({last})"
    return f"the board answers {last}"
