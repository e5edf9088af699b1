"""Proves every trip path of one board, step by step: what is asked, what is done, what has to come of it.

A pure procedure (see core.procedure): it yields questions for a person and work
for a driver, and is sent what came of them. Nothing in here waits, prints or
knows a port. Whoever drives it opens the relay when it ends, however it ends.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

from benchwarden.commission_moves import (
    TRIPPED_OR_WORSE,
    Failed,
    Test,
    agreed,
    done,
)
from benchwarden.commission_tests import TESTS
from benchwarden.commission_work import (
    Began,
    Ended,
    MakeOpen,
    Now,
    Read,
    UsesRig,
)
from benchwarden.core.commissioning import (
    LEAST_V,
    MOST_V,
    Finding,
    Hand,
    NotDone,
    Readings,
    Rig,
    TestResult,
    checked_rig,
)
from benchwarden.core.procedure import Ask, Procedure, Tell, number
from benchwarden.errors import BenchwardenError, BoardFault, LinkError, PlanError
from wardenfw import wire

CAUTIONS = (
    "Commissioning uses a bench supply of at most 30 V and a power resistor. Never connect mains or an amplifier's "
    "rails for it.",
    "The resistor gets hot. Put it on something that does not burn and keep your hands off it.",
    "The mains relay closes only after you confirm that it may. Whatever goes wrong: press the emergency stop.",
    "What is proven here is how this board behaved today. It is not a certified protective device.",
)

TEST_IDS = tuple(test.id for test in TESTS)


def chosen_tests(only: Sequence[str]) -> tuple[Test, ...]:
    """Return the tests to do, in their order; all for none named. The self-test always leads.

    Raises:
        PlanError: a name is not one of those that exist.
    """
    unknown = [name for name in only if name not in TEST_IDS]
    if unknown:
        raise PlanError(f"--only {unknown[0]!r}; allowed: {', '.join(TEST_IDS)}")
    return tuple(test for test in TESTS if not only or test.id in only or test.id == "self-test")


def ask_rig() -> Generator[Any, Any, Rig]:
    """Ask for the rig's values until they are usable."""
    supply = yield Ask("rig.supply", "Which bench supply (maker, model, number)?", "text")
    resistor = yield Ask("rig.resistor", "Which power resistor (type, or what is printed on it)?", "text")
    while True:
        volts = yield Ask(
            "rig.volts", "Highest voltage to use (the lower one is two thirds of it)?", "number", "V", LEAST_V, MOST_V
        )
        ohms = yield Ask("rig.ohms", "Resistance of the power resistor?", "number", "ohm", 0.5, 100.0)
        watts = yield Ask("rig.watts", "What may it dissipate, as mounted?", "number", "W", 1.0, 2000.0)
        try:
            return checked_rig(Rig(number(volts), number(ohms), number(watts), supply, resistor))
        except PlanError as error:
            yield Tell(f"This cannot be used: {error}.")


def _set_up(rig: Rig) -> Generator[Any, Any, None]:
    yield Tell(
        "Wire the rig with everything off and no mains anywhere: supply plus through the mains relay's contact to the "
        "positive rail module, the resistor, the negative rail module, and back to supply minus. Each rail module's "
        "voltage sense goes across the resistor; nothing is in the limiter's socket. Join the sense leads of each "
        "output module. hardware/wiring.md, section 5, shows it."
    )
    yield Hand(f"The resistor in the rig: {rig.ohms:g} ohm.", "resistor", value=rig.ohms)
    yield Hand(
        f"Set the supply to {rig.low_volts:g} V, its current limit to {1.1 * rig.amps:.1f} A, and switch its "
        "output on.",
        "supply",
        value=rig.low_volts,
    )
    yield from agreed(Ask("rig.ready", "Is the rig wired like this and the emergency stop released?", "confirm"))


def commission(tests: Sequence[Test], rig: Rig | None = None) -> Procedure[tuple[Rig | None, tuple[TestResult, ...]]]:
    """Do the tests one after the other; return the rig and what each came to.

    A test that was not reached is on the list as not done. Stops early when a
    gate does not pass or the relay cannot be made to open.
    """
    for words in CAUTIONS:
        yield Tell(words)
    results: list[TestResult] = []
    stop = ""
    for test in tests:
        if stop:
            results.append(_result(test, None, stop, ""))
            yield Ended(results[-1])
            continue
        if rig is None and test.id != "self-test":
            rig = yield from ask_rig()
            yield UsesRig(rig)
            yield from _set_up(rig)
        yield Began(test.id)
        yield Tell(f"--- {test.title}")
        finding, why = yield from _attempted(test, rig or Rig(30.0, 10.0, 100.0))
        at_utc = yield Now()
        results.append(_result(test, finding, why, at_utc))
        yield Ended(results[-1])
        stop = yield from _after(test, results[-1])
    return rig, tuple(results)


def _attempted(test: Test, rig: Rig) -> Generator[Any, Any, tuple[Finding | None, str]]:
    """Do one test; return (what it found, "") or (None, why it was not done)."""
    try:
        yield from _ready(test)
        finding = yield from test.run(rig, test)
    except Failed as failed:
        return failed.finding, ""
    except NotDone as error:
        return None, str(error)
    except LinkError as error:
        return Finding(False, why=f"the board was lost: {error}", part="link, or the board itself"), ""
    except (BoardFault, PlanError) as error:
        return Finding(False, why=str(error), part="board"), ""
    return finding, ""


def _ready(test: Test) -> Generator[Any, Any, None]:
    """Have an old trip reset by a person before a test begins; the self-test is done in any state."""
    now: Readings = yield Read(0.3)
    if now.state in TRIPPED_OR_WORSE and test.id != "self-test":
        text = f"The board holds an earlier trip ({now.state_name}). Reset it? The relay stays open."
        yield from agreed(Ask(f"{test.id}.old-trip", text, "confirm"))
        yield from done(wire.RESET)


def _after(test: Test, result: TestResult) -> Generator[Any, Any, str]:
    """Leave the relay open; return why nothing more should be tried, "" to go on."""
    try:
        is_open = yield MakeOpen()
    except BenchwardenError as error:
        return f"the board cannot be reached any more ({error})"
    if not is_open:
        yield Tell("THE RELAY DOES NOT READ OPEN. Switch the supply off now.")
        return f"after {test.id} the relay did not read open"
    if test.gate and result.verdict != "pass":
        return f"{test.id} did not pass"
    return ""


def _result(test: Test, finding: Finding | None, why: str, at_utc: str) -> TestResult:
    if finding is None:
        return TestResult(test.id, test.title, test.requirement, "not done", why=why, at_utc=at_utc)
    return TestResult(
        test.id,
        test.title,
        test.requirement,
        "pass" if finding.ok else "fail",
        finding.measures,
        finding.seen,
        finding.why,
        finding.part,
        at_utc,
    )
