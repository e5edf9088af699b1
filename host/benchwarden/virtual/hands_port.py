"""Where hands reach in: JSON lines over TCP, each answered before the bench goes on."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable
from typing import Any

_LONGEST = 65536


class HandsPort:
    """Listens on 127.0.0.1; any number of programs may act, one line at a time.

    Args:
        port: TCP port; 0 takes a free one.
        do: does one act and returns its answer.
    """

    def __init__(self, port: int, do: Callable[[object], dict[str, Any]]) -> None:
        self._do = do
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.setblocking(False)
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self._clients: dict[socket.socket, bytearray] = {}

    def readable(self) -> list[int]:
        return [self._listener.fileno(), *(client.fileno() for client in self._clients)]

    def serve(self) -> None:
        """Answer every line that is here, without waiting for more."""
        while True:
            try:
                client, _ = self._listener.accept()
            except BlockingIOError:
                break
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients[client] = bytearray()
        for client in list(self._clients):
            if not self._serve(client):
                client.close()
                del self._clients[client]

    def _serve(self, client: socket.socket) -> bool:
        held = self._clients[client]
        try:
            data = client.recv(_LONGEST)
            if not data:
                return False
            held += data
            while (end := held.find(b"\n")) >= 0:
                line = bytes(held[:end])
                del held[: end + 1]
                client.sendall(self._answer(line))
        except BlockingIOError:
            return True
        except OSError:
            return False
        return len(held) < _LONGEST

    def _answer(self, line: bytes) -> bytes:
        try:
            request: object = json.loads(line)
        except ValueError as error:
            return json.dumps({"ok": False, "error": f"not a JSON object: {error}"}).encode() + b"\n"
        return json.dumps(self._do(request)).encode() + b"\n"

    def close(self) -> None:
        for client in self._clients:
            client.close()
        self._clients.clear()
        self._listener.close()
