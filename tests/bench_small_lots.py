"""Print how often small lots of parts are found odd, with nothing odd in them and with something.

python tests/bench_small_lots.py

Beside it the modified z-score (median and median deviation, limit 3.5; Iglewicz and Hoaglin 1993, from memory)
on the same lots: what a rule for large samples does with four to ten readings.
"""

from __future__ import annotations

import time

import numpy as np
import numpy.typing as npt

from benchwarden.parts.small_lots import ALPHA, LEAST, found_from, judged

SIZES = range(LEAST, 11)
# How many quantities are usually measured; each gets this share of ALPHA.
QUANTITIES = 4


def lots(seed: int, n: int, count: int, shift: tuple[float, ...] = ()) -> npt.NDArray[np.float64]:
    """Return readings of `count` lots of n, spread 1, the first ones moved by `shift`."""
    x = np.random.default_rng([seed, n]).standard_normal((count, n))
    x[:, : len(shift)] += shift
    return x


def share_found(
    x: npt.NDArray[np.float64], alpha: float, upward: bool = False, pieces: frozenset[int] | None = None
) -> float:
    """Return the share of lots found odd; with `pieces`, only where exactly these are pointed at."""
    found = 0
    for row in x:
        result = judged(row, upward)
        if result is not None and result.p < alpha:
            found += pieces is None or frozenset(result.looked[0].odd) == pieces
    return found / len(x)


def share_far_from_median(x: npt.NDArray[np.float64]) -> float:
    """Return the share of lots in which a modified z-score exceeds 3.5."""
    off = np.abs(x - np.median(x, axis=1, keepdims=True))
    mad = np.median(off, axis=1, keepdims=True)
    return float(np.mean((0.6745 * off > 3.5 * mad).any(axis=1)))


def main() -> None:
    started = time.process_time()
    for n in SIZES:
        judged(np.arange(n, dtype=float))
    print(f"simulating good lots of 4 to 10: {time.process_time() - started:.2f} s, once per process\n")
    print(
        f"4000 good lots: share called odd (asked for: {ALPHA:g}, and {ALPHA / QUANTITIES:g} for one quantity of four)"
    )
    print("pieces   both ways  upwards   one of four   modified z > 3.5")
    for n in SIZES:
        good = lots(1, n, 4000)
        rates = (share_found(good, ALPHA), share_found(good, ALPHA, True), share_found(good, ALPHA / QUANTITIES))
        print(
            f"{n:6}     {rates[0]:.3f}      {rates[1]:.3f}     {rates[2]:.4f}       {share_far_from_median(good):.3f}"
        )
    print(f"\n1000 lots each with odd pieces so many spreads off: share found at {ALPHA / QUANTITIES:g}, four measured")
    kinds: dict[str, tuple[float, ...]] = {"one": (1.0,), "two alike": (1.0, 1.0), "one up, one down": (1.0, -1.0)}
    print("pieces  " + "".join(f"{f'{name}, {k} off':>26}" for name in kinds for k in (8, 12)))
    for n in SIZES:
        shares = [
            share_found(lots(2, n, 1000, tuple(k * s for s in signs)), ALPHA / QUANTITIES)
            for signs in kinds.values()
            for k in (8, 12)
        ]
        print(f"{n:6}  " + "".join(f"{share:26.2f}" for share in shares))
    print("\nwhere `found_from` says that one is found in four lots of five")
    for n in SIZES:
        share = share_found(lots(3, n, 1000, (found_from(n),)), ALPHA / QUANTITIES)
        print(f"{n:6}  {found_from(n):5.1f} off: {share:.2f}")


if __name__ == "__main__":
    main()
