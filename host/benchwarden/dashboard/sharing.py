"""Sharing on the local network: a second address, open only while a person wants it.

The shared server is the same program behind a second socket. Every request that
comes in there is marked by the server itself, so that nothing a browser sends
can make it look like one from the bench machine. Plain HTTP: somebody who
listens on the network can learn the token, and could then look, and open the
relay. Opening is the safe direction; nothing else can be done from there.
"""

from __future__ import annotations

import base64
import contextlib
import hmac
import io
import os
import secrets
import socket
import sys
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import limits
import segno
from waitress.server import create_server

from benchwarden.core.clock import Clock
from benchwarden.errors import BenchwardenError

# Set by the server itself for requests that came in over the shared address.
SHARED = "benchwarden.shared"
COOKIE = "benchwarden_viewer"
# A link that was passed on should not open the bench of next week.
LONGEST_S = 7 * 24 * 3600.0
_THREADS = 12
_NICER = 5
# One page asks for readings, a trend and the pulse up to twenty times a second; several may share an address.
VIEWER_RATE = limits.parse("400 per second")
# Guesses at a token of 192 bits; more would only keep the program busy.
JOIN_RATE = limits.parse("10 per minute")


@dataclass(frozen=True)
class Link:
    """What a viewer needs.

    Attributes:
        address: where the shared server is, "http://192.0.2.7:8051".
        join: the address with the token in it.
        since_s: monotonic seconds when sharing began.
    """

    address: str
    join: str
    since_s: float

    def qr_data_uri(self) -> str:
        """Return the join address as a QR code, an SVG image in a data address."""
        out = io.BytesIO()
        segno.make(self.join, error="m").save(out, kind="svg", scale=5, border=4, dark="#000000", light="#ffffff")
        return "data:image/svg+xml;base64," + base64.b64encode(out.getvalue()).decode("ascii")


class Sharing:
    """Starts and ends the shared server; one at a time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._wsgi: Callable[..., Iterable[bytes]] | None = None
        self._server: Any = None
        self._thread: threading.Thread | None = None
        self._ending: threading.Thread | None = None
        self._link: Link | None = None
        self._host = ""
        self._token = ""
        self._gave_way = threading.local()
        self._counts: limits.storage.MemoryStorage | None = None
        self._rates: limits.strategies.FixedWindowRateLimiter | None = None

    def serve_with(self, wsgi: Callable[..., Iterable[bytes]]) -> None:
        """Take the program to serve; asked once, before `start`."""
        self._wsgi = wsgi

    @property
    def link(self) -> Link | None:
        """The link while sharing is on, else None. One that has grown too old ends here."""
        link = self._link
        if link is not None and self._clock.monotonic_s() - link.since_s > LONGEST_S:
            self._token = ""
            # The asker may be a viewer, whose own thread cannot wait for itself to end.
            self._ending = threading.Thread(target=self._stop, name="end of sharing", daemon=True)
            self._ending.start()
            return None
        return link

    def start(self, host: str, port: int = 0) -> Link:
        """Share under `host`, with a new token each time.

        Args:
            host: one of this machine's own addresses (`own_addresses`).
            port: 0 takes any free one.

        Raises:
            BenchwardenError: not an address of this machine, or the port is taken.
        """
        with self._lock:
            if self._link is not None:
                return self._link
            if host not in own_addresses():
                raise BenchwardenError(f"share on {host!r}; allowed: {', '.join(own_addresses())}")
            sock = bound(host, port, "port")
            self._counts = limits.storage.MemoryStorage()
            self._rates = limits.strategies.FixedWindowRateLimiter(self._counts)
            self._token = secrets.token_urlsafe(24)
            self._server = create_server(self._marked, sockets=[sock], threads=_THREADS, ident=None)
            place = f"[{host}]" if ":" in host else host
            address = f"http://{place}:{sock.getsockname()[1]}"
            self._host = address.removeprefix("http://")
            self._link = Link(address, f"{address}/join/{self._token}", self._clock.monotonic_s())
            self._thread = threading.Thread(target=self._server.run, name="sharing", daemon=True)
            self._thread.start()
            return self._link

    def stop(self) -> None:
        """End sharing; the token is worth nothing from now on."""
        self._stop()
        ending, self._ending = self._ending, None
        if ending is not None:
            ending.join(5.0)

    def _stop(self) -> None:
        with self._lock:
            server, thread, counts = self._server, self._thread, self._counts
            self._server = self._thread = self._link = self._rates = self._counts = None
            self._token = self._host = ""
        if server is not None and thread is not None:
            end(server, thread)
        if counts is not None:
            # It forgets old counts in a thread of its own, a hundredth of a second at a time.
            counts.timer.join(2.0)

    def _marked(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        environ[SHARED] = True
        self._give_way()
        assert self._wsgi is not None
        return self._wsgi(environ, start_response)

    def _give_way(self) -> None:
        """Let the bench go first wherever both want the processor.

        On Linux niceness is a thread's own: the threads that answer viewers give way, those of the
        bench machine's own page, and a run that is started from it, do not.
        """
        if sys.platform == "linux" and not getattr(self._gave_way, "done", False):
            os.nice(_NICER)
            self._gave_way.done = True

    def joined(self, cookie: str) -> bool:
        """Return True for the token of the present sharing."""
        return bool(self._token) and hmac.compare_digest(self._token.encode(), cookie.encode())

    def within_rate(self, address: str, joining: bool) -> bool:
        """Return False once `address` has asked more often than a viewer needs to."""
        rates = self._rates
        return rates is None or rates.hit(JOIN_RATE if joining else VIEWER_RATE, address)

    def host_allowed(self, host_header: str) -> bool:
        """Return True when the Host header names the shared address itself, by number."""
        return bool(self._host) and hmac.compare_digest(self._host.encode(), host_header.encode())


def end(server: Any, thread: threading.Thread) -> None:
    """End a server that `thread` runs."""
    server.task_dispatcher.shutdown(cancel_pending=True, timeout=2)
    # Sockets are closed by the thread that waits on them: under its hands they would fail it.
    server.trigger.pull_trigger(lambda: server.asyncore.close_all(server._map, ignore_all=True))
    thread.join(2.0)


def own_addresses() -> tuple[str, ...]:
    """Return the addresses of this machine that others may reach, the usual one first, loopback last."""
    found: list[str] = []
    for family, far in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        # Asks the routing table only; nothing is sent. Addresses for documentation, RFC 5737 and RFC 3849.
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((far, 9))
                found.append(probe.getsockname()[0])
            except OSError:
                continue
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    # Link-local ones need a zone that no browser's address bar takes.
    usable = [name for name in found if not name.startswith(("127.", "fe80", "::1"))]
    return (*dict.fromkeys(usable), "127.0.0.1")


def bound(host: str, port: int, what: str) -> socket.socket:
    """Return a socket bound to an address of this machine.

    Raises:
        BenchwardenError: it cannot be; names `what`, the port and why.
    """
    sock = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
    try:
        # Without exclusive use a second program could share the port unseen on some systems.
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port))
    except OSError as error:
        sock.close()
        raise BenchwardenError(
            f"{what} {port} on {host} cannot be used ({error.strerror}); another program holds it, "
            "or choose another port, 0 for any free one"
        ) from error
    return sock
