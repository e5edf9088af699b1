"""Is an HF probe still plugged in? Even a quiet set and its detector give a little."""

from __future__ import annotations

from benchwarden.analysis.notice import warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import HF, SIDES, Situation
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

# An HF input that hangs loose falls below the floor its own channel had: by this
# share and by this many of its own deviations, for this long.
_SHARE, _TIMES, _HOLD_S = 0.35, 6.0, 20.0
_LEARN_S = 60.0


class HfFloor:
    """Compares each HF level at calm idle with the floor of its own first minute."""

    def __init__(self) -> None:
        self._level_v = [0.0, 0.0]
        self._noise_v = [0.0, 0.0]
        self._learned_s = [0.0, 0.0]
        self._gone_s = [0.0, 0.0]

    def second(self, second: Second, now: Situation) -> list[Finding]:
        found: list[Finding] = []
        if not (now.idle and now.still_s > 5.0 and now.drive_s > 5.0):
            return found
        for k in range(2):
            value, level = second.mean[HF[k]], self._level_v[k]
            if value != value:
                continue
            if self._learned_s[k] < _LEARN_S:
                self._learned_s[k] += now.dt_s
                weight = min(now.dt_s / self._learned_s[k], 1.0)
                self._noise_v[k] += weight * (abs(value - level) - self._noise_v[k]) if level else 0.0
                self._level_v[k] += weight * (value - level)
                continue
            below = level - value
            if value < _SHARE * level and below > _TIMES * self._noise_v[k]:
                self._gone_s[k] += now.dt_s
                if self._gone_s[k] >= _HOLD_S:
                    words = (
                        f"{CHANNELS[HF[k]]} has read {value * 1e3:.1f} mV for {self._gone_s[k]:.0f} s, its floor was "
                        f"{level * 1e3:.1f} mV: probe unplugged? Oscillation there would not be seen"
                    )
                    found.append(warning(second.t_s, "sensor-fault", SIDES[k], words))
                continue
            self._gone_s[k] = 0.0
            if value < 3.0 * level:
                self._noise_v[k] += 0.02 * (abs(below) - self._noise_v[k])
                self._level_v[k] -= 0.02 * below
        return found
