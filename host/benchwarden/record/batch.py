"""One stored batch of frames: how records become a blob and back, and how they are timed.

A batch row describes its blob completely, and its CRC-32 covers both, so that a
flipped bit anywhere costs this batch and is noticed before a byte is used.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE, SampleBlock, block_from_frames

FrameArray = npt.NDArray[np.void]
SeqArray = npt.NDArray[np.uint32]
MsArray = npt.NDArray[np.int64]

RECORD_DTYPE = np.dtype([("seq", "<u4"), ("frame", FRAME_DTYPE)])
# How a blob is made: records as they are, or made small (_packed).
PLAIN, PACKED = 0, 1

_SIZE = RECORD_DTYPE.itemsize
_WORDS = _SIZE // 4
_MOST_IN_TABLE = 256
assert _SIZE % 4 == 0
# A live batch has a minute of frames; many times that is none of ours.
_MOST_FRAMES = 1 << 16
_WRAP_MS = 1 << 32
_GUARDED = struct.Struct("<qIIIIqqB")

COLUMNS = "id, boot, first_seq, last_seq, n, run_ms, end_ms, packing, crc, data"


class BatchRow(NamedTuple):
    """One row of the journal's frames, in the order of its columns.

    Attributes:
        id: how many frames the journal took up to this batch's last; the batch
            is frames id - n + 1 to id of the run, however often it was merged.
        first_seq, last_seq: the board's numbers of its first and last frame.
        n: frames in it; last_seq - first_seq + 1 when none in between is missing.
        run_ms, end_ms: time of the first and the last, milliseconds since run start.
        packing: PLAIN or PACKED.
        crc: over all else.
    """

    id: int
    boot: int
    first_seq: int
    last_seq: int
    n: int
    run_ms: int
    end_ms: int
    packing: int
    crc: int
    data: bytes


def row_of(
    end: int, boot: int, run_ms: int, end_ms: int, records: FrameArray, packing: int
) -> tuple[int, int, int, int, int, int, int, int, int, bytes]:
    """Return the row (BatchRow's columns) of one batch that ends with the run's frame number `end`."""
    n = len(records)
    seqs = records["seq"]
    first, last = int(seqs[0]), int(seqs[-1])
    data = records.tobytes() if packing == PLAIN else _packed(records)
    crc = zlib.crc32(data, zlib.crc32(_GUARDED.pack(end, boot, first, last, n, run_ms, end_ms, packing)))
    return end, boot, first, last, n, run_ms, end_ms, packing, crc, data


def fault_of(row: BatchRow) -> str:
    """Return why a row cannot be trusted, "" when it can."""
    try:
        guarded = _GUARDED.pack(*row[:8])
        if row.crc == zlib.crc32(row.data, zlib.crc32(guarded)):
            return ""
    except (TypeError, struct.error) as error:
        return str(error)  # rot can turn a number into text or nothing
    return "CRC does not match"


def records_of(row: BatchRow) -> FrameArray:
    """Return the records of a sound row; read-only.

    Raises:
        ValueError, zlib.error: the blob is not what its row says.
    """
    if row.packing == PLAIN:
        found: FrameArray = np.frombuffer(row.data, RECORD_DTYPE)
        if len(found) != row.n:
            raise ValueError(f"{len(found)} frames instead of {row.n}")
        return found
    return _unpacked(row.data, row.n)


def joined(parts: Sequence[FrameArray]) -> FrameArray:
    """Return records as one array, which may be read-only or the only part itself."""
    if len(parts) == 1:
        return parts[0]
    # As bytes: numpy compares the dtypes of all parts field by field when it joins them itself.
    found: FrameArray = np.frombuffer(b"".join(part.data for part in parts), RECORD_DTYPE)
    return found


def _packed(records: FrameArray) -> bytes:
    """Return the blob: column by column of four bytes each, deflated.

    A board's readings are whole steps of its converters, so in a minute most
    columns hold few different values: those become a sorted table and one byte
    a row, a third less than shuffling alone. A column of more than 256 values is
    shuffled: the same bytes of neighbouring rows side by side.

    Layout before deflating, little-endian: u16 size of each column's table, 0
    for none; the tables; then for each column n bytes, or four times n.
    """
    n = len(records)
    words = np.ascontiguousarray(np.ascontiguousarray(records).view("<u4").reshape(n, _WORDS).T)
    ordered = np.sort(words, axis=1)
    is_new = np.ones(ordered.shape, np.bool_)
    is_new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    sizes = is_new.sum(axis=1)
    sizes[sizes > _MOST_IN_TABLE] = 0
    tables = [ordered[k][is_new[k]] for k in np.flatnonzero(sizes)]
    numbered = iter(tables)
    parts = [sizes.astype("<u2").tobytes(), *(table.tobytes() for table in tables)]
    for column, size in zip(words, sizes, strict=True):
        if size:
            parts.append(np.searchsorted(next(numbered), column).astype(np.uint8).tobytes())
        else:
            parts.append(column.view(np.uint8).reshape(n, 4).T.tobytes())
    return zlib.compress(b"".join(parts), 1)


def _unpacked(data: bytes, n: int) -> FrameArray:
    if not 0 <= n <= _MOST_FRAMES:
        raise ValueError(f"{n} frames in a batch; allowed: {_MOST_FRAMES} at most")
    # Never more than the row speaks of: a made-up blob could unpack to any size.
    unpacking = zlib.decompressobj()
    plain = np.frombuffer(unpacking.decompress(data, _WORDS * (2 + 4 * 256) + n * _SIZE + 1), np.uint8)
    if not unpacking.eof:
        raise ValueError(f"the blob does not end after {n} frames")
    sizes = plain[: 2 * _WORDS].view("<u2").astype(np.int64)
    at = 2 * _WORDS + 4 * int(sizes.sum())
    if len(plain) != at + n * int(np.where(sizes > 0, 1, 4).sum()):
        raise ValueError(f"{len(plain)} bytes, not {n} frames")
    tables = plain[2 * _WORDS : at].view("<u4")
    words = np.empty((_WORDS, n), "<u4")
    start = 0
    for column, size in zip(words, sizes.tolist(), strict=True):
        if size:
            column[:] = tables[start : start + size][plain[at : at + n]]
            start, at = start + size, at + n
        else:
            column.view(np.uint8).reshape(n, 4)[:] = plain[at : at + 4 * n].reshape(4, n).T
            at += 4 * n
    records: FrameArray = np.ascontiguousarray(words.T).view(RECORD_DTYPE).reshape(n)
    return records


def signed_ms(later: int, earlier: int) -> int:
    """Return later - earlier of two 32-bit millisecond counters, across their wrap."""
    return (later - earlier + (_WRAP_MS >> 1)) % _WRAP_MS - (_WRAP_MS >> 1)


def steps_ms(t_ms: SeqArray) -> npt.NDArray[np.int32]:
    """Return the steps of a 32-bit millisecond counter, shape (n - 1,), across its wrap."""
    return (t_ms[1:] - t_ms[:-1]).view(np.int32)


def elapsed_ms(t_ms: SeqArray) -> MsArray:
    """Return milliseconds since the first, over any number of counter wraps."""
    elapsed = np.zeros(len(t_ms), np.int64)
    np.cumsum(steps_ms(t_ms), out=elapsed[1:])
    return elapsed


def block_at(frames: FrameArray, run_ms: MsArray) -> SampleBlock:
    """Return frames as a block with each at its own run_ms."""
    plain = block_from_frames(frames, 0)
    return SampleBlock(
        run_ms / 1000.0,
        plain.mean,
        plain.minimum,
        plain.maximum,
        plain.mains_on,
        plain.limiter_in,
        plain.drive_on,
    )


def block_of(batches: list[tuple[int, FrameArray]]) -> SampleBlock:
    """Return batches as one block; each is (run_ms of its first frame, records)."""
    frames: FrameArray = joined([records for _, records in batches])["frame"]
    elapsed = elapsed_ms(frames["t_ms"])
    sizes = [len(records) for _, records in batches]
    starts = np.cumsum([0, *sizes[:-1]])
    # Within a batch the board's counter tells; where one begins, the journal does.
    shift = np.array([run_ms for run_ms, _ in batches]) - elapsed[starts]
    return block_at(frames, elapsed + np.repeat(shift, sizes))
