"""Does the bias stay where it was put? Intermittent contacts, noise, and the wrong level."""

from __future__ import annotations

from benchwarden.analysis.bias_leaps import BiasLeaps
from benchwarden.analysis.bias_level import BiasLevel
from benchwarden.analysis.bias_noise import BiasNoise
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, HF, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

_HF_COMPANY_V = 0.25
_AFTER_DRIVE_S = 90.0
_STILL_S = 10.0


class Bias:
    """Watches both bias drops while the set idles, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._leaps = BiasLeaps(facts)
        self._noise = BiasNoise(facts)
        self._level = BiasLevel(facts)

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        found: list[Finding] = []
        # Rails dragged down are no idle: what flows then is not bias.
        stands = not now.alive_v < 0.2 * self._facts.rail_v
        calm = now.idle and stands and now.still_s > 3.0 and now.drive_s > 5.0
        quiet = calm and now.still_s > _STILL_S
        if quiet:
            self._noise.measure(0, second)
            self._noise.measure(1, second)
        for k in range(2):
            self._level.see(k, second, now, calm)
            value = second.mean[BIAS[k]]
            if not calm or value != value:
                for part in (self._leaps, self._noise, self._level):
                    part.clear(k)
                continue
            # A bias that leaps together with HF is the oscillation's doing.
            peak_v = second.high[HF[k]]
            if peak_v > _HF_COMPANY_V and peak_v > 4.0 * second.low[HF[k]]:
                self._noise.clear(k)
            else:
                found += self._leaps.second(k, second)
                if self._leaps.stays[k]:
                    self._level.moved(k)
                    self._noise.clear(k)
                elif quiet:
                    found += self._noise.second(k, second, now.dt_s)
            if now.drive_s > _AFTER_DRIVE_S:
                found += self._level.second(k, second, now)
        return found
