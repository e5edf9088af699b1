"""What a guided procedure asks of a person, as plain data, and who may answer.

A procedure is a generator: it yields an Ask and is sent the answer, checked,
as text; it yields a Tell and is sent ""; anything else it yields is work for
whoever drives it (take readings, write to the board) and is sent the result.
Nothing in it prints or waits for a key, so that a terminal, a page or a test
can drive the same procedure.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any, Literal, Protocol, TextIO, TypeVar

from benchwarden.errors import BenchwardenError, PlanError

Result = TypeVar("Result")
Kind = Literal["confirm", "number", "text", "choice"]

YES, NO = "yes", "no"
# How often one question is put before a person (or a script) who never gives an
# allowed answer ends the procedure.
ASK_AT_MOST = 5


class Stopped(BenchwardenError):
    """The person ended the procedure, or gave no allowed answer."""


@dataclass(frozen=True)
class Ask:
    """One question.

    Attributes:
        id: stable name of the question, e.g. "rail_pos_a.point-2.meter".
        text: what the person reads.
        kind: "confirm" is answered by yes or no, "choice" by one of `choices`.
        unit: of a number, as printed.
        low, high: allowed range of a number, inclusive; None leaves a side open.
        choices: allowed answers of a choice.
    """

    id: str
    text: str
    kind: Kind
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()

    def checked(self, answer: str) -> str:
        """Return the answer in its one spelling ("yes", "no", a choice, trimmed text).

        Raises:
            PlanError: not an allowed answer; says what is allowed.
        """
        words = answer.strip()
        if self.kind == "confirm":
            if words.lower() in ("y", YES):
                return YES
            if words.lower() in ("n", NO):
                return NO
            raise PlanError(f"{words!r}; allowed: yes or no")
        if self.kind == "choice":
            found = [choice for choice in self.choices if choice.lower() == words.lower()]
            if not found:
                raise PlanError(f"{words!r}; allowed: {', '.join(self.choices)}")
            return found[0]
        if self.kind == "number":
            self._checked_number(words)
        elif not words:
            raise PlanError("nothing; allowed: a few words")
        return words

    def _checked_number(self, words: str) -> None:
        low = -math.inf if self.low is None else self.low
        high = math.inf if self.high is None else self.high
        if not low <= number(words) <= high:
            unit = f" {self.unit}" if self.unit else ""
            raise PlanError(f"{words}; allowed: {_range(self.low, self.high)}{unit}")


def number(answer: str) -> float:
    """Return a number as a person writes it; a decimal comma counts as a point.

    Raises:
        PlanError: not a finite number.
    """
    try:
        value = float(answer.strip().replace(",", "."))
    except ValueError as error:
        raise PlanError(f"{answer!r}; allowed: a number such as 1.234 or -5e-3") from error
    if not math.isfinite(value):
        raise PlanError(f"{answer!r}; allowed: a finite number")
    return value


def _range(low: float | None, high: float | None) -> str:
    if low is None:
        return "any number" if high is None else f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


@dataclass(frozen=True)
class Tell:
    """Words for the person that need no answer."""

    text: str


# Yields Ask, Tell, or work of the procedure's own kind.
Procedure = Generator[Any, Any, Result]


class Answerer(Protocol):
    """A person, a page or a script."""

    def answer(self, ask: Ask) -> str:
        """Return the answer; it is checked by whoever asked.

        Raises:
            Stopped: no answer will come.
        """
        ...

    def tell(self, text: str) -> None:
        """Show words that need no answer."""
        ...


class TerminalAnswerer:
    """A person at a terminal.

    Args:
        out: where questions go; default: standard output of the moment.
        read_line: returns a line without its end, raises EOFError at the end.
    """

    def __init__(self, out: TextIO | None = None, read_line: Callable[[], str] = input) -> None:
        self._out = out
        self._read_line = read_line

    def tell(self, text: str) -> None:
        out = self._out or sys.stdout
        out.write(text + "\n")
        out.flush()

    def answer(self, ask: Ask) -> str:
        hint = {
            "confirm": " [yes/no]",
            "choice": f" [{'/'.join(ask.choices)}]",
            "number": f" [{ask.unit}]" if ask.unit else "",
            "text": "",
        }[ask.kind]
        out = self._out or sys.stdout
        out.write(f"{ask.text}{hint} ")
        out.flush()
        try:
            return self._read_line()
        except EOFError as error:
            raise Stopped("no more answers came from the keyboard") from error


def put(ask: Ask, answerer: Answerer) -> str:
    """Ask until an allowed answer comes, and return it.

    Raises:
        Stopped: none came in ASK_AT_MOST tries, or the person ended it.
    """
    for _ in range(ASK_AT_MOST):
        try:
            return ask.checked(answerer.answer(ask))
        except PlanError as error:
            answerer.tell(f"Not understood: {error}.")
    raise Stopped(f"no allowed answer to {ask.id!r} in {ASK_AT_MOST} tries")


def _no_work(step: Any) -> Any:
    raise TypeError(f"nobody does {type(step).__name__} in this procedure")


def carry_out(procedure: Procedure[Result], answerer: Answerer, work: Callable[[Any], Any] = _no_work) -> Result:
    """Drive a procedure to its end and return its result.

    Args:
        work: does what is neither Ask nor Tell and returns what came of it; a
            BenchwardenError it raises is raised inside the procedure, which may
            catch it and go on.

    Raises:
        Stopped: the person ended it; the procedure is closed first.
    """
    try:
        step = next(procedure)
        while True:
            if isinstance(step, Ask):
                step = procedure.send(put(step, answerer))
            elif isinstance(step, Tell):
                answerer.tell(step.text)
                step = procedure.send("")
            else:
                try:
                    result = work(step)
                except BenchwardenError as error:
                    step = procedure.throw(error)
                else:
                    step = procedure.send(result)
    except StopIteration as end:
        value: Result = end.value
        return value
    finally:
        procedure.close()
