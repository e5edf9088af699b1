"""How the live page is laid out: fixed places, and the content of each from a snapshot.

Each part is a pair: what it shows, as plain comparable data, and how that
becomes components. A part whose data did not change is not sent again.
"""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from benchwarden.dashboard import words
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.figures import TRENDS, figure
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.margins import Row, rows, scale
from benchwarden.dashboard.pot import pots
from benchwarden.dashboard.proof import proofs
from benchwarden.dashboard.status import Status
from benchwarden.dashboard.trends import Points

# Often enough for a frame to be on the screen within 300 ms with the time the
# answer takes; the next question waits for the answer to the last.
TICK_MS = 100
# One plot is extended per tick, in turn: redrawing all at once would hold up the readings.
TREND_TICK_MS = 400

# The figures to read from across the room.
MAIN_FIGURES = (
    ("bias_left_v", "Bias L"),
    ("bias_right_v", "Bias R"),
    ("rail_pos_a", "Rail +"),
    ("rail_neg_a", "Rail −"),
    ("sink_left_c", "Sink L"),
    ("sink_right_c", "Sink R"),
)

# The rail voltages prove what the person does at the transformer; they are
# shown beside the instruction unless a confirm button needs the room.
AIM_FIGURES = (("rail_pos_v", "Rail + voltage"), ("rail_neg_v", "Rail − voltage"))
AIM_PHASES = ("waiting-reading", "settling", "holding")

# Shape and word carry the verdict; colour only repeats it.
_SIGNS = {
    "above": "▲",
    "below": "▼",
    "peak": "▲",
    "missing": "✕",
    "near": "△",
    "outside": "◇",
    "inside": "●",
    "unjudged": "·",
}


@dataclass(frozen=True)
class Part:
    """One place on the page."""

    name: str
    shows: Callable[[Snapshot], Any]
    drawn: Callable[[Any], Any]


# -- heading ---------------------------------------------------------------


def _heading_shows(now: Snapshot) -> Any:
    status = now.status
    if status is None:
        return None
    board = status.board
    return (
        status.run,
        status.run_type,
        status.customer,
        status.model,
        status.serial,
        status.virtual,
        status.speed,
        board,
    )


def _heading_drawn(shown: Any) -> Any:
    if shown is None:
        return [html.H1("Benchwarden")]
    run, run_type, customer, model, serial, virtual, speed, board = shown
    facts = [text for text in (model, f"serial {serial}" if serial else "", customer, run_type) if text]
    out = [html.H1(run or "Run"), html.P(" · ".join(facts), className="facts")]
    if board is not None:
        said: list[Any] = [f"board {board.name} · firmware {board.firmware} · "]
        if board.program:
            said.append(f"program {board.program} · ")
        if board.selftest_ok is False:
            said += [html.Strong("SELF-TEST FAILED: " + "; ".join(board.failed_parts)), " · "]
        said.append(board.calibration if board.calibration_is_good else html.Strong(board.calibration))
        out.append(html.P(said, className="facts"))
    if board is not None and board.reminders:
        out.append(html.P(html.Strong(" ".join(board.reminders)), className="facts", role="note"))
    if virtual:
        quick = "" if speed == 1 else f" Time runs {speed:g} times as fast."
        out.append(
            html.P(
                html.Span([html.Strong("Virtual bench."), f" Nothing here is a measurement.{quick}"]),
                className="virtual",
                role="note",
            )
        )
    return out


# -- what is going on, what to do --------------------------------------------


def _now_shows(now: Snapshot) -> Any:
    status = now.status
    if status is None:
        return (now.problem,)
    stage = status.stage
    prompt = status.prompt
    place = ""
    if stage is not None:
        place = f"Stage {status.stage_index + 1} of {len(status.stages)}: {stage.name}"
    return (
        words.phase(status),
        status.phase,
        place,
        words.kept_together(words.setting(stage)) if stage else "",
        _instruction(status),
        prompt.ask if prompt else "",
        words.kept_together(prompt.check) if prompt else "",
        status.verdict,
        _next(status),
        words.kept_together(status.why) if status.phase == "aborted" else "",
    )


def _next(status: Status) -> str:
    later = status.stages[status.stage_index + 1 :] if status.phase in ("settling", "holding") else ()
    return f"Then: {later[0].name} ({words.setting(later[0])})." if later else ""


def _progress(status: Status) -> tuple[int, float] | None:
    stage = status.stage
    if stage is None or status.phase not in ("settling", "holding") or stage.elapsed_s is None or not stage.hold_s:
        return None
    return int(stage.elapsed_s), stage.hold_s


def _instruction(status: Status) -> str:
    if status.prompt is not None:
        return words.kept_together(status.prompt.text)
    if status.phase in ("finished", "tripped", "aborted"):
        return ""
    return "Nothing to do. Hands off; you may watch."


def _now_drawn(shown: Any) -> Any:
    if len(shown) == 1:
        return [
            html.H2("Waiting for a run to start here", className="phase"),
            html.P("This page picks it up by itself.", className="instruction idle"),
            html.P(shown[0], className="facts"),
        ]
    said, phase, place, setting, instruction, ask, check, verdict, then, why = shown
    out: list[Any] = [html.H2(said, className=f"phase phase-{phase}" if phase.isascii() else "phase")]
    if place:
        out.append(html.P([html.Strong(place), f" ({setting})" if setting else ""], className="place"))
    if why:
        out.append(html.P(html.Strong(why), className="place"))
    if instruction:
        out.append(html.P(instruction, className=f"instruction {'act' if ask else 'idle'}"))
    if check:
        out.append(html.P([html.Strong("Done when: "), check], className="check"))
    if then:
        out.append(html.P(then, className="check"))
    if verdict:
        out.append(html.P(["Verdict: ", html.Strong(verdict)], className="verdict"))
    return out


# -- how long still -------------------------------------------------------------


def _times_shows(now: Snapshot) -> Any:
    if now.status is None:
        return None, None
    prompt = now.status.prompt
    left_s = prompt.expires_in_s if prompt else None
    return _progress(now.status), None if left_s is None else int(left_s)


def _times_drawn(shown: Any) -> Any:
    progress, expires_s = shown
    out: list[Any] = []
    if progress:
        elapsed_s, hold_s = progress
        text = f"{words.duration(elapsed_s)} of {words.duration(hold_s)}"
        out.append(
            html.Div(
                [html.Progress(value=str(min(elapsed_s, hold_s)), max=str(hold_s)), html.Span(text)],
                className="progress",
            )
        )
    if expires_s is not None:
        out.append(html.P(f"{words.duration(expires_s)} left to do it", className="check"))
    return out


# -- readings, ten times a second -------------------------------------------------


def live(now: Snapshot) -> dict[str, Any]:
    """Return figures and channel rows as the browser's own script shows them."""
    if now.status is None:
        return {"aim": [], "figures": [], "rows": [], "proofs": [], "pots": []}
    found = rows(now.status)
    by_channel = {row.channel: row for row in found}
    hands = pots(now.status)
    # With a hand on the pot the rails are not what is looked at.
    aim = AIM_FIGURES if now.status.phase in AIM_PHASES and not hands else ()
    return {
        "pots": [dataclasses.asdict(pot) for pot in hands],
        "proofs": [dataclasses.asdict(proof) for proof in proofs(now.status)],
        "aim": [_figure(by_channel[name], label, expected=True) for name, label in aim],
        "figures": [_figure(by_channel[name], label) for name, label in MAIN_FIGURES],
        "rows": [
            {
                "channel": row.channel,
                "label": row.label,
                "unit": row.unit,
                "value": row.value,
                "low": row.low,
                "high": row.high,
                "expected": row.expected,
                "verdict": row.verdict,
                "sign": _SIGNS[row.verdict],
                "says": row.says,
                "bar": row.bar,
            }
            for row in found
        ],
    }


def _figure(row: Row, label: str, expected: bool = False) -> dict[str, str]:
    return {
        "label": label,
        "value": row.value,
        "unit": row.unit,
        "verdict": row.verdict,
        "sign": _SIGNS[row.verdict] if row.verdict != "unjudged" else "",
        "expected": row.expected if expected else "",
    }


def ahead(now: Snapshot) -> dict[str, list[list[list[float]]]]:
    """Return per plot with a forecast and per channel the way ahead.

    Returns:
        Four lists a channel: minutes, expected value, its lower and its upper bound, in the unit of the plot.
    """
    known = now.status.outlook if now.status is not None and not now.status.ended else ()
    return {"bias": [_way(row.ahead) for row in known], "temperature": [_way(row.sink_ahead) for row in known]}


def _way(rows_ahead: tuple[tuple[float, float, float, float], ...]) -> list[list[float]]:
    return [[row[0] / 60.0 for row in rows_ahead], *([row[k] for row in rows_ahead] for k in (1, 2, 3))]


# -- relay ------------------------------------------------------------------


def _relay_shows(now: Snapshot) -> Any:
    if now.status is None:
        return None
    return (now.status.relay, now.relay_fault, now.last_known, words.relay(now.status.relay, now.relay_fault))


def _flag(value: bool | None, true: str, false: str) -> str:
    return "not known" if value is None else true if value else false


def _relay_drawn(shown: Any) -> Any:
    if shown is None:
        return [html.P("not known yet")]
    relay, fault, stale, said = shown
    facts = (
        ("Contact reads", _flag(relay.contact, "CLOSED", "OPEN")),
        ("Board commands", _flag(relay.coil, "CLOSED", "OPEN")),
        ("Limiter lamp", _flag(relay.limiter_in, "in circuit", "BYPASSED")),
        ("Board state", relay.state or "not known"),
        ("Latched cause", words.cause(relay.cause) if relay.cause not in ("", "none") else "none"),
    )
    kind = "fault" if fault else "live" if relay.contact else "safe"
    return [
        html.P(("Last known: " if stale else "") + said, className=f"relay-said relay-{kind}"),
        html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in facts]),
    ]


# -- stages, findings, messages ----------------------------------------------


def _stages_shows(now: Snapshot) -> Any:
    if now.status is None:
        return ()
    return tuple(
        (
            stage.name,
            words.kept_together(words.setting(stage)),
            stage.status,
            stage.why,
            int(stage.elapsed_s) if stage.elapsed_s is not None and stage.status == "now" else None,
            stage.hold_s,
        )
        for stage in now.status.stages
    )


def _stages_drawn(shown: Any) -> Any:
    out = []
    for name, setting, state, why, elapsed_s, hold_s in shown:
        times = f" · {words.duration(elapsed_s)} of {words.duration(hold_s)}" if elapsed_s is not None else ""
        parts = [
            html.Span(words.stage_state(state), className="stage-state"),
            html.Strong(name),
            html.Span(setting + times, className="facts"),
        ]
        if why:
            parts.append(html.Span(words.kept_together(why), className="why"))
        current = named({"aria-current": "step"} if state == "now" else {})
        known = state if state in ("waiting", "now", "passed", "tripped", "skipped") else "other"
        out.append(html.Li(parts, className=f"stage stage-{known}", **current))
    return out


def _findings_shows(now: Snapshot) -> Any:
    return now.status.findings if now.status else ()


def _findings_drawn(shown: Any) -> Any:
    if not shown:
        return [html.P("None so far.", className="facts")]
    out = []
    for row in reversed(shown[-30:]):
        kind = "trip" if row.severity == "trip" else "warning"
        head = "✕ TRIP" if kind == "trip" else "△ Warning"
        at = "" if row.t_s is None else f" at {words.duration(row.t_s)}"
        out.append(html.Li([html.Strong(head + at), " ", words.finding(row)], className=f"finding {kind}"))
    return [html.Ul(out, className="plain")]


def _outlook_shows(now: Snapshot) -> Any:
    if now.status is None:
        return ()
    return tuple((row.side, row.state, words.outlook(row)) for row in now.status.outlook)


def _outlook_drawn(shown: Any) -> Any:
    if not shown:
        return [html.P("Not known yet.", className="facts")]
    out: list[Any] = []
    for side, state, told in shown:
        sign = {"settled": "●", "drifting": "△"}.get(state, "·")
        out.append(html.Dt([html.Span(sign, **named({"aria-hidden": "true"})), f" {side.capitalize()}"]))
        out += [html.Dd(part) for part in told]
    return [html.Dl(out, className="outlook")]


def _messages_shows(now: Snapshot) -> Any:
    if now.status is None:
        return ()
    return (now.status.messages[-8:], now.status.pdf, now.status.csv)


def _messages_drawn(shown: Any) -> Any:
    if not shown:
        return []
    messages, pdf, csv = shown
    out = [
        html.Li([html.Span("" if t_s is None else f"{words.duration(t_s)} ", className="facts"), text])
        for t_s, text in reversed(messages)
    ]
    out = [
        html.Li([f"{what} written: ", html.Code(path)]) for what, path in (("Report", pdf), ("Data", csv)) if path
    ] + out
    return [html.Ul(out, className="plain")]


def _limits_shows(now: Snapshot) -> Any:
    stage = now.status.stage if now.status else None
    return stage.limits if stage else ()


def _limits_drawn(shown: Any) -> Any:
    out = []
    for limit in shown:
        try:
            written = scale(limit.channel)
        except KeyError:
            continue
        per = f"{written.unit}/s" if limit.kind == "rate" else written.unit
        sides = [
            f"{word} {written.text(edge)} {per}"
            for word, edge in (("below", limit.low), ("above", limit.high))
            if edge is not None
        ]
        kind = {"value": "", "rate": "changing ", "spread": "jumping "}.get(limit.kind, "")
        rule = f"{limit.channel} {kind}{' or '.join(sides)} for {limit.for_ms} ms"
        out.append(html.Li([html.Strong(rule), f": {words.cause(limit.cause)}. ", limit.why]))
    return [html.Ul(out, className="plain")] if out else [html.P("No stage yet.", className="facts")]


PARTS = (
    Part("heading", _heading_shows, _heading_drawn),
    Part("now", _now_shows, _now_drawn),
    Part("times", _times_shows, _times_drawn),
    Part("relay", _relay_shows, _relay_drawn),
    Part("stages", _stages_shows, _stages_drawn),
    Part("findings", _findings_shows, _findings_drawn),
    Part("outlook", _outlook_shows, _outlook_drawn),
    Part("messages", _messages_shows, _messages_drawn),
    Part("limits", _limits_shows, _limits_drawn),
)


def digest(shown: Any) -> int:
    """Return a number that changes when what a part shows changes."""
    return zlib.crc32(repr(shown).encode("utf-8", "replace"))


def prompt_facts(now: Snapshot) -> dict[str, Any]:
    """Return what the confirm buttons need to know."""
    status = now.status
    prompt = status.prompt if status else None
    if status is None or prompt is None or prompt.ask != "confirm" or status.ended:
        return {"id": 0, "first": "", "second": "", "sent": False}
    return {
        "id": prompt.id,
        "first": words.first_press(prompt),
        "second": words.what_happens(prompt, status.stage) if prompt.two_step else "",
        "sent": now.confirm_sent,
    }


def page(now: Snapshot, points: Points) -> Any:
    """Return the whole page as first drawn; everything in it has a fixed place."""
    shown = {part.name: part.shows(now) for part in PARTS}
    drawn = {part.name: part.drawn(shown[part.name]) for part in PARTS}
    digests = {name: digest(value) for name, value in shown.items()}
    return html.Div(
        [
            dcc.Interval(id="tick", interval=TICK_MS),
            dcc.Interval(id="trend-tick", interval=TREND_TICK_MS),
            dcc.Store(id="digests", data=digests),
            dcc.Store(id="prompt", data=prompt_facts(now)),
            dcc.Store(id="announced", data=None),
            dcc.Store(id="announced-end", data=None),
            dcc.Store(id="live", data=live(now) | {"n": 0}),
            dcc.Store(id="trend-cursors", data={trend.name: points.newest for trend in TRENDS}),
            dcc.Store(id="ahead", data=ahead(now)),
            dcc.Store(id="asked", data=None),
            dcc.Store(id="trend-asked", data=None),
            html.Div("0", id="beat", hidden=True),
            html.Div("0", id="trend-beat", hidden=True),
            html.Div("", id="ahead-drawn", hidden=True),
            html.Header(drawn["heading"], id="heading"),
            html.Main(
                [
                    html.Section(
                        [
                            html.Div(drawn["now"], id="now", role="status"),
                            html.Div(drawn["times"], id="times"),
                            _confirm_place(),
                            html.Div(id="pots", className="pots"),
                            html.Dl(id="aim", className="figures aim"),
                            html.Ul(id="proofs", className="plain proofs", **named({"aria-label": "What proves it"})),
                        ],
                        className="card now",
                        **named({"aria-label": "What is going on and what to do"}),
                    ),
                    html.Section(
                        html.Dl(id="main-figures", className="figures"),
                        className="card main-figures",
                        **named({"aria-label": "Main readings"}),
                    ),
                    html.Div([_channels_place(drawn), _trends_place(points)], className="middle"),
                    html.Div(
                        [
                            html.Section(
                                [html.H2("Mains relay"), html.Div(drawn["relay"], id="relay")], className="card relay"
                            ),
                            html.Section(
                                [html.H2("Where the bias goes"), html.Div(drawn["outlook"], id="outlook")],
                                className="card outlook-card",
                            ),
                            html.Section(
                                [html.H2("Findings"), html.Div(drawn["findings"], id="findings")],
                                className="card findings",
                            ),
                            html.Section(
                                [html.H2("Stages"), html.Ol(drawn["stages"], id="stages")], className="card stages"
                            ),
                        ],
                        className="side",
                    ),
                    html.Section(
                        [html.H2("Messages"), html.Div(drawn["messages"], id="messages"), _end_place()],
                        className="card messages",
                    ),
                ]
            ),
            html.Footer(words.CAUTIONS),
        ],
        id="bench",
    )


def _channels_place(drawn: dict[str, Any]) -> Any:
    return html.Section(
        [
            html.H2("Channels against their limits", id="channels-title"),
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [
                                html.Th(text, scope="col", className=kind)
                                for text, kind in (
                                    ("Channel", ""),
                                    ("Now", "reading"),
                                    ("Limit low", "edge low"),
                                    ("", "picture"),
                                    ("Limit high", "edge high"),
                                    ("Expected", "expects"),
                                    ("Room to limit", "says"),
                                )
                            ]
                        )
                    ),
                    html.Tbody(id="channels"),
                ],
                **named({"aria-labelledby": "channels-title"}),
            ),
            html.P(
                [
                    html.I(className="key mean"),
                    "reading ",
                    html.I(className="key swing"),
                    "lowest to highest ",
                    html.I(className="key aimed"),
                    "expected value ",
                    html.I(className="key expected"),
                    "expected span ",
                    html.I(className="key beyond"),
                    "beyond a limit",
                ],
                className="legend",
            ),
            html.Details(
                [
                    html.Summary("Every limit of this stage and where it comes from"),
                    html.Div(drawn["limits"], id="limits"),
                ]
            ),
        ],
        className="card channels",
    )


def _trends_place(points: Points) -> Any:
    return html.Section(
        [
            html.H2("Last ten minutes"),
            html.Div([_trend_place(trend, points) for trend in TRENDS], className="trends"),
        ],
        className="card trend-card",
    )


def _trend_place(trend: Any, points: Points) -> Any:
    return html.Figure(
        [
            html.Figcaption(trend.title),
            dcc.Graph(
                id=f"trend-{trend.name}",
                figure=figure(trend, points),
                config={"displayModeBar": False, "displaylogo": False, "responsive": True, "scrollZoom": False},
                className=f"trend trend-{trend.name}",
                style={"height": "200px"},
            ),
        ]
    )


def _confirm_place() -> Any:
    return html.Div(
        [
            html.Button("", id="confirm-first", className="do", hidden=True, type="button"),
            html.Div(
                [
                    html.P("The second press does it. Look at the bench first: hands clear, nobody touching it."),
                    html.Button("Not yet", id="confirm-cancel", className="plain-button", type="button"),
                    html.Button("", id="confirm-second", className="do second", type="button"),
                ],
                id="confirm-step",
                className="step",
                hidden=True,
                role="group",
                tabIndex=-1,
                **named({"aria-label": "Confirm a second time"}),
            ),
            html.P("", id="confirm-said", role="status", className="said"),
        ],
        className="confirm acts",
    )


def _end_place() -> Any:
    return html.Div(
        [
            html.Button("End the run …", id="end-first", className="plain-button", type="button"),
            html.Div(
                [
                    html.Button("Go on with the run", id="end-cancel", className="plain-button", type="button"),
                    html.Button("Yes: open the relay and end the run", id="end-second", className="do", type="button"),
                ],
                id="end-step",
                className="step",
                hidden=True,
                role="group",
                tabIndex=-1,
                **named({"aria-label": "End the run: confirm a second time"}),
            ),
            html.P("", id="end-said", role="status", className="said"),
        ],
        className="confirm acts",
    )
