"""The judge does not care how the stream is cut, and tells nothing before its time."""

from __future__ import annotations

import json

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.seconds import SecondCutter, part_of
from benchwarden.core.channels import INDEX
from benchwarden.core.findings import Finding
from benchwarden.core.samples import SampleBlock


def eventful() -> SampleBlock:
    """A run in which nearly every detector has something to say."""
    bench = Bench(unit(), 420.0, seed=5)
    bench.bump("hf_left_v", 90.0, 110.0, 1.5)
    bench.bump("rail_pos_a", 90.0, 110.0, 0.05)
    bench.bump("rail_neg_a", 90.0, 110.0, 0.05)
    bench.bump("offset_right_v", 150.0, 170.0, 3.0)
    bench.bump("rail_pos_a", 200.0, 215.0, 4.0)
    bench.block.mean[2300:2320, INDEX["sink_left_c"]] = np.nan
    bench.bump("sink_right_c", 260.0, 300.0, -40.0)
    bench.grow("bias_left_v", 310.0, 12.0)
    return bench.block


def judged(block: SampleBlock, cuts: list[int]) -> tuple[list[Finding], str]:
    judge = Judge(unit())
    found: list[Finding] = []
    for a, b in zip([0, *cuts], [*cuts, len(block)], strict=True):
        found += judge.feed(part_of(block, a, b))
    return found, json.dumps(judge.finish())


def test_any_cut_gives_the_same_findings_to_the_last_bit() -> None:
    block = eventful()
    whole = judged(block, [])
    assert len({f.cause for f in whole[0] if f.severity == "trip"}) >= 4
    assert judged(block, list(range(1, len(block)))) == whole
    rng = np.random.default_rng(3)
    for _ in range(5):
        cuts = sorted(rng.choice(np.arange(1, len(block)), 40, replace=False).tolist())
        assert judged(block, cuts) == whole


def test_an_empty_block_changes_nothing() -> None:
    block = eventful()
    assert judged(block, [100, 100, 100, 2000, 2000]) == judged(block, [])


@pytest.mark.parametrize("stop", [1003, 1570, 2090, 2650])
def test_the_past_is_judged_without_the_future(stop: int) -> None:
    block = eventful()
    early = Judge(unit()).feed(part_of(block, 0, stop))
    late = [f for f in Judge(unit()).feed(block) if f.t_s <= float(block.t_s[stop - 1])]
    # A second is known when it is over; it may still be open at the cut.
    assert early == late[: len(early)]
    assert all(f.t_s > float(block.t_s[stop - 1]) - 1.0 for f in late[len(early) :])


def test_findings_come_in_order_of_time() -> None:
    times = [f.t_s for f in Judge(unit()).feed(eventful())]
    assert times == sorted(times)


def test_seconds_are_the_plain_means_of_their_frames() -> None:
    block = eventful()
    cutter = SecondCutter()
    seconds = [*cutter.feed(block), *cutter.finish()]
    index = np.floor(block.t_s).astype(int)
    assert len(seconds) == len(np.unique(index))
    for second, i in zip(seconds, np.unique(index), strict=True):
        rows = block.mean[index == i].astype(np.float64)
        with np.errstate(invalid="ignore"):
            there = ~np.isnan(rows)
            expected = np.where(there.any(0), np.nansum(rows, axis=0) / there.sum(0), np.nan)
        np.testing.assert_allclose(second.mean, expected, rtol=1e-12, equal_nan=True)
        assert second.high[0] == block.maximum[index == i, 0].astype(float).max()


def test_judging_runs_twice_the_same() -> None:
    block = eventful()
    assert judged(block, [777]) == judged(block, [777])


def test_a_stage_may_not_go_back() -> None:
    judge = Judge(unit(), stages=[(0.0, 25.0, True, False, "a")])
    with pytest.raises(ValueError, match="must not go back"):
        judge.set_stage(-1.0, 50.0, True, False, "b")


def test_stages_told_live_are_the_same_as_stages_told_before() -> None:
    block = eventful()
    rows = [(s.t_start_s, s.mains_pct, s.limiter_in, s.drive_on, s.name) for s in unit().stage]
    judge = Judge(unit(), stages=[])
    found: list[Finding] = []
    start = 0
    for row in rows:
        stop = int(np.searchsorted(block.t_s, row[0]))
        found += judge.feed(part_of(block, start, stop))
        judge.set_stage(*row)
        start = stop
    found += judge.feed(part_of(block, start, len(block)))
    assert (found, judge.finish()) == (lambda j: (j.feed(block), j.finish()))(Judge(unit()))
