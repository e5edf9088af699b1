"""The host's end of the virtual board's serial line: a pseudo-terminal, or a socket where there is none."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import sys
import tempfile
from pathlib import Path
from typing import Protocol

BUSY = b"virtual bench: another program holds this port; it serves one at a time\n"
_GONE = (errno.EIO, errno.EBADF, errno.ECONNRESET, errno.EPIPE, errno.ENOTCONN)


class LineEnd(Protocol):
    """Where the bytes come from and go to; nothing here blocks.

    Attributes:
        url: what a program opens.
        present: somebody may be there to take bytes.
    """

    url: str

    @property
    def present(self) -> bool: ...

    def readable(self) -> list[int]:
        """File numbers to wait on for something to read or accept."""
        ...

    def writable(self) -> list[int]:
        """File numbers to wait on for room, when the last write was not taken whole."""
        ...

    def read(self) -> bytes: ...

    def write(self, data: bytes | bytearray) -> int:
        """Send what fits and return how many bytes; 0 while nobody is there."""
        ...

    def unplug(self) -> None:
        """Let the device vanish from the host."""
        ...

    def plug(self) -> None:
        """Let it come back under the same name."""
        ...

    def close(self) -> None: ...


class PtyEnd:
    """A pseudo-terminal behind a link that keeps its name when the device comes back."""

    def __init__(self) -> None:
        self._folder = tempfile.mkdtemp(prefix="benchwarden-virtual-")
        self.url = str(Path(self._folder) / "board")
        self._master = self._slave = -1
        self._full = False
        self.plug()

    @property
    def present(self) -> bool:
        return self._master >= 0

    def plug(self) -> None:
        import pty
        import tty

        if self._master >= 0:
            return
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        os.symlink(os.ttyname(self._slave), self.url)

    def unplug(self) -> None:
        if self._master < 0:
            return
        Path(self.url).unlink()
        # The slave stays open here all along: without it the master reads an
        # error whenever no program has the port open.
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1

    def readable(self) -> list[int]:
        return [self._master] if self._master >= 0 else []

    def writable(self) -> list[int]:
        return [self._master] if self._master >= 0 and self._full else []

    def read(self) -> bytes:
        if self._master < 0:
            return b""
        try:
            return os.read(self._master, 65536)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno in _GONE:
                return b""
            raise

    def write(self, data: bytes | bytearray) -> int:
        if self._master < 0:
            return 0
        try:
            n = os.write(self._master, data)
        except BlockingIOError:
            n = 0
        self._full = n < len(data)
        return n

    def close(self) -> None:
        self.unplug()
        os.rmdir(self._folder)


class SocketEnd:
    """A listening socket that serves one program at a time and tells a second one so."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._full = False
        self.plug()
        self.url = f"socket://127.0.0.1:{self._port}"

    @property
    def present(self) -> bool:
        return self._client is not None

    def plug(self) -> None:
        if self._listener is None:
            self._listener = socket.create_server(("127.0.0.1", self._port))
            self._listener.setblocking(False)
            self._port = self._listener.getsockname()[1]

    def unplug(self) -> None:
        self._drop()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._full = False

    def readable(self) -> list[int]:
        return [s.fileno() for s in (self._listener, self._client) if s is not None]

    def writable(self) -> list[int]:
        return [self._client.fileno()] if self._client is not None and self._full else []

    def _accept(self) -> None:
        while self._listener is not None:
            try:
                client, _ = self._listener.accept()
            except BlockingIOError:
                return
            if self._client is not None:
                with contextlib.suppress(OSError):
                    client.sendall(BUSY)
                client.close()
                continue
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client

    def read(self) -> bytes:
        data = b""
        if self._client is not None:
            try:
                data = self._client.recv(65536)
                if not data:
                    self._drop()
            except BlockingIOError:
                pass
            except OSError as error:
                if error.errno not in _GONE:
                    raise
                self._drop()
        # Accepted after reading: a program that left makes room for the next.
        self._accept()
        return data

    def write(self, data: bytes | bytearray) -> int:
        if self._client is None:
            return 0
        try:
            n = self._client.send(data)
        except BlockingIOError:
            n = 0
        except OSError as error:
            if error.errno not in _GONE:
                raise
            self._drop()
            return 0
        self._full = n < len(data)
        return n

    def close(self) -> None:
        self.unplug()


def open_line_end(kind: str, port: int) -> LineEnd:
    """Return the line end asked for: "pty", "socket", or "auto" for a pseudo-terminal where there are any."""
    if kind == "socket" or (kind == "auto" and sys.platform == "win32"):
        return SocketEnd(port)
    return PtyEnd()
