"""The status file in all its shapes: typed, cleaned, and judged against limits."""

from __future__ import annotations

import math
import random
import unicodedata
from typing import Any

import fake_run
import pytest

from benchwarden.core.channels import CHANNELS
from benchwarden.dashboard import words
from benchwarden.dashboard.margins import rows, scale
from benchwarden.dashboard.status import Board, parse, plain
from benchwarden.dashboard.words import kept_together


def test_every_state_is_parsed_with_one_row_per_channel() -> None:
    for table in fake_run.states().values():
        assert [row.channel for row in rows(parse(table))] == list(CHANNELS)


def test_any_wrong_type_anywhere_is_survived() -> None:
    rng = random.Random(7)
    junk = (None, 5, -1.5, "x", [], {}, [None], [[1, 2]], {"a": 1}, True, math.nan, math.inf, 10**400)

    def spoil(value: object) -> object:
        if rng.random() < 0.15:
            return rng.choice(junk)
        if isinstance(value, dict):
            return {key: spoil(entry) for key, entry in value.items()}
        if isinstance(value, list):
            return [spoil(entry) for entry in value]
        return value

    names = list(fake_run.states())
    for _ in range(300):
        spoilt = spoil(fake_run.fresh(rng.choice(names)))
        if isinstance(spoilt, dict):
            rows(parse(spoilt))


def test_text_loses_what_would_drive_a_terminal_or_disguise_words() -> None:
    # Unicode categories Cc, Cf, Cs: controls, direction overrides, lone surrogates (Unicode 15, chapter 4.5).
    cleaned = plain(fake_run.HOSTILE + "\ud800\x9b31m\r\nnext")
    assert not [ch for ch in cleaned if unicodedata.category(ch) in ("Cc", "Cf", "Cs")]
    assert "next" in cleaned
    assert len(plain("x" * 5000)) == 600


def row_for(channel: str, **reading: list[float] | None):  # type: ignore[no-untyped-def]
    table = fake_run.status("holding", 3)
    table["values"].update(reading)
    return next(row for row in rows(parse(table)) if row.channel == channel)


@pytest.mark.parametrize(
    ("reading", "verdict", "says"),
    [
        ([0.0110, 0.0109, 0.0111], "inside", "14.00 mV left"),
        ([0.0090, 0.0089, 0.0091], "outside", "not as expected"),
        ([0.0239, 0.0238, 0.0240], "near", "near limit: 1.10 mV left"),
        ([0.0262, 0.0259, 0.0266], "above", "ABOVE LIMIT by 1.20 mV"),
        ([0.0200, 0.0180, 0.0251], "peak", "PEAK ABOVE LIMIT: 25.10 mV"),
        ([math.nan, math.nan, math.nan], "missing", "NO READING"),
        (None, "missing", "NO READING"),
    ],
)
def test_bias_is_told_apart_against_a_limit_of_25_mv(reading: list[float] | None, verdict: str, says: str) -> None:
    found = row_for("bias_left_v", bias_left_v=reading)
    assert (found.verdict, found.says) == (verdict, says)


def test_negative_rail_is_judged_with_its_sign() -> None:
    # 31.5 V nominal at 75 %: limits -37.2 V and -18.9 V.
    assert row_for("rail_neg_v", rail_neg_v=[-38.0, -38.1, -37.9]).verdict == "below"
    assert row_for("rail_neg_v", rail_neg_v=[-10.0, -10.1, -9.9]).verdict == "above"
    assert row_for("rail_neg_v", rail_neg_v=[-31.5, -31.6, -31.4]).verdict == "inside"


def test_open_relay_without_rails_is_no_violation_but_excess_is() -> None:
    table = fake_run.status("prompt", 3)
    table["relay"]["contact"] = False
    table["values"]["sink_left_c"] = [91.0, 90.9, 91.1]
    found = {row.channel: row.verdict for row in rows(parse(table))}
    assert found["rail_pos_v"] == found["rail_neg_v"] == "unjudged"
    assert found["sink_left_c"] == "above"


def test_tightest_of_several_limits_counts_and_rates_do_not() -> None:
    table = fake_run.status("holding", 3)
    table["stages"][3]["limits"] += [
        {"channel": "bias_left_v", "kind": "value", "low": None, "high": 0.02, "for_ms": 5000},
        {"channel": "bias_left_v", "kind": "rate", "low": None, "high": 0.001, "for_ms": 5000},
    ]
    found = next(row for row in rows(parse(table)) if row.channel == "bias_left_v")
    assert found.high == "20.00"
    assert found.verdict == "inside"


def test_bar_keeps_order_of_limits_expectation_and_reading() -> None:
    low, high, expected_low, expected_high, least, most, mean, nominal = row_for("rail_pos_v").bar
    assert low is not None
    assert high is not None
    assert expected_low is not None
    assert mean is not None
    assert nominal is not None
    assert least < mean < nominal < expected_high
    assert 0 < low < expected_low < least < mean < most < expected_high < high < 100
    # A reading off the scale stays at its edge.
    assert row_for("rail_pos_v", rail_pos_v=[400.0, 399.0, 401.0]).bar[6] == 100.0


def test_minus_zero_is_written_as_zero() -> None:
    assert scale("offset_left_v").text(-0.0001) == "0"
    assert scale("rail_neg_v").text(-31.5) == "−31.50"


def test_numbers_keep_their_sign_and_unit_on_one_line() -> None:
    assert kept_together("rail -47.4 to -37.2 V at 75 %") == "rail −47.4 to −37.2\u00a0V at 75\u00a0%"
    assert kept_together("power-up of 2-channel set 3 Volts") == "power-up of 2-channel set 3 Volts"


def test_the_calibration_is_told_and_only_a_sound_one_is_good() -> None:
    def board(**changes: Any) -> Board:
        found = parse(fake_run.status(board={**fake_run.status()["board"], **changes})).board
        assert found is not None
        return found

    assert (board().calibration, board().calibration_is_good) == ("uncalibrated", False)
    words = "calibrated 2026-01-10, due 2027-01-10"
    sound = board(cal=words, calibration={"state": "calibrated"}, program="0123456789abcdef")
    assert (sound.calibration, sound.calibration_is_good, sound.program) == (words, True, "0123456789abcdef")
    assert not board(cal=f"{words}; slot b: damaged", calibration={"state": "calibrated"}).calibration_is_good
    assert not board(cal="calibration overdue since 2026-01-01", calibration={"state": "overdue"}).calibration_is_good
    assert board(cal=None).calibration == "calibration unknown"


def told(**changes: Any) -> str:
    table = fake_run.status("holding", 3, outlook={"left": fake_run.outlook(**changes)})
    return "; ".join(words.outlook(parse(table).outlook[0]))


def test_the_outlook_says_what_to_set_and_how_sure_it_is() -> None:
    said = told()
    assert "9.4 mV now, settling" in said
    assert "ends at 12.5 mV (12.1 to 12.9)" in said
    assert "to end at 11.0 mV, set 8.3 mV now" in said
    assert "loop gain 0.44 (0.36 to 0.52)" in said


def test_a_pot_that_stands_well_is_left_alone() -> None:
    assert "set" not in told(final_mv=11.2, state="settled").replace("settled", "")


def test_a_bias_without_an_end_says_when_the_limit_is_met() -> None:
    said = told(final_mv=None, final_95_mv=None, set_now_mv=None, reaches_limit_s=[200.0, 310.0, None])
    assert "does not settle: safe limit in about 5 min 10 s" in said


@pytest.mark.parametrize(
    "raw", [None, [], "x", {"left": 3}, {"left": {"state": 7, "final_95_mv": [1], "reaches_limit_s": {}}}]
)
def test_an_outlook_of_any_shape_is_read(raw: object) -> None:
    for row in parse({"outlook": raw}).outlook:
        assert words.outlook(row) == ("Not known yet: it needs calm idle time.",)
