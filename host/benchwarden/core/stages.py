"""The stage machine: (state, event) -> (state, actions); no clock, no input, no output.

Time is the board's, carried by `Readings`. Whatever is in doubt ends with an
`OpenRelay` action; nothing here closes the relay without a person's `Confirm`
(the board has its own button and asks for nothing else).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchwarden.core.actions import Action, Arm, Go, MarkStage, OpenRelay, ResetTrip, Say, SendStage
from benchwarden.core.channels import CHANNEL
from benchwarden.core.events import (
    Acknowledge,
    BoardEvent,
    Confirm,
    Connected,
    Disconnected,
    Event,
    GiveUp,
    Judged,
    Readings,
    Reply,
    Stop,
)
from benchwarden.core.plan import Plan, PlanStage
from wardenfw import wire

PROMPT_EXPIRES_S = 600.0
CONTACT_WAIT_S = 3.0
OPEN_WAIT_S = 2.0
RETRY_ARM_S = 1.0


@dataclass(frozen=True)
class Prompt:
    """What a person is asked for.

    Attributes:
        ask: "confirm" waits for the person's word, "watch" for the readings.
        act: "close-relay", "remove-limiter", "reset" or "other".
        check: the reading that will prove it.
    """

    prompt_id: int
    text: str
    ask: str
    act: str
    check: str
    since_t_s: float
    expires_t_s: float


@dataclass(frozen=True)
class State:
    """Where the run stands.

    Attributes:
        phase: see `PHASES`.
        index: stage, 0-based; -1 before the first.
        status: of every stage: waiting, now, passed, tripped, skipped.
        challenge: of the newest accepted ARM, 0 when there is none.
        confirmed: the person has said yes, the board has not yet closed.
        mark_s: when the present phase began (board time).
        within_s: since when all expected readings hold, NaN when they do not.
        outcome: "", "finished", "tripped" or "aborted", once decided.
        ended_s: when that was, NaN before.
        cause, channel, why: of a trip or an abort.
    """

    plan: Plan
    phase: str = "connecting"
    index: int = -1
    status: tuple[str, ...] = ()
    whys: tuple[str, ...] = ()
    started_s: tuple[float, ...] = ()
    prompt: Prompt | None = None
    prompts: int = 0
    challenge: int = 0
    confirmed: bool = False
    stage_sent: bool = False
    arm_at_s: float = -math.inf
    mark_s: float = 0.0
    within_s: float = math.nan
    t_s: float = 0.0
    closed: bool = False
    limiter_in: bool = True
    outcome: str = ""
    ended_s: float = math.nan
    cause: str = ""
    channel: str = ""
    why: str = ""


PHASES = (
    "connecting",
    "cold-check",
    "prompt",
    "waiting-reading",
    "closing",
    "settling",
    "holding",
    "opening",
    "finished",
    "tripped",
    "aborted",
)
OVER = ("finished", "tripped", "aborted")


def start(plan: Plan) -> State:
    """Return the state of a run that has not yet heard of its board."""
    n = len(plan.stages)
    return State(plan=plan, status=("waiting",) * n, whys=("",) * n, started_s=(math.nan,) * n)


def outside(stage: PlanStage, values: dict[str, float]) -> list[str]:
    """Return, in words, every expected reading of the stage that does not hold."""
    found = []
    for name, span in stage.figures.expected.items():
        seen = values.get(name, math.nan)
        if not span.low <= seen <= span.high:
            info = CHANNEL[name]
            shown = "no reading" if math.isnan(seen) else f"{seen:.{info.decimals}f} {info.unit}"
            expected = f"{span.low:.{info.decimals}f} to {span.high:.{info.decimals}f} {info.unit}"
            found.append(f"{info.label} {shown}, expected {expected}")
    return found


# What a reading that never gets where it should be stands for. The rails are the
# person's: they follow the transformer.
_STANDS_FOR = {
    "rail voltage": "operator",
    "rail current": "over-current",
    "offset": "dc-offset",
    "bias": "bias-unstable",
    "temperature": "over-temperature",
    "hf": "oscillation",
}


def _cause_of(stage: PlanStage, values: dict[str, float]) -> str:
    """Return the cause that the first expected reading which does not hold stands for."""
    for name, span in stage.figures.expected.items():
        seen = values.get(name, math.nan)
        if math.isnan(seen):
            return "sensor-fault"
        if not span.low <= seen <= span.high:
            if CHANNEL[name].group == "rail current" and seen < 0:
                return "sensor-fault"
            # Too little current or heat is no excess of it: something is not as told.
            low_of_excess = seen < span.low and CHANNEL[name].group in ("rail current", "temperature", "hf")
            return "operator" if low_of_excess else _STANDS_FOR[CHANNEL[name].group]
    return "operator"


def _marked(state: State, status: str, why: str) -> State:
    if state.index < 0:
        return state
    i = state.index
    statuses = (*state.status[:i], status, *state.status[i + 1 :])
    whys = (*state.whys[:i], why, *state.whys[i + 1 :])
    return replace(state, status=statuses, whys=whys)


def _prompted(state: State, text: str, ask: str, act: str, check: str) -> State:
    number = state.prompts + 1
    prompt = Prompt(number, text, ask, act, check, state.t_s, state.t_s + PROMPT_EXPIRES_S)
    return replace(state, prompt=prompt, prompts=number, confirmed=False, mark_s=state.t_s)


def _end(state: State, outcome: str, cause: str, why: str, at_s: float | None = None) -> tuple[State, list[Action]]:
    """Finish the run, for the first reason that comes; opening the relay is the caller's action."""
    status = {"tripped": "tripped", "aborted": "skipped"}.get(outcome, "passed")
    if state.outcome:
        return state, []
    state = _marked(state, status, why)
    left = tuple("skipped" if s == "waiting" else s for s in state.status)
    state = replace(
        state,
        phase=outcome,
        outcome=outcome,
        ended_s=state.t_s if at_s is None else at_s,
        cause=cause,
        why=why,
        prompt=None,
        status=left,
        confirmed=False,
        challenge=0,
    )
    actions: list[Action] = [MarkStage(state.index, status, why), Say(why)]
    return state, actions


def _stop(state: State, cause: str, why: str) -> tuple[State, list[Action]]:
    ended, actions = _end(state, "aborted", cause, why)
    return ended, [OpenRelay(cause, why), *actions]


def _enter(state: State, index: int) -> tuple[State, list[Action]]:
    plan = state.plan
    if index >= len(plan.stages):
        state = replace(state, phase="opening", mark_s=state.t_s, prompt=None)
        return state, [OpenRelay("none", "all stages passed"), Say("All stages passed; the mains relay is opening.")]
    stage = plan.stages[index]
    started = (*state.started_s[:index], state.t_s, *state.started_s[index + 1 :])
    state = replace(
        state,
        index=index,
        started_s=started,
        prompt=None,
        challenge=0,
        confirmed=False,
        stage_sent=False,
        arm_at_s=-math.inf,
        within_s=math.nan,
        mark_s=state.t_s,
    )
    state = _marked(state, "now", "")
    actions: list[Action] = [MarkStage(index, "now", "")]
    if not stage.energised:
        if state.closed:
            actions.append(OpenRelay("none", f"{stage.name}: the relay has to be open"))
        state = replace(state, limiter_in=True)
        if stage.confirm:
            check = "all readings as expected with the relay open"
            return replace(_prompted(state, stage.prompt, "confirm", "other", check), phase="prompt"), actions
        return replace(state, phase="cold-check"), actions
    actions.append(SendStage(stage))
    check = _check_words(stage)
    lessens = state.closed and state.limiter_in and not stage.limiter_in
    if not state.closed:
        text = f"{stage.prompt} Stand clear, then confirm: the mains relay will close."
        state = replace(_prompted(state, text, "confirm", "close-relay", check), phase="prompt")
    elif lessens:
        state = _asked_for_lamp(state, stage)
    elif stage.confirm:
        state = replace(_prompted(state, stage.prompt, "confirm", "other", check), phase="prompt")
    else:
        state = replace(
            _prompted(state, stage.prompt, "watch", "other", check),
            phase="waiting-reading",
            limiter_in=stage.limiter_in,
        )
    return state, actions


def _asked_for_lamp(state: State, stage: PlanStage) -> State:
    text = f"{stage.prompt} Confirm: the series lamp will be bypassed."
    return replace(_prompted(state, text, "confirm", "remove-limiter", _check_words(stage)), phase="prompt")


def _check_words(stage: PlanStage) -> str:
    spans = stage.figures.expected
    words = [
        f"{CHANNEL[name].label} {spans[name].low:.1f} to {spans[name].high:.1f} V"
        for name in ("rail_pos_v", "rail_neg_v")
        if name in spans
    ]
    # A bias that must not be zero is what this stage is about.
    words += [
        f"{CHANNEL[name].label} {spans[name].low * 1000:.2f} to {spans[name].high * 1000:.2f} mV"
        for name in ("bias_left_v", "bias_right_v")
        if name in spans and spans[name].low > 0
    ]
    return "; ".join(words)


def _proof_words(stage: PlanStage, values: dict[str, float]) -> list[str]:
    """Return the readings that show what a hand has set: transformer by the rails, pots by the drops."""
    spans = stage.figures.expected
    found = []
    if stage.energised:
        found += [f"{CHANNEL[n].label} {values[n]:.1f} V" for n in ("rail_pos_v", "rail_neg_v") if n in spans]
    found += [
        f"{CHANNEL[name].label} {values[name] * 1000:.2f} mV"
        for name in ("bias_left_v", "bias_right_v")
        if name in spans and spans[name].low > 0
    ]
    return found


def _passed(state: State, why: str) -> tuple[State, list[Action]]:
    state = _marked(state, "passed", why)
    marked: list[Action] = [MarkStage(state.index, "passed", why)]
    state, actions = _enter(state, state.index + 1)
    return state, marked + actions


def _on_readings(state: State, event: Readings) -> tuple[State, list[Action]]:
    closed = event.board_state == wire.CLOSED
    state = replace(state, t_s=event.t_s, closed=closed)
    if state.phase in OVER or state.phase == "connecting" or state.index < 0:
        return state, []
    stage = state.plan.stages[state.index] if state.index < len(state.plan.stages) else None
    if state.phase == "opening":
        if not event.contact_closed and event.board_state in (wire.SAFE, wire.ARMED):
            ended, actions = _end(state, "finished", "", "All stages passed; the mains relay is open.")
            return ended, actions
        if event.t_s - state.mark_s > OPEN_WAIT_S and event.contact_closed:
            late_s = event.t_s - state.mark_s
            why = f"Relay contact reads closed, expected open, {late_s:.1f} s after the end of the run. "
            return _stop(state, "relay-fault", why + "Pull the mains plug.")
        return state, []
    assert stage is not None
    if state.phase == "prompt":
        return _on_prompt_time(state, stage)
    if state.phase == "closing":
        if closed:
            return _energised(state), []
        if event.t_s - state.mark_s > CONTACT_WAIT_S:
            return _stop(state, "relay-fault", f"The board did not close the mains relay within {CONTACT_WAIT_S:g} s.")
        return state, []
    if stage.energised and not closed:
        # The board's own event tells the cause; this catches one that never comes.
        if event.t_s - state.mark_s > CONTACT_WAIT_S:
            return _stop(state, "relay-fault", "The mains relay is open in a stage that needs it closed.")
        return state, []
    return _on_expected(state, stage, event)


def _energised(state: State) -> State:
    limiter_in = state.plan.stages[state.index].limiter_in
    return replace(state, phase="waiting-reading", mark_s=state.t_s, prompt=None, limiter_in=limiter_in)


def _on_prompt_time(state: State, stage: PlanStage) -> tuple[State, list[Action]]:
    prompt = state.prompt
    assert prompt is not None
    if state.t_s > prompt.expires_t_s:
        waited = state.t_s - prompt.since_t_s
        return _stop(
            state,
            "operator",
            f"Nobody confirmed within {waited / 60:.0f} min: {prompt.text!r}. The mains relay is open.",
        )
    if prompt.act == "close-relay" and state.closed:
        # Somebody pressed the button on the board: that is a person's act too.
        return _energised(state), [Say("Mains relay closed by the button on the board.")]
    if (
        prompt.act != "close-relay"
        and stage.energised
        and not state.closed
        and state.t_s - state.mark_s > CONTACT_WAIT_S
    ):
        return _stop(state, "relay-fault", "The mains relay is open in a stage that needs it closed.")
    wants_arm = prompt.act in ("close-relay", "remove-limiter")
    if wants_arm and state.stage_sent and not state.challenge and state.t_s - state.arm_at_s >= RETRY_ARM_S:
        return replace(state, arm_at_s=state.t_s), [Arm()]
    return state, []


def _on_expected(state: State, stage: PlanStage, event: Readings) -> tuple[State, list[Action]]:
    wrong = outside(stage, event.values)
    if wrong:
        if state.phase in ("settling", "holding"):
            # Out of the span is not yet dangerous (that is what limits are for),
            # but the stage has to earn its time again.
            state = replace(state, phase="waiting-reading", within_s=math.nan, mark_s=event.t_s)
            return state, [Say(f"{stage.name}: reading left the expected span: {wrong[0]}.")]
        if event.t_s - state.mark_s > stage.reach_s:
            why = f"{stage.name}: expected readings not reached within {stage.reach_s:g} s: {'; '.join(wrong[:3])}."
            return _stop(state, _cause_of(stage, event.values), why)
        return replace(state, within_s=math.nan), []
    if math.isnan(state.within_s):
        phase = state.phase if state.phase == "cold-check" else "settling"
        state = replace(state, within_s=event.t_s, phase=phase, mark_s=event.t_s, prompt=None)
    held = event.t_s - state.within_s
    if held >= stage.settle_s + stage.hold_s:
        held_words = f"all expected readings held for {stage.settle_s + stage.hold_s:g} s"
        return _passed(state, "; ".join([held_words, *_proof_words(stage, event.values)]))
    if held >= stage.settle_s and state.phase == "settling":
        return replace(state, phase="holding", mark_s=event.t_s), []
    return state, []


def _on_reply(state: State, event: Reply) -> tuple[State, list[Action]]:
    refused = wire.REFUSALS[event.refusal] if event.refusal < len(wire.REFUSALS) else f"refusal {event.refusal}"
    detail = f"{refused}" + (f" ({event.text})" if event.text else "")
    if event.kind == wire.STAGE:
        if event.refusal == wire.DONE:
            return replace(state, stage_sent=True), []
        if state.outcome:
            return state, []
        return _stop(state, "operator", f"The board refused the stage: {detail}.")
    if event.kind == wire.ARM:
        if event.refusal != wire.DONE:
            return replace(state, challenge=0), [Say(f"The board does not arm: {detail}.")]
        challenge = int(event.text) if event.text.isdigit() else 0
        state = replace(state, challenge=challenge)
        if state.confirmed and challenge:
            return _go(state)
        return state, []
    if event.kind == wire.GO and event.refusal != wire.DONE:
        if state.phase == "closing":
            # The person's word stands; a fresh challenge is asked for.
            state = replace(state, phase="prompt", challenge=0, confirmed=False, arm_at_s=-math.inf)
        elif state.phase == "waiting-reading" and state.closed and state.prompt is None:
            # The challenge ran out under the person's hand; the lamp is still in.
            stage = state.plan.stages[state.index]
            state = replace(_asked_for_lamp(state, stage), limiter_in=True, challenge=0, stage_sent=False)
            return state, [SendStage(stage), Say(f"The board did not act: {detail}. Confirm again.")]
        return state, [Say(f"The board did not act: {detail}. Confirm again.")]
    return state, []


def _go(state: State) -> tuple[State, list[Action]]:
    challenge = state.challenge
    prompt = state.prompt
    state = replace(state, challenge=0, confirmed=False, mark_s=state.t_s)
    if prompt is not None and prompt.act == "remove-limiter":
        return replace(state, phase="waiting-reading", limiter_in=False, prompt=None), [Go(challenge)]
    return replace(state, phase="closing"), [Go(challenge)]


def _on_confirm(state: State, event: Confirm) -> tuple[State, list[Action]]:
    prompt = state.prompt
    if prompt is None or prompt.ask != "confirm" or prompt.prompt_id != event.prompt_id:
        return state, [
            Say(f"A confirmation from {event.by} came for a prompt that is no longer open; nothing was done.")
        ]
    if prompt.act == "reset":
        state = replace(state, prompt=None, phase="connecting")
        return state, [ResetTrip(), Say(f"Latched trip acknowledged ({event.by}).")]
    said: list[Action] = [Say(f"Confirmed ({event.by}): {prompt.text}")]
    if prompt.act == "other":
        phase = "waiting-reading" if state.plan.stages[state.index].energised else "cold-check"
        return replace(state, phase=phase, prompt=None, mark_s=state.t_s), said
    if state.challenge:
        state, actions = _go(state)
        return state, said + actions
    return replace(state, confirmed=True), said


def _trip_words(event: BoardEvent) -> str:
    extra = f" {event.text.rstrip('.')}." if event.text else ""
    if event.cause == "relay-fault":
        return f"Relay fault:{extra} Pull the mains plug; the relay cannot be trusted."
    if not event.channel:
        return f"The board opened the mains relay: {event.cause}.{extra}"
    info = CHANNEL[event.channel]
    if event.cause == "sensor-fault" and event.text.startswith("alert line"):
        # The channels are named for their modules: rail_pos_a, rail_neg_v.
        module = event.channel.rpartition("_")[0]
        return (
            f"The board opened the mains relay: sensor-fault (rail module {module} pulled the alert line and does not "
            "answer: unplugged, or without supply)."
        )
    if event.text.startswith("alert line"):
        # The monitor acts between two scans; the last sample says nothing about it.
        return (
            f"The board opened the mains relay: {event.cause} ({info.label}: the monitor's own comparator saw more "
            f"than {event.limit:.3g} {info.unit})."
        )
    seen = "no reading"
    if not math.isnan(event.value):
        # A slope has other units than the channel; the limit beside it tells which.
        seen = f"{event.value:.4g} against {event.limit:.4g}"
    return f"The board opened the mains relay: {event.cause} ({info.label}, {seen}).{extra}"


def _on_board_event(state: State, event: BoardEvent) -> tuple[State, list[Action]]:
    if event.event == wire.EV_TRIPPED:
        why = _trip_words(event)
        if state.outcome:
            return state, [Say(why)]
        return _end(replace(state, closed=False, channel=event.channel), "tripped", event.cause, why, event.t_s)
    if event.event == wire.EV_DISARMED:
        state = replace(state, challenge=0, arm_at_s=-math.inf)
        if state.phase == "prompt" and state.prompt is not None and state.prompt.act == "remove-limiter":
            # With its challenge the board forgets the stage that waited for the lamp to go.
            return replace(state, stage_sent=False), [SendStage(state.plan.stages[state.index])]
        return state, []
    if event.event == wire.EV_RESET and state.phase == "connecting":
        return _enter(state, 0)
    if event.event == wire.EV_BOOT and state.phase not in ("connecting", *OVER):
        return _stop(state, "relay-fault", "The board restarted during the run; the mains relay is open.")
    return state, []


def _on_connected(state: State, event: Connected) -> tuple[State, list[Action]]:
    if state.outcome:
        return state, []
    if state.phase != "connecting":
        if event.same_boot:
            return state, [Say("The board is back; it kept supervising meanwhile.")]
        return _stop(state, "relay-fault", "The board restarted while it was out of reach; the run ends here.")
    if event.selftest:
        return _stop(state, "sensor-fault", f"Self-test of the board failed: {event.selftest}.")
    if event.board_state in (wire.CLOSING, wire.CLOSED):
        return _stop(state, "operator", "The mains relay was closed before this run began; it was opened. Start again.")
    if event.board_state in (wire.TRIPPED, wire.FAULT):
        text = f"The board holds a trip from before ({event.cause}). Find its cause, then acknowledge it."
        return replace(_prompted(state, text, "confirm", "reset", "relay contact reads open"), phase="prompt"), []
    if state.index < 0:
        return _enter(state, 0)
    return state, []


def advance(state: State, event: Event) -> tuple[State, list[Action]]:
    """Return the next state and what has to be done, in order."""
    match event:
        case Readings():
            if state.phase == "prompt" and state.prompt is not None and state.prompt.act == "reset":
                return replace(state, t_s=event.t_s), []
            return _on_readings(state, event)
        case Reply():
            return _on_reply(state, event)
        case BoardEvent():
            return _on_board_event(state, event)
        case Connected():
            return _on_connected(state, event)
        case Disconnected():
            return replace(state, challenge=0), [Say(f"Link to the board lost: {event.why}")]
        case Confirm():
            if state.outcome:
                return state, [Say("The run is over; nothing was done.")]
            return _on_confirm(state, event)
        case Stop():
            if state.outcome:
                return state, [OpenRelay("operator", f"opened by a person ({event.by})")]
            return _stop(state, "operator", f"Opened by a person ({event.by}).")
        case GiveUp():
            return _stop(state, event.cause, event.why)
        case Acknowledge():
            return state, [ResetTrip(), Say(f"Trip acknowledged ({event.by}).")]
        case Judged():
            finding = event.finding
            why = f"{finding.cause} ({finding.channel}): {finding.why}" if finding.channel else finding.why
            if state.outcome:
                return state, []
            ended, actions = _end(replace(state, channel=finding.channel), "tripped", finding.cause, why, finding.t_s)
            return ended, [OpenRelay(finding.cause, finding.why), *actions]
