"""Ten-second means of both sinks, the room and both idle powers: what slow heat tests look at."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import AMBIENT, NEG_A, NEG_V, POS_A, POS_V, SINK, Situation

BLOCK_S = 10
MOST = 72


@dataclass(frozen=True, slots=True)
class HeatBlock:
    """One block.

    Attributes:
        t_s: its end.
        sink_c: means of left and right, Celsius; ambient_c of the room.
        power_w: idle dissipation of left and right by their bias drops.
        rails_w: everything both rails delivered, drive included.
        idle: mains on, no signal and nothing switched in any of its seconds.
    """

    t_s: float
    sink_c: tuple[float, float]
    ambient_c: float
    power_w: tuple[float, float]
    rails_w: float
    idle: bool


class HeatBlocks:
    """Gathers seconds into blocks, the newest twelve minutes of them; begins anew after a gap."""

    def __init__(self) -> None:
        self.blocks: deque[HeatBlock] = deque(maxlen=MOST)
        self._sum = [0.0] * 6
        self._n = 0
        self._idle = True

    def add(self, second: Second, now: Situation) -> bool:
        """Take in one second; return True when it completed a block."""
        if now.gap:
            self.blocks.clear()
            self._start()
        mean, total = second.mean, self._sum
        total[0] += mean[SINK[0]]
        total[1] += mean[SINK[1]]
        total[2] += mean[AMBIENT]
        left, right = now.power_w
        total[3] += left
        total[4] += right
        total[5] += mean[POS_A] * abs(mean[POS_V]) + mean[NEG_A] * abs(mean[NEG_V])
        self._idle = self._idle and now.idle
        self._n += 1
        if self._n < BLOCK_S:
            return False
        a, b, c, d, e, f = (v / self._n for v in total)
        self.blocks.append(HeatBlock(second.t_s, (a, b), c, (d, e), f, self._idle))
        self._start()
        return True

    def _start(self) -> None:
        self._sum, self._n, self._idle = [0.0] * 6, 0, True


def usual(values: list[float]) -> float:
    """Return the mean of what is known, NaN when nothing is."""
    there = [v for v in values if v == v]
    return sum(there) / len(there) if there else math.nan
