"""Which frame numbers of a run have been taken?"""

from __future__ import annotations

from bisect import bisect_left, bisect_right


class Covered:
    """A set of whole numbers kept as few intervals (start, stop], which may be added in any order."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._stops: list[int] = []

    @property
    def count(self) -> int:
        """How many numbers are in it."""
        return sum(self._stops) - sum(self._starts)

    def add(self, start: int, stop: int) -> None:
        """Take start + 1 to stop."""
        if stop <= start:
            return
        first = bisect_left(self._stops, start)
        last = bisect_right(self._starts, stop)
        if first < last:
            start, stop = min(start, self._starts[first]), max(stop, self._stops[last - 1])
        self._starts[first:last] = [start]
        self._stops[first:last] = [stop]

    def missing(self, start: int, stop: int) -> list[tuple[int, int]]:
        """Return the intervals (a, b] of (start, stop] that are not in it."""
        found = []
        for at in range(bisect_right(self._stops, start), len(self._starts)):
            if self._starts[at] >= stop:
                break
            if self._starts[at] > start:
                found.append((start, self._starts[at]))
            start = max(start, self._stops[at])
        if start < stop:
            found.append((start, stop))
        return found
