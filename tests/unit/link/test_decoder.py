"""The decoder against the CRC catalogue, RFC 4648, and every burst the CRC promises to catch."""

from __future__ import annotations

import base64
import random

import numpy as np
import pytest
from fake_board import frame_payload
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.link.decoder import LineDecoder, Received
from wardenfw import wire


def one_frame(seq: int = 1, value: float = 1.5) -> bytes:
    return wire.encode(wire.FRAME, seq, frame_payload(100 * seq, seq, value))


def test_crc_is_the_catalogue_crc() -> None:
    """CRC-32/ISO-HDLC: check value 0xCBF43926, residue 0x2144DF1C over message and CRC (RevEng catalogue)."""
    assert wire.crc32(b"123456789") == 0xCBF43926
    assert wire.crc32(b"") == 0
    assert wire.crc32(bytes(32)) == 0x190A55AD
    body = base64.b64decode(one_frame())
    assert wire.crc32(body) == 0x2144DF1C


@pytest.mark.parametrize(
    ("plain", "text"),
    [
        ("f", "Zg=="),
        ("fo", "Zm8="),
        ("foo", "Zm9v"),
        ("foob", "Zm9vYg=="),
        ("fooba", "Zm9vYmE="),
        ("foobar", "Zm9vYmFy"),
    ],
)
def test_payload_is_the_base64_of_rfc_4648(plain: str, text: str) -> None:
    """RFC 4648 section 10 vectors, placed where they stand alone: header and CRC are 12 bytes, so cut around them."""
    # Nine bytes of payload make header and first byte end on a group: 8 + 1 = 9, then the vector begins one.
    line = wire.encode(wire.EVENT, 1, b"x" + plain.encode())
    kept = len(plain) // 3 * 4
    assert line[12 : 12 + kept].decode() == text[:kept]
    assert base64.b64decode(line)[9 : 9 + len(plain)] == plain.encode()


def test_frames_and_messages_come_out_as_they_went_in() -> None:
    stream = b"".join(one_frame(seq, seq / 4) for seq in (1, 2, 4)) + wire.encode(wire.EVENT, 9, b"payload")
    received = LineDecoder().feed(stream)
    assert received.frames.dtype == FRAME_DTYPE
    assert received.frame_seqs.tolist() == [1, 2, 4]
    assert received.frames["mean"][:, 0].tolist() == [0.25, 0.5, 1.0]
    assert received.frames["t_ms"].tolist() == [100, 200, 400]
    assert [(m.kind, m.seq, m.payload) for m in received.messages] == [(wire.EVENT, 9, b"payload")]
    assert (received.bad_lines, received.garbage_bytes) == (0, 0)


def test_messages_know_which_frame_came_before_them() -> None:
    event = wire.encode(wire.EVENT, 9, b"payload")
    decoder = LineDecoder()
    first = decoder.feed(event + one_frame(3) + event + one_frame(4))
    second = decoder.feed(event)
    assert [m.after_frame for m in (*first.messages, *second.messages)] == [-1, 3, 4]


def test_garbage_before_the_first_frame_is_counted_and_passed() -> None:
    garbage = bytes(range(256)) * 40
    received = LineDecoder().feed(garbage + b"\n" + one_frame())
    assert received.frame_seqs.tolist() == [1]
    assert received.bad_lines == garbage.count(b"\n") + 1
    assert received.garbage_bytes == len(garbage) - garbage.count(b"\n")


def test_text_of_a_board_in_trouble_is_kept_for_the_person() -> None:
    decoder = LineDecoder()
    decoder.feed(b"\xffZZZZ\nTraceback (most recent call last):\n  File main.py\n" + one_frame() + b"port in use by")
    assert decoder.heard_text == ("Traceback (most recent call last):", "File main.py", "port in use by")


def merged(parts: list[Received]) -> tuple[list[int], list[bytes], list[tuple[int, bytes]], int, int]:
    return (
        [seq for part in parts for seq in part.frame_seqs.tolist()],
        [frame.tobytes() for part in parts for frame in part.frames],
        [(m.kind, m.payload) for part in parts for m in part.messages],
        sum(part.bad_lines for part in parts),
        sum(part.garbage_bytes for part in parts),
    )


@settings(max_examples=60, deadline=None)
@given(
    pieces=st.lists(
        st.one_of(
            st.integers(1, 50).map(one_frame),
            st.binary(max_size=40),
            st.just(b"\n"),
            st.integers(1000, 2500).map(lambda n: b"A" * n),
            st.integers(1, 9).map(lambda seq: wire.encode(wire.REPLY, seq, wire.pack_reply(seq, wire.ARM, 0, 1, "7"))),
        ),
        max_size=12,
    ),
    cuts=st.lists(st.integers(1, 700), min_size=1, max_size=30),
)
def test_outcome_does_not_depend_on_the_chunks(pieces: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(pieces) + b"\n"
    whole = merged([LineDecoder().feed(stream)])
    decoder, parts, at, turn = LineDecoder(), [], 0, 0
    while at < len(stream):
        step = cuts[turn % len(cuts)]
        parts.append(decoder.feed(stream[at : at + step]))
        at, turn = at + step, turn + 1
    assert merged(parts) == whole


def test_a_line_that_never_ends_takes_no_memory() -> None:
    decoder = LineDecoder()
    for _ in range(1000):
        decoder.feed(b"A" * 1000)
    assert len(decoder._partial) < wire.MAX_LINE
    received = decoder.feed(b"\n" + one_frame())
    assert received.frame_seqs.tolist() == [1]
    assert (received.bad_lines, received.garbage_bytes) == (1, 1_000_000)


def test_other_versions_and_odd_frames_come_as_messages() -> None:
    ours, theirs = wire.WIRE_VERSION, wire.WIRE_VERSION + 1
    lines = wire.encode(wire.FRAME, 1, frame_payload(1), version=theirs) + wire.encode(wire.FRAME, 2, b"short")
    received = LineDecoder().feed(lines)
    assert len(received.frames) == 0
    assert [(m.version, m.kind) for m in received.messages] == [(theirs, wire.FRAME), (ours, wire.FRAME)]


# Corruption. A stretch of up to 32 bits on the cable touches at most five
# neighbouring characters, hence at most 30 neighbouring bits of the body, taken
# in base64's order, which is not the CRC's.


def _rank(rows: list[int]) -> int:
    basis: list[int] = []
    for row in rows:
        for b in basis:
            row = min(row, row ^ b)
        if row:
            basis.append(row)
    return len(basis)


@pytest.mark.parametrize("payload", [wire.FRAME_SIZE, 0, 25, wire.MAX_PAYLOAD])
def test_every_burst_of_up_to_32_bits_changes_the_crc(payload: int) -> None:
    """Exhaustive by linear algebra, all 2^30 patterns at every place of the line.

    A CRC is linear: the error pattern alone decides whether it is seen. If the
    syndromes of the single bits in a stretch are linearly independent, no
    combination of them adds up to zero, so every pattern there is detected.
    """
    size = wire.HEADER_SIZE + payload + wire.CRC_SIZE
    zero = wire.crc32(bytes(size))
    syndromes = []
    for bit in range(8 * size):
        flipped = bytearray(size)
        flipped[bit // 8] = 0x80 >> bit % 8  # base64 takes the high bit first
        syndromes.append(wire.crc32(bytes(flipped)) ^ zero)
    for char in range(0, 8 * size, 6):
        stretch = syndromes[char : char + 30]
        assert _rank(stretch) == len(stretch), f"an undetected burst exists at character {char // 6}"


def test_every_short_burst_on_the_cable_is_refused_and_the_next_line_is_whole() -> None:
    """All patterns of up to 8 bits at every bit of the line, its end included: nothing false comes out."""
    line, after = one_frame(1), one_frame(2)
    sent = {1: frame_payload(100, 1, 1.5), 2: frame_payload(200, 2, 1.5)}
    whole = int.from_bytes(line, "big")
    for at in range(8 * len(line)):
        stream = bytearray()
        for pattern in range(1, 256, 2):  # odd: the burst begins at this bit
            stream += (whole ^ (pattern << at if at + 8 <= 8 * len(line) else pattern << (8 * len(line) - 8))).to_bytes(
                len(line), "big"
            )
            stream += b"\n" + after
        received = LineDecoder().feed(bytes(stream))
        assert not received.messages
        for seq, frame in zip(received.frame_seqs.tolist(), received.frames, strict=True):
            assert frame.tobytes() == sent[seq]
        assert int((received.frame_seqs == 2).sum()) == 128
        # Only damage to the line's own end, which the added newline repairs, leaves it readable.
        assert int((received.frame_seqs == 1).sum()) == 0


def corrupt(rng: random.Random, line: bytes) -> bytes:
    """Return the line with one random damage: burst, flipped bits, lost, doubled or foreign bytes."""
    out = bytearray(line)
    kind = rng.randrange(5)
    at = rng.randrange(len(out))
    if kind == 0:
        number = int.from_bytes(out, "big") ^ (rng.randrange(1, 1 << 32) << rng.randrange(8 * len(out) - 31))
        return number.to_bytes(len(out), "big")
    if kind == 1:
        for _ in range(rng.randrange(1, 40)):
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    elif kind == 2:
        del out[at : at + rng.randrange(1, 9)]
    elif kind == 3:
        out[at:at] = out[at : at + rng.randrange(1, 9)]
    else:
        out[at : at + 4] = rng.randbytes(rng.randrange(9))
    return bytes(out)


def false_frames(count: int, seed: int) -> tuple[int, int, int]:
    """Return (damaged lines fed, false frames accepted, sound lines after a damaged one missed)."""
    rng = random.Random(seed)
    lines = [wire.encode(wire.FRAME, seq, frame_payload(100 * seq, seq, rng.random())) for seq in range(64)]
    sound = one_frame(1_000_000)
    sent = {(wire.decode(line[:-1])[2], wire.decode(line[:-1])[3]) for line in [*lines, sound]}
    fed = false = missed = 0
    decoder = LineDecoder()
    while fed < count:
        stream = bytearray()
        sound_ones = 0
        while sound_ones < 500:
            line = lines[rng.randrange(64)]
            damaged = corrupt(rng, line)
            if damaged == line:
                continue
            fed += 1
            sound_ones += 1
            # The damaged line may have lost its end: what must come through is the line after the next end.
            stream += damaged + (b"" if damaged.endswith(b"\n") else b"\n") + sound
        received = decoder.feed(bytes(stream))
        pairs = zip(received.frame_seqs.tolist(), received.frames, strict=True)
        false += sum((seq, frame.tobytes()) not in sent for seq, frame in pairs) + len(received.messages)
        missed += sound_ones - int((received.frame_seqs == 1_000_000).sum())
    return fed, false, missed


def test_random_corruptions_are_refused_and_the_next_line_is_read() -> None:
    """A seeded sample; bench_link.py --corruptions runs a million."""
    fed, false, missed = false_frames(20_000, seed=20)
    assert (fed >= 20_000, false, missed) == (True, 0, 0)


def test_arrays_of_nothing_have_their_types() -> None:
    received = LineDecoder().feed(b"")
    assert received.frames.shape == (0,)
    assert received.frame_seqs.dtype == np.uint32
    assert not received
