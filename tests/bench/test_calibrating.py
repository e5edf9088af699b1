"""Calibration end to end: real firmware, real link, a rig whose truth is known."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from calibrating import calibrate_and_check

from benchwarden.core.channels import CHANNEL

pytestmark = pytest.mark.bench


@pytest.mark.slow
def test_a_calibrated_board_tells_the_truth_within_its_uncertainty(tmp_path: Path) -> None:
    """The meter's own error is drawn within what it states; U has to cover it and what the parts leave."""
    channels = ("rail_pos_a", "offset_left_v", "bias_right_v", "sink_left_c", "hf_left_v")
    done = calibrate_and_check(11, channels, tmp_path)
    assert [result.channel for result in done.outcome.results] == [c for c in CHANNEL if c in channels], done.said
    assert all(check.calibrated for check in done.checks)
    outside = [check for check in done.checks if not check.covered]
    assert not outside
    # The board measures with it: its own correction took out what the parts were off by.
    for check in done.checks:
        if check.channel in ("rail_pos_a", "bias_right_v") and check.true > 0.1:
            assert abs(check.error) < 0.0015 * abs(check.true)
    (record,) = Path(tmp_path / "boards").glob("*/calibration-*.json")
    kept = json.loads(record.read_text())
    assert kept["virtual"] is True
    assert not list(record.parent.glob("*.draft.json")), "the draft has become a record"
