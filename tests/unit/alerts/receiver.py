"""A real HTTP server on loopback that takes messages, and one that takes connections and never answers."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Receiver:
    """What arrived; `codes` are the answers to give, the last of them for ever."""

    def __init__(self, codes: tuple[int, ...] = (200,)) -> None:
        self.messages: list[dict[str, Any]] = []
        self._codes = list(codes)
        self._changed = threading.Condition()
        self.port = 0

    def take(self, body: bytes) -> int:
        with self._changed:
            self.messages.append(json.loads(body))
            self._changed.notify_all()
            return self._codes.pop(0) if len(self._codes) > 1 else self._codes[0]

    def wait_for(self, words: str, within_s: float = 30.0) -> dict[str, Any]:
        """Return the first message with these words in its title or text."""

        def found() -> dict[str, Any] | None:
            return next((m for m in self.messages if words in m["title"] + m["message"]), None)

        with self._changed:
            self._changed.wait_for(lambda: found() is not None, within_s)
            message = found()
        assert message is not None, f"{words!r} did not come; came: {[m['title'] for m in self.messages]}"
        return message


@contextmanager
def receiving(*codes: int) -> Iterator[Receiver]:
    """Serve for as long as the block lasts."""
    receiver = Receiver(codes or (200,))

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            code = receiver.take(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(code)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def silent_port() -> Iterator[int]:
    """Give the port of a server that lets itself be reached and says nothing."""
    with socket.create_server(("127.0.0.1", 0), backlog=50) as server:
        yield server.getsockname()[1]


@contextmanager
def dripping_port() -> Iterator[int]:
    """Give the port of a server that answers with one more header every half second, for ever."""
    ended = threading.Event()
    open_ones: list[socket.socket] = []

    def drip(found: socket.socket) -> None:
        try:
            found.sendall(b"HTTP/1.1 200 OK\r\n")
            while not ended.wait(0.5):
                found.sendall(b"X-More: 1\r\n")
        except OSError:
            pass

    def serve(server: socket.socket) -> None:
        while not ended.is_set():
            try:
                found, _ = server.accept()
            except OSError:
                continue
            open_ones.append(found)
            threading.Thread(target=drip, args=(found,), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.1)
        thread = threading.Thread(target=serve, args=(server,))
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            ended.set()
            thread.join()
            for found in open_ones:
                found.close()


def refused_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
    return port
