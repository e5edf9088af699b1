"""The scripted person's answers: what a meter's display would show, digit for digit."""

from __future__ import annotations

from typing import Any, cast

import pytest

from benchwarden.calibrate_script import ScriptedPerson
from benchwarden.core.procedure import Ask
from benchwarden.virtual.hands import Hands
from benchwarden.virtual.reference_meter import ReferenceMeter


class _Meter:
    def __init__(self, value: float, step: float) -> None:
        self._answer = {"value": value, "step": step}

    def act(self, what: str, **facts: Any) -> dict[str, Any]:
        assert (what, facts) == ("meter", {"channel": "hf_left_v"})
        return self._answer


@pytest.mark.parametrize(
    ("value", "step", "shown"),
    [
        (2.0140000000000002, 1e-3, "2.014"),
        (1.5005000000000002, 1e-4, "1.5005"),
        (10.0, 1e-3, "10.000"),
        (0.199928, 1e-6, "0.199928"),
        (-0.0, 1e-3, "0.000"),
        (49.93, 0.01, "49.93"),
        (120.0, 10.0, "120"),
    ],
)
def test_the_meter_is_read_with_the_digits_it_shows(value: float, step: float, shown: str) -> None:
    person = ScriptedPerson(cast("Hands", _Meter(value, step)))
    assert person.answer(Ask("hf_left_v.2.reference", "What does the reference read?", "number")) == shown


def test_a_display_has_no_value_between_its_steps() -> None:
    # Binary fractions miss most steps by less than a millionth of one.
    steps = ReferenceMeter(3).reads("hf_left_v", 2.0123456) / 1e-3
    assert steps == pytest.approx(round(steps), abs=1e-6)
