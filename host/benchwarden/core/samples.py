"""Frozen sample blocks: what every detector, view and record is fed with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.channels import CHANNELS
from wardenfw import wire

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

N = len(CHANNELS)

# One FRAME payload, byte for byte (wire.FRAME_FORMAT).
FRAME_DTYPE = np.dtype(
    [
        ("t_ms", "<u4"),
        ("scan", "<u4"),
        ("stage_id", "<u2"),
        ("valid", "<u2"),
        ("overruns", "<u2"),
        ("state", "u1"),
        ("bits", "u1"),
        ("mean", "<f4", (N,)),
        ("min", "<f4", (N,)),
        ("max", "<f4", (N,)),
    ]
)
assert FRAME_DTYPE.itemsize == wire.FRAME_SIZE


@dataclass(frozen=True)
class SampleBlock:
    """Consecutive frames of one run, oldest first.

    Channel values are float32 because the wire carries float32: a live run, its
    journal and its exported recording then give the very same numbers.

    Attributes:
        t_s: time since run start, shape (n,), seconds, strictly increasing.
        mean, minimum, maximum: shape (n, channels) in CHANNELS order, SI units,
            NaN where a value is missing.
        mains_on, limiter_in, drive_on: shape (n,).
    """

    t_s: FloatArray
    mean: Float32Array
    minimum: Float32Array
    maximum: Float32Array
    mains_on: BoolArray
    limiter_in: BoolArray
    drive_on: BoolArray

    def __len__(self) -> int:
        return len(self.t_s)

    def part(self, start: int, stop: int) -> SampleBlock:
        """Return frames start to stop (not included) as views, nothing copied."""
        cut = slice(start, stop)
        return SampleBlock(
            self.t_s[cut],
            self.mean[cut],
            self.minimum[cut],
            self.maximum[cut],
            self.mains_on[cut],
            self.limiter_in[cut],
            self.drive_on[cut],
        )


def block_from_frames(frames: npt.NDArray[np.void], t0_ms: int) -> SampleBlock:
    """Return the block that holds `frames` (FRAME_DTYPE, shape (n,)), timed from t0_ms.

    A channel the board marks as not valid is NaN, whatever number came with it.
    """
    bad = (frames["valid"][:, None] >> np.arange(N)) & 1 == 0

    def cleaned(name: str) -> Float32Array:
        values: Float32Array = np.array(frames[name], dtype=np.float32)
        values[bad] = np.nan
        return values

    bits = frames["bits"]
    return SampleBlock(
        # Unsigned difference: the board's count wraps after 49 days, a run does not notice.
        t_s=(frames["t_ms"] - np.uint32(t0_ms)).astype(np.float64) / 1000.0,
        mean=cleaned("mean"),
        minimum=cleaned("min"),
        maximum=cleaned("max"),
        mains_on=(bits & wire.MAINS_ON) != 0,
        limiter_in=(bits & wire.LIMITER_IN) != 0,
        drive_on=(bits & wire.DRIVE_ON) != 0,
    )
