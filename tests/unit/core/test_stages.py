"""The stage machine, path by path; expectations are the project's own safety rules."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchwarden.core import actions as act
from benchwarden.core import events as ev
from benchwarden.core import stages as sm
from benchwarden.core.findings import Finding
from benchwarden.core.plan import Expected, Plan, PlanStage, StageFigures
from benchwarden.core.unit import unit_from_table
from wardenfw import wire

UNIT = unit_from_table(
    {
        "rated_power_w": 60,
        "load_ohm": 8,
        "rail_nominal_v": 42.0,
        "emitter_resistor_ohm": 0.22,
        "target_bias_drop_mv": 11.0,
        "limiter_lamp_w": 100,
    },
    "test",
)


def stage(number: int, pct: float, limiter_in: bool = True, energised: bool = True, confirm: bool = False) -> PlanStage:
    nominal = 42.0 * pct / 100 if energised else 0.0
    expected = {"rail_pos_v": Expected(nominal - 2, nominal, nominal + 2)}
    figures = StageFigures(expected, (), 1.0, 1.0, ())
    name = f"stage {number}"
    return PlanStage(
        number, name, pct, limiter_in, False, energised, f"Set {pct:g} %.", confirm, 2.0, 3.0, 20.0, figures
    )


PLAN = Plan(UNIT, "power-up", (stage(1, 0, energised=False), stage(2, 25), stage(3, 100), stage(4, 100, False)))


class Bench:
    """Feeds the machine and keeps what it asked for; a board that does as told."""

    def __init__(self, plan: Plan = PLAN) -> None:
        self.state = sm.start(plan)
        self.actions: list[act.Action] = []
        self.t_s = 0.0
        self.board = wire.SAFE
        self.volts = 0.0

    def send(self, event: ev.Event) -> list[act.Action]:
        self.state, actions = sm.advance(self.state, event)
        self.actions += actions
        return actions

    def wait(self, seconds: float, volts: float | None = None) -> None:
        self.volts = self.volts if volts is None else volts
        for _ in range(round(seconds * 10)):
            self.t_s += 0.1
            contact = self.board == wire.CLOSED
            self.send(ev.Readings(self.t_s, {"rail_pos_v": self.volts}, self.board, contact, 0))
            for action in self.actions:
                if isinstance(action, act.OpenRelay):
                    self.board = wire.SAFE

    def asked(self, kind: type[act.Action]) -> list[act.Action]:
        return [a for a in self.actions if isinstance(a, kind)]

    def connect(self) -> None:
        self.send(ev.Connected(wire.SAFE, "none", False, ""))

    def to_first_prompt(self) -> None:
        self.connect()
        self.wait(6)
        self.send(ev.Reply(wire.STAGE, wire.DONE, ""))
        self.wait(0.2)

    def to_closed(self) -> None:
        self.to_first_prompt()
        self.send(ev.Reply(wire.ARM, wire.DONE, "77"))
        assert self.state.prompt is not None
        self.send(ev.Confirm(self.state.prompt.prompt_id, "test"))
        self.board = wire.CLOSED
        self.wait(0.2)


def test_relay_is_never_asked_to_close_without_a_confirmation() -> None:
    bench = Bench()
    bench.to_first_prompt()
    bench.send(ev.Reply(wire.ARM, wire.DONE, "77"))
    bench.wait(500)
    assert bench.state.phase == "prompt"
    assert bench.asked(act.Go) == []


def test_confirmation_of_another_prompt_closes_nothing() -> None:
    bench = Bench()
    bench.to_first_prompt()
    bench.send(ev.Reply(wire.ARM, wire.DONE, "77"))
    bench.send(ev.Confirm(999, "test"))
    assert bench.asked(act.Go) == []


def test_go_carries_the_challenge_of_the_board() -> None:
    bench = Bench()
    bench.to_closed()
    assert bench.asked(act.Go) == [act.Go(77)]


def test_confirmation_before_the_board_armed_waits_for_the_challenge() -> None:
    bench = Bench()
    bench.to_first_prompt()
    assert bench.state.prompt is not None
    bench.send(ev.Confirm(bench.state.prompt.prompt_id, "test"))
    assert bench.asked(act.Go) == []
    bench.send(ev.Reply(wire.ARM, wire.DONE, "78"))
    assert bench.asked(act.Go) == [act.Go(78)]


def test_expired_challenge_is_asked_for_again() -> None:
    bench = Bench()
    bench.to_first_prompt()
    bench.send(ev.Reply(wire.ARM, wire.DONE, "77"))
    arms = len(bench.asked(act.Arm))
    bench.send(ev.BoardEvent(bench.t_s, wire.EV_DISARMED, "none", "", 0, 0, ""))
    bench.wait(0.3)
    assert len(bench.asked(act.Arm)) == arms + 1
    assert bench.state.challenge == 0


def test_whole_run_finishes_with_the_relay_open() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(8, 10.5)
    assert bench.state.index == 2
    bench.wait(8, 42.0)
    assert bench.state.index == 3
    assert bench.state.prompt is not None
    assert bench.state.prompt.act == "remove-limiter"
    bench.send(ev.Reply(wire.STAGE, wire.DONE, ""))
    bench.wait(0.2)
    bench.send(ev.Reply(wire.ARM, wire.DONE, "5"))
    bench.send(ev.Confirm(bench.state.prompt.prompt_id, "test"))
    assert bench.asked(act.Go)[-1] == act.Go(5)
    bench.wait(6)
    assert bench.state.outcome == "finished"
    assert bench.asked(act.OpenRelay) == [act.OpenRelay("none", "all stages passed")]
    assert bench.state.ended_s == pytest.approx(bench.t_s, abs=1.0)
    assert bench.state.status == ("passed",) * 4


def to_lamp_prompt(bench: Bench) -> int:
    """Bring the run to where the lamp comes out and return the prompt's number."""
    bench.to_closed()
    bench.wait(8, 10.5)
    bench.wait(8, 42.0)
    bench.send(ev.Reply(wire.STAGE, wire.DONE, ""))
    bench.wait(0.2)
    bench.send(ev.Reply(wire.ARM, wire.DONE, "5"))
    assert bench.state.prompt is not None
    assert bench.state.prompt.act == "remove-limiter"
    return bench.state.prompt.prompt_id


def test_a_person_who_takes_longer_than_the_challenge_still_gets_the_lamp_out() -> None:
    bench = Bench()
    prompt_id = to_lamp_prompt(bench)
    sent = len(bench.asked(act.SendStage))
    bench.wait(30)
    # The board has let go of the stage that waited: it is told again, then armed again.
    bench.send(ev.BoardEvent(bench.t_s, wire.EV_DISARMED, "none", "", 0, 0, ""))
    assert len(bench.asked(act.SendStage)) == sent + 1
    arms = len(bench.asked(act.Arm))
    bench.wait(2)
    assert len(bench.asked(act.Arm)) == arms
    bench.send(ev.Reply(wire.STAGE, wire.DONE, ""))
    bench.wait(0.2)
    assert len(bench.asked(act.Arm)) == arms + 1
    bench.send(ev.Reply(wire.ARM, wire.DONE, "6"))
    bench.send(ev.Confirm(prompt_id, "test"))
    assert bench.asked(act.Go)[-1] == act.Go(6)
    assert bench.state.limiter_in is False


def test_a_challenge_that_ran_out_under_the_hand_asks_again() -> None:
    bench = Bench()
    prompt_id = to_lamp_prompt(bench)
    bench.send(ev.Confirm(prompt_id, "test"))
    bench.send(ev.Reply(wire.GO, wire.R_CHALLENGE, ""))
    assert bench.state.phase == "prompt"
    assert bench.state.prompt is not None
    assert bench.state.prompt.act == "remove-limiter"
    assert bench.state.prompt.prompt_id != prompt_id
    assert bench.state.limiter_in is True
    assert isinstance(bench.actions[-2], act.SendStage)


def test_limiter_is_not_bypassed_without_a_confirmation() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(8, 10.5)
    bench.wait(8, 42.0)
    goes = len(bench.asked(act.Go))
    bench.wait(60)
    assert bench.state.phase == "prompt"
    assert len(bench.asked(act.Go)) == goes


def test_nobody_confirms() -> None:
    bench = Bench()
    bench.to_first_prompt()
    bench.wait(sm.PROMPT_EXPIRES_S + 1)
    assert bench.state.outcome == "aborted"
    assert isinstance(bench.asked(act.OpenRelay)[0], act.OpenRelay)
    assert "Nobody confirmed within 10 min" in bench.state.why


def test_transformer_not_turned_in_time_names_reading_and_span() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(21, 3.0)
    assert bench.state.outcome == "aborted"
    assert "Positive rail 3.00 V, expected 8.50 to 12.50 V" in bench.state.why
    assert bench.asked(act.OpenRelay)


def test_reading_that_leaves_the_span_has_to_earn_its_time_again() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(4, 10.5)
    bench.wait(0.2, 30.0)
    assert bench.state.phase == "waiting-reading"
    bench.wait(4, 10.5)
    assert bench.state.index == 1
    bench.wait(2, 10.5)
    assert bench.state.index == 2


def test_missing_reading_never_counts_as_expected() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(21, math.nan)
    assert (bench.state.outcome, bench.state.cause) == ("aborted", "sensor-fault")
    assert "no reading" in bench.state.why


def test_trip_of_the_board_ends_the_run_with_its_cause() -> None:
    bench = Bench()
    bench.to_closed()
    bench.send(ev.BoardEvent(9.0, wire.EV_TRIPPED, "over-current", "rail_pos_a", 2.5, 1.0, ""))
    assert (bench.state.outcome, bench.state.cause) == ("tripped", "over-current")
    assert bench.state.status[1] == "tripped"
    assert bench.state.status[2:] == ("skipped", "skipped")


def test_trip_of_the_analysis_opens_first_and_then_talks() -> None:
    bench = Bench()
    bench.to_closed()
    actions = bench.send(ev.Judged(Finding(9.0, "trip", "thermal-runaway", "left", "bias feeds itself")))
    assert actions[0] == act.OpenRelay("thermal-runaway", "bias feeds itself")
    assert bench.state.outcome == "tripped"


@pytest.mark.parametrize("end_run", [False, True])
def test_person_opens_at_any_time(end_run: bool) -> None:
    for steps in ("connect", "to_first_prompt", "to_closed"):
        bench = Bench()
        getattr(bench, steps)()
        actions = bench.send(ev.Stop("test", end_run))
        assert isinstance(actions[0], act.OpenRelay), steps
        assert bench.state.outcome == "aborted", steps


def test_open_still_reaches_the_board_after_the_end() -> None:
    bench = Bench()
    bench.to_closed()
    bench.send(ev.Stop("test", False))
    actions = bench.send(ev.Stop("test", False))
    assert isinstance(actions[0], act.OpenRelay)


@pytest.mark.parametrize("found", [wire.CLOSING, wire.CLOSED])
def test_relay_found_closed_is_opened(found: int) -> None:
    bench = Bench()
    bench.send(ev.Connected(found, "none", False, ""))
    assert isinstance(bench.actions[0], act.OpenRelay)
    assert bench.state.outcome == "aborted"


def test_latched_trip_needs_an_acknowledgement() -> None:
    bench = Bench()
    bench.send(ev.Connected(wire.TRIPPED, "over-current", False, ""))
    bench.wait(100)
    assert bench.asked(act.ResetTrip) == []
    assert bench.state.prompt is not None
    bench.send(ev.Confirm(bench.state.prompt.prompt_id, "test"))
    assert bench.asked(act.ResetTrip) == [act.ResetTrip()]
    bench.send(ev.BoardEvent(bench.t_s, wire.EV_RESET, "none", "", 0, 0, ""))
    assert bench.state.phase == "cold-check"


def test_board_that_restarted_ends_the_run() -> None:
    bench = Bench()
    bench.to_closed()
    bench.send(ev.Disconnected("gone"))
    bench.send(ev.Connected(wire.SAFE, "none", False, ""))
    assert bench.state.outcome == "aborted"
    assert "restarted" in bench.state.why


def test_board_that_came_back_goes_on() -> None:
    bench = Bench()
    bench.to_closed()
    bench.send(ev.Disconnected("gone"))
    bench.send(ev.Connected(wire.CLOSED, "none", True, ""))
    assert bench.state.outcome == ""


def test_failed_selftest_arms_nothing() -> None:
    bench = Bench()
    bench.send(ev.Connected(wire.SAFE, "none", False, "rail monitor: no answer"))
    bench.wait(20)
    assert bench.state.outcome == "aborted"
    assert "rail monitor: no answer" in bench.state.why
    assert bench.asked(act.Arm) == []


def test_welded_relay_at_the_end_is_shouted() -> None:
    bench = Bench()
    bench.to_closed()
    bench.state = replace(bench.state, phase="opening", mark_s=bench.t_s)
    for _ in range(40):
        bench.t_s += 0.1
        bench.send(ev.Readings(bench.t_s, {}, wire.SAFE, True, 0))
    assert "expected open" in bench.state.why
    assert "Pull the mains plug" in bench.state.why


def test_refused_stage_ends_the_run_with_the_boards_words() -> None:
    bench = Bench()
    bench.connect()
    bench.wait(6)
    bench.send(ev.Reply(wire.STAGE, wire.R_CEILING, "rail_pos_a"))
    assert bench.state.outcome == "aborted"
    assert "hard ceiling (rail_pos_a)" in bench.state.why


def test_relay_that_opens_unasked_in_a_stage_is_a_fault() -> None:
    bench = Bench()
    bench.to_closed()
    bench.wait(1, 10.5)
    bench.board = wire.SAFE
    bench.wait(4)
    assert (bench.state.outcome, bench.state.cause) == ("aborted", "relay-fault")


def test_host_that_gives_up_opens_and_blames_nobody() -> None:
    bench = Bench()
    bench.to_closed()
    actions = bench.send(ev.GiveUp("host-silent", "the board stayed away"))
    assert actions[0] == act.OpenRelay("host-silent", "the board stayed away")
    assert (bench.state.outcome, bench.state.why) == ("aborted", "the board stayed away")


def test_alert_line_is_told_by_its_limit_not_by_a_stale_sample() -> None:
    bench = Bench()
    bench.to_closed()
    text = "alert line; value is the last sample before it"
    bench.send(ev.BoardEvent(9.0, wire.EV_TRIPPED, "over-current", "rail_pos_a", 0.0001, 0.64, text))
    assert "comparator saw more than 0.64 A" in bench.state.why
    assert "0.0001" not in bench.state.why


def test_alert_line_pulled_by_a_module_that_is_gone_is_no_over_current() -> None:
    bench = Bench()
    bench.to_closed()
    text = "alert line; its rail module does not answer"
    bench.send(ev.BoardEvent(9.0, wire.EV_TRIPPED, "sensor-fault", "rail_neg_a", math.nan, 0.0, text))
    assert (bench.state.outcome, bench.state.cause) == ("tripped", "sensor-fault")
    assert "rail module rail_neg pulled the alert line and does not answer" in bench.state.why
