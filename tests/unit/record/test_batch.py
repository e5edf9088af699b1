"""A batch comes back bit for bit, and no flipped bit of its row is believed."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from frame_maker import frames, seqs

from benchwarden.record.batch import PACKED, PLAIN, RECORD_DTYPE, BatchRow, fault_of, joined, records_of, row_of


def records(count: int, values: int = 0, seed: int = 0) -> np.ndarray:
    """Return records with every bit pattern possible, or with so many different values in each channel."""
    found = np.empty(count, RECORD_DTYPE)
    found["seq"] = seqs(2**32 - count, count)
    found["frame"] = frames(count, 2**32 - 700, seed)
    if values:
        rng = np.random.default_rng(seed)
        for name in ("mean", "min", "max"):
            # A NaN with a payload and both zeros are values like any other.
            table = rng.integers(0, 2**32, values, dtype=np.uint32)
            table[: min(3, values)] = [0x7FC12345, 0x80000000, 0][: min(3, values)]
            found["frame"][name] = rng.choice(table, (count, 13)).view(np.float32)
    return found


def row(of: np.ndarray, packing: int) -> BatchRow:
    return BatchRow._make(row_of(10_000, 7, 123, 456, of, packing))


@pytest.mark.parametrize("packing", [PLAIN, PACKED])
@pytest.mark.parametrize("values", [0, 1, 2, 255, 256, 257, 300])
@pytest.mark.parametrize("count", [1, 2, 255, 256, 257, 600, 4096])
def test_records_come_back_bit_for_bit(count: int, values: int, packing: int) -> None:
    sent = records(count, values)
    stored = row(sent, packing)
    assert fault_of(stored) == ""
    assert (stored.n, stored.last_seq, stored.first_seq) == (count, 2**32 - 1, 2**32 - count)
    assert records_of(stored).tobytes() == sent.tobytes()


def test_readings_in_steps_take_a_quarter() -> None:
    """A minute at ten frames a second, every channel at a level with one of some forty steps of noise."""
    assert len(row(records(600, values=40), PACKED).data) < 0.25 * len(row(records(600, values=40), PLAIN).data)


@pytest.mark.parametrize("packing", [PLAIN, PACKED])
def test_every_flipped_bit_is_noticed(packing: int) -> None:
    stored = row(records(3), packing)
    for at in range(8 * len(stored.data)):
        data = bytearray(stored.data)
        data[at // 8] ^= 1 << at % 8
        assert fault_of(stored._replace(data=bytes(data)))
    for name in BatchRow._fields[:-1]:
        for bit in range(32):
            assert fault_of(stored._replace(**{name: getattr(stored, name) ^ (1 << bit)})), (name, bit)
        for rot in (None, "text", b"bytes", -1, 1 << 62, 0.5):
            assert fault_of(stored._replace(**{name: rot}))
    for rot in (None, "text", 5, stored.data[:-1], stored.data + b"\0"):
        assert fault_of(stored._replace(data=rot))


def test_parts_are_joined_in_order() -> None:
    whole = records(50)
    assert joined([whole[:7], whole[7:8], whole[8:]]).tobytes() == whole.tobytes()


def test_a_made_up_blob_unpacks_to_no_more_than_its_row_speaks_of() -> None:
    stored = row(records(20, 40), PACKED)
    for blob, count in ((zlib.compress(bytes(50_000_000)), 20), (stored.data, 10**9)):
        with pytest.raises(ValueError, match=r"does not end after 20 frames|allowed: 65536 at most"):
            records_of(stored._replace(data=blob, n=count))
