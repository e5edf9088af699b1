"""Rates of HF events against a reference library and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from signals import Bench, unit
from statsmodels.stats.rates import confint_poisson_2indep, test_poisson_2indep

from benchwarden.analysis.burst_rates import Exposure, rate_ratio
from benchwarden.analysis.hf_events import HfEvent
from benchwarden.analysis.seconds import SecondCutter
from benchwarden.analysis.situation import Facts, Situation, StageNow

test_poisson_2indep.__test__ = False


@pytest.mark.parametrize(
    ("first", "first_s", "second", "second_s"),
    [(11, 800.0, 21, 3011.0), (60, 514.775, 30, 543.087), (7, 100.0, 1, 300.0), (6, 50.0, 1, 200.0)],
)
def test_the_chance_of_a_split_is_the_conditional_one(first: int, first_s: float, second: int, second_s: float) -> None:
    # Reference: statsmodels, exact conditional test of two Poisson rates.
    found = rate_ratio(first, first_s, second, second_s)
    reference = test_poisson_2indep(first, first_s, second, second_s, method="exact-cond")
    assert found.p == pytest.approx(reference.pvalue, rel=1e-9)
    assert found.low < found.ratio < found.high or second == 0


def test_a_published_ratio() -> None:
    # Example of the R manual's poisson.test (from memory): 11 in 800 against 21 in 3011:
    # ratio 1.971488, 95 % interval 0.8584264 to 4.2772659, p 0.07967.
    found = rate_ratio(11, 800.0, 21, 3011.0)
    assert found.ratio == pytest.approx(1.971488, abs=1e-6)
    assert found.low == pytest.approx(0.8584264, abs=1e-6)
    assert found.high == pytest.approx(4.2772659, abs=1e-6)
    assert found.p == pytest.approx(0.07967, abs=1e-5)


def test_the_interval_is_near_the_large_sample_one() -> None:
    # Reference: statsmodels' score interval; exact ones are a little wider.
    found = rate_ratio(60, 514.775, 30, 543.087)
    low, high = confint_poisson_2indep(60, 514.775, 30, 543.087, method="score", compare="ratio")
    assert found.low == pytest.approx(low, rel=0.05)
    assert found.high == pytest.approx(high, rel=0.05)
    assert found.low < low
    assert found.high > high


def test_the_interval_covers_the_ratio() -> None:
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(300):
        first, second = int(rng.poisson(8.0)), int(rng.poisson(4.0))
        if first + second:
            found = rate_ratio(first, 100.0, second, 100.0)
            hits += found.low <= 2.0 <= found.high
    # An exact interval covers at least 95 %; 300 runs leave 2.5 %.
    assert hits / 300 >= 0.93


def test_nothing_has_no_ratio() -> None:
    with pytest.raises(ValueError, match="0 events"):
        rate_ratio(0, 1.0, 0, 1.0)
    with pytest.raises(ValueError, match="in 0 s"):
        rate_ratio(1, 0.0, 0, 1.0)


def exposed(seconds: float = 1200.0) -> tuple[Exposure, Bench]:
    """Return the exposure of a run that warms from 22 to 30 C."""
    bench = Bench(unit(), seconds, rate_hz=1.0)
    facts = Facts.of(bench.unit, ("mains_on", "limiter_in", "drive_on"))
    situation, exposure = Situation(facts), Exposure()
    cutter = SecondCutter()
    stage = StageNow(0.0, "", 100.0, False, False, None)  # type: ignore[arg-type]
    for second in [*cutter.feed(bench.block), *cutter.finish()]:
        situation.update(second, stage)
        exposure.add(second, situation)
    return exposure, bench


def event(start_s: float, sink_c: float, drive: bool = False, length_s: float = 0.5) -> HfEvent:
    return HfEvent("left", start_s, start_s + length_s, 0.4, 0.2, sink_c, drive)


def test_bursts_that_come_warm_are_called_so() -> None:
    exposure, _ = exposed()
    told = exposure.table(0, [event(600.0 + 40.0 * i, 29.4) for i in range(12)])
    assert told["events"] == told["happenings"] == 12
    assert told["goes_with"] == "warmth"
    assert told["warm_to_cold_rate_95"][0] > 1.0
    assert exposure.table(1, [])["events"] == 0


def test_bursts_spread_over_the_run_go_with_nothing() -> None:
    exposure, bench = exposed()
    sink = bench.block.mean[:, 8]
    times = [60.0 + 100.0 * i for i in range(11)]
    told = exposure.table(0, [event(t, float(sink[int(t)])) for t in times])
    assert told["goes_with"] is None


def test_bursts_of_one_happening_count_once() -> None:
    exposure, _ = exposed()
    told = exposure.table(0, [event(600.0 + 2.0 * i, 29.4) for i in range(12)])
    assert (told["events"], told["happenings"]) == (12, 1)
    assert told["warm_to_cold_rate"] is None
    assert told["longest_s"] == 0.5
    assert told["largest_v"] == 0.4
