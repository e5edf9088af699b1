"""Checks before power: what passes, what blocks, what a reason excuses."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.core.cold_checks import BY_KEY, CHANNELS, COLD_CHECKS, gate, judge_result
from benchwarden.core.job import CheckResult
from benchwarden.core.unit import Unit
from benchwarden.errors import JobError, PlanError
from benchwarden.record.cold_check_file import empty_checks, load_checks

# Readings that a sound set gives; the allowed values are checked one by one below.
_SOUND = {"V": 0.55, "ohm": 1e9, "uF": 10_000.0, "nF": 100.0, "": None}
_READINGS = {
    "discharged": (None, 0.1),
    "emitter resistors": (0.22, 0.225),
    "fusible resistors": (47.0, 49.0),
    "carbon resistors": (2200.0, 2310.0),
    "output network resistor": (10.0, 10.2),
    "output network capacitor": (100.0, 97.0),
    "reservoir capacitors": (10_000.0, 9400.0),
    "protective earth": (None, 0.1),
    "output inductor": (None, 0.05),
}


def sound() -> list[CheckResult]:
    found = []
    for check in COLD_CHECKS:
        marked, measured = _READINGS.get(check.key, (None, _SOUND[check.unit]))
        for side in CHANNELS if check.per_channel else ("",):
            found.append(CheckResult(check.key, "passed", side, marked, measured))
    return found


def but(key: str, **changes: object) -> list[CheckResult]:
    """The sound set's results with the first of one check changed."""
    results = sound()
    at = next(i for i, result in enumerate(results) if result.check == key)
    results[at] = replace(results[at], **changes)  # type: ignore[arg-type]
    return results


def test_a_sound_set_may_start() -> None:
    found = gate(sound())
    assert found.is_open
    assert found.excused == ()
    assert {item.state for item in found.judged} == {"passed"}


def test_nothing_done_blocks_with_every_required_check_and_what_it_would_do() -> None:
    found = gate([])
    required = [check for check in COLD_CHECKS if check.required]
    assert len(found.blocking) == sum(2 if check.per_channel else 1 for check in required)
    assert all(check.harm in " ".join(found.blocking) for check in required)


@pytest.mark.parametrize(
    ("key", "changes"),
    [
        # Edges of the limits as the catalogue states them (sources are there).
        ("emitter resistors", {"measured": 0.22 * 1.11}),
        ("emitter resistors", {"measured": 0.22 * 0.89}),
        ("fusible resistors", {"noisy": True}),
        ("carbon resistors", {"measured": 2200 * 1.21}),
        ("case insulation", {"measured": 9.9e6}),
        ("junctions", {"measured": 0.02}),
        ("reservoir capacitors", {"measured": 7900.0}),
        # DIN VDE 0701-0702 (from memory): 1 megohm for class I.
        ("mains insulation", {"measured": 0.99e6}),
        ("discharged", {"measured": 24.0}),
        # The negative rail's reservoir, charged.
        ("discharged", {"measured": -24.0}),
        ("protective earth", {"measured": -0.1}),
        ("bias minimum", {"state": "failed"}),
        ("output network capacitor", {"state": "skipped"}),
        # Ticked without the reading it is judged by.
        ("output network resistor", {"measured": None}),
        ("output network resistor", {"marked": None}),
        ("output network resistor", {"marked": 0.0}),
    ],
)
def test_one_bad_check_blocks_until_somebody_says_why(key: str, changes: dict[str, object]) -> None:
    found = gate(but(key, **changes))
    assert len(found.blocking) == 1
    assert BY_KEY[key].title in found.blocking[0]
    assert BY_KEY[key].harm in found.blocking[0]
    assert not gate(but(key, **changes, why="short")).is_open
    excused = gate(but(key, **changes, why="the owner has the part on order"))
    assert excused.is_open
    assert len(excused.excused) == 1
    assert "the owner has the part on order" in excused.excused[0]


def test_an_iec_60062_band_within_its_tolerance_passes() -> None:
    # IEC 60062, letter codes K and M (from memory): 10 and 20 %. A new 10 % part is sound, at both ends.
    for ratio in (0.90, 1.10):
        assert judge_result(CheckResult("carbon resistors", "passed", "", 1000.0, 1000.0 * ratio)).state == "passed"
    assert judge_result(CheckResult("output network capacitor", "passed", "left", 100.0, 80.0)).state == "passed"


def test_a_ticked_check_does_not_overrule_its_reading() -> None:
    judged = judge_result(CheckResult("case insulation", "passed", "left", measured=3e6))
    assert judged.state == "failed"
    assert "3 Mohm" in judged.why
    assert "10 Mohm or more" in judged.why


def test_every_part_of_several_has_to_pass() -> None:
    results = [*sound(), CheckResult("fusible resistors", "passed", "R12", 47.0, 90.0)]
    assert len(gate(results).blocking) == 1


def test_marked_values_contradict_the_unit_facts() -> None:
    unit = Unit(60.0, 8.0, 42.0, 0.47, 11.0, 100.0)
    (words,) = gate(sound(), unit).blocking
    assert "0.22 ohm" in words
    assert "0.47 ohm" in words
    assert gate(sound(), replace(unit, emitter_resistor_ohm=0.22)).is_open


def test_a_result_for_no_check_or_no_channel_is_refused() -> None:
    with pytest.raises(PlanError, match="check = 'nothing'; allowed: discharged, "):
        gate([CheckResult("nothing", "passed")])
    with pytest.raises(PlanError, match="case insulation: position = 'Q7'; allowed: text that begins with left"):
        gate([CheckResult("case insulation", "passed", "Q7")])


def test_the_empty_file_reads_back_and_blocks(tmp_path: Path) -> None:
    path = tmp_path / "checks.toml"
    path.write_text(empty_checks(), encoding="utf-8")
    results = load_checks(path)
    assert len(gate(results).blocking) == len(gate([]).blocking)
    assert {result.check for result in results} == set(BY_KEY)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            '[[check]]\ncheck = "junctions"\nstate = "fine"\n',
            "check 1: state = 'fine'; allowed: passed, failed, skipped",
        ),
        ('[[check]]\ncheck = "junctions"\n', "check 1: state"),
        ("[[checks]]\n", "checks is not a key"),
        ("check = 3\n", "check is no list"),
        ("[[check]\n", "checks.toml"),
    ],
)
def test_a_wrong_file_names_file_and_key(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "checks.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises((JobError, PlanError), match=words) as caught:
        load_checks(path)
    assert str(path) in str(caught.value)
