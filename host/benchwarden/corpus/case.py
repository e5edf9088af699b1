"""What is true in one seeded run: the frames, and everything a judge is held against."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchwarden.core.channels import BITS
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit

# Settings may be chosen on seeds below this, figures are reported from REPORTING_SEED on.
TUNING_SEEDS = 6000
REPORTING_SEED = 7000
HEALTHY = "healthy"
MARGINAL = "marginal"
# A loop of this gain lets every outside change through five times over, and its own gain
# rises with its current: what a careful technician would still hand out ends here.
# Common practice, no source; instability itself begins at one.
HEALTHY_GAIN = 0.8
SIDES = ("left", "right")


@dataclass(frozen=True)
class Question:
    """What the forecast should say at one moment of a stretch in which nobody touched anything.

    Attributes:
        t_s: when it is asked.
        side: 0 left, 1 right.
        taus: how many true time constants of the closed loop the stretch has lasted.
        final_v: where the idle bias drop ends at the mains and ambient of this moment,
            NaN when there is no equilibrium.
        loop_gain: true thermal loop gain there, through the heatsink (see `thermal_loop`).
        tau_s: true slowest time constant, closed loop.
    """

    t_s: float
    side: int
    taus: float
    final_v: float
    loop_gain: float
    tau_s: float


@dataclass(frozen=True)
class Truth:
    """What is known of a run because a model made it.

    Attributes:
        model: "bench" or "second".
        kind: "healthy", "marginal" or a fault.
        look_alikes: what resembles a fault and is none.
        onset_s: when the fault began; infinite in a healthy run.
        channel: where it is, "" if nowhere.
        causes: which causes of a trip are right.
        driven: the test signal was on at the onset.
        damaged: (t_s, what) destroyed because nobody opened the relay.
        unsafe_s: first time a sink passed the limit in force for it, or an idle bias stayed far
            beyond its target; infinite if never.
        loop_gain: largest true gain of the two channels at their target, NaN if not known.
    """

    model: str
    kind: str
    seed: int
    look_alikes: tuple[str, ...] = ()
    severity: float = 0.0
    onset_s: float = math.inf
    channel: str = ""
    causes: frozenset[str] = frozenset()
    driven: bool = False
    damaged: tuple[tuple[float, str], ...] = ()
    unsafe_s: float = math.inf
    loop_gain: float = math.nan
    questions: tuple[Question, ...] = ()

    @property
    def damage_s(self) -> float:
        """Return when the first part was destroyed, infinite if none was."""
        return self.damaged[0][0] if self.damaged else math.inf

    @property
    def sound(self) -> bool:
        """Return whether silence is right all through this run."""
        return self.kind == HEALTHY and not self.damaged and math.isinf(self.unsafe_s)


@dataclass(frozen=True)
class Case:
    """One run as a judge gets it, and its truth."""

    unit: Unit
    block: SampleBlock
    truth: Truth
    known_bits: tuple[str, ...] = BITS


def seeds_are(first_seed: int, runs: int) -> str:
    """Return in words what these seeds may be used for."""
    if first_seed + runs <= TUNING_SEEDS:
        return "tuning seeds: settings were chosen on such runs, these are no figures to report"
    if first_seed >= REPORTING_SEED:
        return "reporting seeds: no setting was chosen on these runs"
    return "seeds between or across: neither for tuning nor for reporting"
