"""Invented frames for journal tests."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE


def frames(count: int, t_ms: int = 0, seed: int = 0) -> npt.NDArray[np.void]:
    """Return frames 100 ms apart from t_ms on (wrapping at 2^32), every float32 pattern possible but NaN."""
    rng = np.random.default_rng(seed)
    out = np.zeros(count, FRAME_DTYPE)
    out["t_ms"] = (t_ms + 100 * np.arange(count, dtype=np.int64)) % 2**32
    out["scan"] = 10 * np.arange(count)
    out["valid"] = 0x1FFF
    out["bits"] = rng.integers(0, 8, count)
    for name in ("mean", "min", "max"):
        values = rng.integers(0, 2**32, (count, 13), dtype=np.uint32).view(np.float32)
        out[name] = np.where(np.isfinite(values), values, np.float32(1.5))
    return out


def seqs(first: int, count: int) -> npt.NDArray[np.uint32]:
    return np.arange(first, first + count, dtype=np.uint32)
