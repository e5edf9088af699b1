"""Bytes from a port become frames and messages; junk is counted, never raised."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.link.messages import Burst, Message
from wardenfw import wire

FrameArray = npt.NDArray[np.void]
SeqArray = npt.NDArray[np.uint32]

_KEPT_TEXT_LINES = 12
_KEPT_TEXT_CHARS = 160


@dataclass(frozen=True)
class Received:
    """What one read or one poll brought.

    Attributes:
        frames: FRAME_DTYPE, shape (n,); from a BoardClient strictly in
            sequence order and without repeats.
        frame_seqs: their sequence numbers, shape (n,).
        messages: everything else that was intact, in order of arrival.
        bad_lines, garbage_bytes: lines that were no message, and their size.
        boot: the board start these belong to (set by a BoardClient, else 0).
        lost: (first, last) sequence numbers of frames given up, inclusive.
        bursts: trip records whose fetching has ended.
    """

    frames: FrameArray
    frame_seqs: SeqArray
    messages: tuple[Message, ...] = ()
    bad_lines: int = 0
    garbage_bytes: int = 0
    boot: int = 0
    lost: tuple[tuple[int, int], ...] = ()
    bursts: tuple[Burst, ...] = ()

    def __bool__(self) -> bool:
        """True when there is something for the caller to act on."""
        return bool(len(self.frames) or self.messages or self.lost or self.bursts)


class LineDecoder:
    """Cuts a byte stream into lines and decodes them.

    The outcome does not depend on how the stream is cut into chunks. A line
    that never ends is dropped once it is longer than any message, so memory
    stays below wire.MAX_LINE bytes.
    """

    def __init__(self) -> None:
        self._partial = b""
        self._newest = -1  # sequence number of the last frame decoded
        self._dropped = 0  # bytes of an overlong line already thrown away
        self._text: deque[str] = deque(maxlen=_KEPT_TEXT_LINES)

    @property
    def heard_text(self) -> tuple[str, ...]:
        """The last lines that were no message but plain text: a traceback, a refusal, a prompt."""
        text = list(self._text)
        tail = _as_text(self._partial)
        return tuple([*text, tail] if tail else text)

    def feed(self, data: bytes) -> Received:
        """Decode what `data` completes."""
        *lines, rest = data.split(b"\n")
        bad_lines = garbage_bytes = 0
        payloads: list[bytes] = []
        seqs: list[int] = []
        messages: list[Message] = []
        if lines:
            lines[0] = self._partial + lines[0]
            self._partial = b""
        for line in lines:
            try:
                if self._dropped:
                    raise wire.WireError("length")
                version, kind, seq, payload = wire.decode(line)
            except wire.WireError:
                if line or self._dropped:
                    bad_lines += 1
                    garbage_bytes += self._dropped + len(line)
                    self._dropped = 0
                    text = _as_text(line)
                    if text:
                        self._text.append(text)
                continue
            if kind == wire.FRAME and version == wire.WIRE_VERSION and len(payload) == wire.FRAME_SIZE:
                payloads.append(payload)
                seqs.append(seq)
                self._newest = seq
            else:
                messages.append(Message(version, kind, seq, payload, self._newest))
        self._partial += rest
        if len(self._partial) >= wire.MAX_LINE:
            self._dropped += len(self._partial)
            self._partial = b""
        return Received(
            frames=np.frombuffer(b"".join(payloads), dtype=FRAME_DTYPE),
            frame_seqs=np.array(seqs, dtype=np.uint32),
            messages=tuple(messages),
            bad_lines=bad_lines,
            garbage_bytes=garbage_bytes,
        )


def _as_text(line: bytes) -> str:
    """Return the line if a person wrote it, else "": damaged base64 explains nothing."""
    words = line[:_KEPT_TEXT_CHARS].strip()
    if b" " not in words:
        return ""
    text = words.decode("utf-8", "replace")
    return text if text.isprintable() else ""
