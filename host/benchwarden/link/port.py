"""The seam below the link: bytes in, bytes out, gone or not gone."""

from __future__ import annotations

from typing import Protocol


class BytePort(Protocol):
    """A two-way byte stream to one board.

    Implementations stay this small; lines, checks and timeouts of meaning live
    above the seam, once.
    """

    @property
    def name(self) -> str:
        """Where the port leads, as the user named it."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, waiting at most `timeout_s` for the first byte.

        Returns as soon as anything is there; b"" when nothing came. Bytes that
        arrived before the other end went away are handed over first.

        Raises:
            LinkError: the port is gone or was closed.
        """
        ...

    def write(self, data: bytes) -> None:
        """Hand over all of `data`.

        Raises:
            LinkTimeout: the other end takes no more bytes.
            LinkError: the port is gone or was closed.
        """
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...
