"""Guided procedures: answers are checked, questions repeated, work done by the driver."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import pytest

from benchwarden.core.procedure import ASK_AT_MOST, Ask, Stopped, Tell, TerminalAnswerer, carry_out, number
from benchwarden.errors import BoardFault, PlanError


class Script:
    """Answers from a list, remembers what it was told."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.told: list[str] = []

    def answer(self, ask: Ask) -> str:
        return self.answers.pop(0)

    def tell(self, text: str) -> None:
        self.told.append(text)


VOLTS = Ask("v", "Reads?", "number", "V", 0.0, 30.0)


@pytest.mark.parametrize(
    ("ask", "answer", "read"),
    [
        (VOLTS, " 12,5 ", "12,5"),
        (VOLTS, "0", "0"),
        (Ask("c", "Go?", "confirm"), "Y", "yes"),
        (Ask("c", "Go?", "confirm"), "no", "no"),
        (Ask("w", "Which?", "choice", choices=("Left", "Right")), "left", "Left"),
        (Ask("t", "Name?", "text"), " A. Person ", "A. Person"),
    ],
)
def test_allowed_answers_come_in_one_spelling(ask: Ask, answer: str, read: str) -> None:
    assert ask.checked(answer) == read


@pytest.mark.parametrize(
    ("ask", "answer", "why"),
    [
        (VOLTS, "31", "allowed: 0 to 30 V"),
        (VOLTS, "nan", "finite"),
        (VOLTS, "twelve", "a number such as"),
        (Ask("v", "", "number", "A", low=0.1), "0", "at least 0.1 A"),
        (Ask("v", "", "number", high=5.0), "6", "at most 5"),
        (Ask("c", "Go?", "confirm"), "", "yes or no"),
        (Ask("w", "Which?", "choice", choices=("left", "right")), "up", "left, right"),
        (Ask("t", "Name?", "text"), "  ", "a few words"),
    ],
)
def test_other_answers_are_refused_with_what_is_allowed(ask: Ask, answer: str, why: str) -> None:
    with pytest.raises(PlanError, match=why):
        ask.checked(answer)


def test_a_decimal_comma_is_a_point() -> None:
    assert number("-1,5e-3") == -1.5e-3


def asking() -> Iterator[Any]:
    volts = yield VOLTS
    yield Tell(f"{number(volts):g} V it is.")
    try:
        yield "work"
    except BoardFault as error:
        yield Tell(str(error))
    return (yield Ask("ok", "Well?", "confirm"))


def test_a_procedure_is_driven_to_its_end() -> None:
    person = Script("much", "12", "y")
    assert carry_out(asking(), person, lambda step: None) == "yes"
    assert person.told[0].startswith("Not understood: ")
    assert person.told[1:] == ["12 V it is."]


def test_what_fails_in_the_work_is_the_procedures_to_judge() -> None:
    def work(step: Any) -> None:
        raise BoardFault("the board refused")

    person = Script("12", "no")
    assert carry_out(asking(), person, work) == "no"
    assert person.told == ["12 V it is.", "the board refused"]


def test_a_person_who_gives_no_allowed_answer_ends_it_and_it_is_closed() -> None:
    closed = []

    def closing() -> Iterator[Any]:
        try:
            yield VOLTS
        finally:
            closed.append(True)

    with pytest.raises(Stopped, match="no allowed answer to 'v'"):
        carry_out(closing(), Script(*["?"] * ASK_AT_MOST))
    assert closed == [True]


def test_the_terminal_shows_question_unit_and_choices() -> None:
    out = io.StringIO()
    lines = iter(["12", "left"])

    def read_line() -> str:
        try:
            return next(lines)
        except StopIteration as error:
            raise EOFError from error

    terminal = TerminalAnswerer(out, read_line)
    assert terminal.answer(VOLTS) == "12"
    assert terminal.answer(Ask("w", "Which?", "choice", choices=("left", "right"))) == "left"
    terminal.tell("Done.")
    assert out.getvalue() == "Reads? [V] Which? [left/right] Done.\n"
    with pytest.raises(Stopped, match="keyboard"):
        terminal.answer(VOLTS)
