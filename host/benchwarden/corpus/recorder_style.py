"""How another logger would have written a run: other columns, gaps, missing values."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.channels import BITS, CHANNELS, INDEX
from benchwarden.core.samples import Float32Array, SampleBlock


@dataclass(frozen=True)
class Style:
    """What a logger leaves out.

    Attributes:
        extremes: minimum and maximum columns are there.
        absent: channels without a column.
        bits: which of the three bits have a column.
        lost: (t_s, length_s) of stretches without frames.
        empty_share: share of single values that are missing.
    """

    extremes: bool = True
    absent: tuple[str, ...] = ()
    bits: tuple[str, ...] = BITS
    lost: tuple[tuple[float, float], ...] = ()
    empty_share: float = 0.0


def usual_style(rng: random.Random) -> Style:
    """Return a style that any run may have: mostly everything is there."""
    bits = BITS if rng.random() < 0.85 else tuple(name for name in BITS if rng.random() < 0.5)
    absent = ("ambient_c",) if rng.random() < 0.1 else ()
    return Style(extremes=rng.random() > 0.15, absent=absent, bits=bits)


def gappy(rng: random.Random, style: Style, length_s: float) -> Style:
    """Return the style with four to nine gaps of half a second to 40 s."""
    lost = tuple(
        sorted((rng.uniform(60.0, length_s), rng.choice((0.5, 2.0, 5.0, 12.0, 40.0))) for _ in range(rng.randint(4, 9)))
    )
    return replace(style, lost=lost)


def patchy(rng: random.Random, style: Style) -> Style:
    """Return the style with single missing values, or with one or two channels absent."""
    if rng.random() < 0.4:
        return replace(style, empty_share=rng.choice((0.002, 0.02, 0.1)))
    absent = rng.sample(CHANNELS, rng.choice((1, 1, 2)))
    return replace(style, absent=tuple(absent))


def written(block: SampleBlock, style: Style, seed: int) -> SampleBlock:
    """Return the block as a logger of this style would have it read back."""
    keep = np.ones(len(block), dtype=np.bool_)
    for start_s, length_s in style.lost:
        keep &= ~((block.t_s >= start_s) & (block.t_s < start_s + length_s))
    mean = block.mean[keep]
    if style.empty_share:
        hole = np.random.default_rng(seed).random(mean.shape) < style.empty_share
        mean = np.where(hole, np.float32(np.nan), mean)
    low, high = (block.minimum[keep], block.maximum[keep]) if style.extremes else (mean.copy(), mean.copy())

    def cleaned(values: Float32Array) -> Float32Array:
        # No extremes without their mean, as in a recording that is read.
        values = np.where(np.isnan(mean), np.float32(np.nan), values)
        for name in style.absent:
            values[:, INDEX[name]] = np.nan
        return values

    return SampleBlock(
        block.t_s[keep],
        cleaned(mean),
        cleaned(low),
        cleaned(high),
        block.mains_on[keep],
        block.limiter_in[keep],
        block.drive_on[keep],
    )
