"""The commissioning procedure by itself: what it closes, what it refuses to close, and where it stops."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from benchwarden import commission as steps
from benchwarden import commission_work as work
from benchwarden.commission_moves import Bound, stage_payload
from benchwarden.commission_tests import CHAIN_PARTS, TESTS
from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioning import Hand, Opening, Readings, Rig, TestResult, Told
from benchwarden.core.procedure import Ask, carry_out
from benchwarden.errors import BenchwardenError, LinkTimeout, PlanError
from benchwarden.link.messages import Reply
from wardenfw import wire

RIG = Rig(30.0, 10.0, 100.0)
CHALLENGE = 4711
ANSWERS = {"rig.supply": "a supply", "rig.resistor": "a resistor", "rig.volts": "30", "rig.ohms": "10",
           "rig.watts": "100", "usb-unplugged.current": "none", "bypass.before": "open", "bypass.closed": "closed",
           "bypass.after": "open"}  # fmt: skip


class Player:
    """A person and a driver in one: a board that does all it is told, and a list of all that happened.

    Attributes:
        done: ("ask", id) or ("command", kind) in order.
        opens: the relay opens when it should.
    """

    def __init__(self, refuses: Callable[[str], bool] = lambda _: False) -> None:
        self.done: list[tuple[str, Any]] = []
        self.told: list[str] = []
        self.results: list[TestResult] = []
        self.refuses = refuses
        self.answers = dict(ANSWERS)
        self.state = wire.SAFE
        self.welded = False
        self.volts = 0.0
        self.parts = dict.fromkeys((*CHAIN_PARTS, "rail_pos"), "ok")
        self.refusals: dict[int, tuple[int, str]] = {}
        self.missing: set[str] = set()
        self.raises: BenchwardenError | None = None

    def tell(self, text: str) -> None:
        self.told.append(text)

    def answer(self, ask: Ask) -> str:
        self.done.append(("ask", ask.id))
        if ask.id in self.answers:
            return self.answers[ask.id]
        return "no" if self.refuses(ask.id) else "yes"

    def work(self, step: Any) -> Any:
        match step:
            case Hand():
                self.volts = step.value if step.do == "supply" else self.volts
                return ""
            case work.SelfTest():
                return self.parts
            case work.Read():
                return self._readings()
            case work.Command():
                return self._command(step)
            case work.AwaitEvent():
                return Told(0, wire.EVENTS[step.event], "none", "", 0.0, 0.0, "")
            case work.AwaitOpening():
                return self._opening()
            case work.FallSilent():
                return self._opening(), 0
            case work.AwaitLoss():
                self.state = wire.SAFE
                return True
            case work.AwaitRestart():
                self.state = wire.SAFE
                return Told(0, "boot", "none", "", 33.0, 0.0, "watchdog")
            case work.MakeOpen():
                self.done.append(("make open", None))
                self.state = self.state if self.welded else wire.SAFE
                return not self.welded
            case work.Ended():
                self.results.append(step.result)
            case work.Now():
                return "2026-11-25T12:00:00Z"
        return ""

    def _readings(self) -> Readings:
        closed = self.state == wire.CLOSED
        amps = self.volts / RIG.ohms if closed else 0.0
        values = dict.fromkeys(CHANNELS, 20.0) | {"rail_pos_a": amps, "rail_neg_a": amps}
        values |= dict.fromkeys(self.missing, math.nan)
        return Readings(values, self.state, wire.MAINS_ON if closed else 0, 0)

    def _command(self, step: work.Command) -> Reply:
        if self.raises is not None:
            raise self.raises
        self.done.append(("command", (step.kind, step.payload)))
        refusal, text = self.refusals.get(step.kind, (wire.DONE, ""))
        if step.kind == wire.ARM and not refusal:
            text = str(CHALLENGE)
        if step.kind == wire.GO and not refusal:
            self.state = wire.CLOSED
        if step.kind == wire.RESET:
            self.state = wire.SAFE
        return Reply(1, step.kind, refusal, self.state, text)

    def _opening(self) -> Opening:
        self.state = wire.TRIPPED
        return Opening(Told(0, "tripped", "over-current", "", 0.0, 0.0, ""), None, None)

    def play(self, only: tuple[str, ...] = ()) -> tuple[TestResult, ...]:
        _, results = carry_out(steps.commission(steps.chosen_tests(only)), self, self.work)
        assert list(results) == self.results
        return results

    def kinds(self) -> list[int]:
        return [what[0] for name, what in self.done if name == "command"]


@pytest.mark.parametrize("test_id", steps.TEST_IDS[1:])
def test_every_closing_is_a_persons_yes_then_stage_arming_and_its_challenge(test_id: str) -> None:
    player = Player()
    player.play((test_id,))
    (i,) = [i for i, (name, what) in enumerate(player.done) if name == "command" and what[0] == wire.GO]
    (asked, question), (_, (first, payload)), (_, (second, _)), (_, (_, challenge)) = player.done[i - 3 : i + 1]
    assert asked == "ask"
    assert question == f"{test_id}.close"
    assert (first, second) == (wire.STAGE, wire.ARM)
    assert wire.unpack_stage(payload)[0] == wire.COMMISSION_STAGE
    assert wire.unpack_u32(challenge) == CHALLENGE


@pytest.mark.parametrize("test_id", steps.TEST_IDS)
def test_every_test_ends_with_asking_for_open(test_id: str) -> None:
    player = Player()
    player.play((test_id,))
    assert player.done[-1] == ("make open", None)


def test_a_no_closes_nothing_and_passes_nothing() -> None:
    player = Player(refuses=lambda question: question.endswith(".close"))
    results = player.play()
    assert wire.GO not in player.kinds()
    assert wire.ARM not in player.kinds()
    assert [r.verdict for r in results[:2]] == ["pass", "not done"]
    assert {r.verdict for r in results[1:]} == {"not done"}


def test_a_self_test_that_fails_ends_it_and_names_the_part_alone() -> None:
    player = Player()
    player.parts["coil_pump"] = "conducts without pulses"
    player.parts["alert_pos"] = "not tested: coil_pump came first"
    results = player.play()
    assert results[0].verdict == "fail"
    assert results[0].part == "coil_pump"
    assert {r.verdict for r in results[1:]} == {"not done"}
    assert player.kinds() == []


def test_a_firmware_that_does_not_test_its_relay_chain_fails() -> None:
    player = Player()
    del player.parts["alert_latch"]
    assert player.play()[0].part == "alert_latch"


def test_a_missing_sensor_is_named() -> None:
    player = Player()
    player.missing = {"sink_left_c"}
    assert "no reading from sink_left_c" in player.play()[0].why


@pytest.mark.parametrize(
    ("kind", "refusal", "text", "part"),
    [
        (wire.ARM, wire.R_SENSOR, "self-test: coil_pump lets go late, rail_pos ...", "coil_pump lets go late"),
        (wire.STAGE, wire.R_CEILING, "", "board"),
        (wire.GO, wire.R_ESTOP, "", "board"),
    ],
)
def test_a_board_that_refuses_fails_the_test_in_its_words(kind: int, refusal: int, text: str, part: str) -> None:
    player = Player()
    player.refusals[kind] = (refusal, text)
    results = player.play()
    assert results[1].verdict == "fail"
    assert wire.REFUSALS[refusal] in results[1].why
    assert results[1].part == part


def test_a_current_that_does_not_fit_the_rig_fails_before_any_test() -> None:
    player = Player()
    player.answers["rig.ohms"] = "20"
    player.answers["rig.watts"] = "100"
    result = player.play()[1]
    assert (result.verdict, result.test) == ("fail", "loop")
    assert "expected 1.000 A" in result.why


def test_a_relay_that_stays_closed_ends_it_and_tells_the_person_what_to_do() -> None:
    player = Player()
    player.welded = True
    results = player.play(("alert-pos", "button"))
    # The self-test leaves it open in this player; the first closing shows the weld.
    assert results[0].verdict == "pass"
    assert {r.verdict for r in results[1:]} <= {"fail", "not done"}
    assert any("SWITCH" in words.upper() for words in player.told)


def test_a_lost_board_fails_the_test() -> None:
    player = Player()
    player.raises = LinkTimeout("no reply to stage within 10 s")
    result = player.play()[1]
    assert (result.verdict, result.why) == ("fail", "the board was lost: no reply to stage within 10 s")


def test_the_rig_is_asked_for_until_it_is_safe() -> None:
    player = Player()
    asked: list[str] = []
    ohms = iter(["2", "10"])

    def answer(ask: Ask) -> str:
        asked.append(ask.id)
        return next(ohms) if ask.id == "rig.ohms" else ANSWERS[ask.id]

    player.answer = answer  # type: ignore[method-assign]
    assert carry_out(steps.ask_rig(), player) == Rig(30.0, 10.0, 100.0, "a supply", "a resistor")
    assert asked.count("rig.ohms") == 2
    assert any("allowed: a resistor that draws" in words for words in player.told)


def test_volts_above_extra_low_are_refused_at_the_question() -> None:
    asks: list[Ask] = []
    procedure = steps.ask_rig()
    ask = next(procedure)
    while ask.id != "rig.volts":
        ask = procedure.send("x")
    asks.append(ask)
    with pytest.raises(PlanError, match="5 to 30 V"):
        ask.checked("42")


def test_only_names_that_exist_are_taken_and_the_self_test_leads() -> None:
    assert [t.id for t in steps.chosen_tests(["button"])] == ["self-test", "button"]
    assert tuple(t.id for t in steps.chosen_tests(())) == steps.TEST_IDS
    with pytest.raises(PlanError, match="--only 'knob'; allowed: self-test, loop"):
        steps.chosen_tests(["knob"])


def test_every_stage_bounds_what_the_board_insists_on() -> None:
    from wardenfw import stage

    for bound in (None, Bound("rail_pos_a", math.nan, 2.5, "over-current")):
        answer, loaded = stage.load(stage_payload(RIG, bound))
        assert answer == wire.DONE
        assert loaded.stage_id == wire.COMMISSION_STAGE


def test_every_requirement_gives_its_source() -> None:
    for test in TESTS:
        assert test.requirement.source
        if test.requirement.at_most_ms is not None:
            # Words and figure must not drift apart.
            ms = test.requirement.at_most_ms
            assert f"at most {ms:g} ms" in test.requirement.text or f"at most {ms / 1000:g} s" in test.requirement.text
