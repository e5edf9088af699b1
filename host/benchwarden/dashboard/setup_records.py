"""One card: how every known board stands with calibration and commissioning, and what to type next."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from benchwarden.core.commissioned import LEAST_DAYS, MOST_DAYS
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card
from benchwarden.dashboard.setup_bench import Bench
from benchwarden.dashboard.setup_words import copyable, day_in, facts, sentence, when, with_code
from benchwarden.dashboard.status import plain
from benchwarden.dashboard.views import digest
from benchwarden.errors import PlanError, RecordError, StageError
from benchwarden.record.known_boards import (
    CalibrationMade,
    CommissioningMade,
    Known,
    KnownBoard,
    TestMade,
    known_boards,
)
from benchwarden.record.records_settings import set_interval_days

_SIGNS = {"pass": "✓ pass", "fail": "✕ FAIL", "not done": "– not done"}
_VERDICTS = {"pass": "✓ PASS", "fail": "✕ FAIL", "incomplete": "! incomplete"}


def cards(context: Context, bench: Bench) -> list[Any]:
    """Return the card; who looks from another machine gets no commands and no interval to set."""
    known = _known(context, bench)
    return [
        card(
            "Calibration and commissioning",
            html.P(
                "Calibration compares the board with your meter; commissioning proves, with a bench supply and a "
                "resistor, that everything which has to open the relay does. Both are guided in a terminal: hands and "
                "eyes are at the rig, not at this page.",
                className="facts",
            ),
            html.Div(_drawn(context, bench, known), id="known"),
            *([] if context.viewer() else [_interval_form(known.interval_days)]),
        ),
        dcc.Store(id="known-seen", data=digest((known, bench.ports))),
        dcc.Store(id="interval-set"),
    ]


def wire(app: Dash, context: Context, bench: Bench) -> None:
    """Add the callbacks of the card."""
    with context.reading(app):

        @app.callback(
            Output("known", "children"),
            Output("known-seen", "data"),
            Input("setup-tick", "n_intervals"),
            Input("looked", "data"),
            Input("tested", "data"),
            Input("interval-set", "data"),
            State("known-seen", "data"),
            prevent_initial_call=True,
        )
        def refresh(_tick: int, _looked: Any, _tested: Any, _set: Any, seen: int | None) -> tuple[Any, Any]:
            known = _known(context, bench)
            fresh = digest((known, bench.ports))
            if fresh == seen:
                return no_update, no_update
            return _drawn(context, bench, known), fresh

    @app.callback(
        Output("interval-set", "data"),
        Output("interval-said", "children"),
        Input("interval-save", "n_clicks"),
        State("interval-days", "value"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, days: Any) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            context.at_the_bench()
            whole = int(days) if isinstance(days, float) and days.is_integer() else days
            set_interval_days(context.folders.records, whole)
        except PlanError:
            return no_update, f"Not saved: allowed are whole days, {LEAST_DAYS} to {MOST_DAYS}."
        except (StageError, RecordError) as error:
            return no_update, sentence(error)
        return [clicks, whole], f"Saved: a board is due to be commissioned again after {whole} days."


def _known(context: Context, bench: Bench) -> Known:
    return known_boards(context.folders.records, bench.seen(), context.clock.utc_label())


def _drawn(context: Context, bench: Bench, known: Known) -> list[Any]:
    viewer = context.viewer()
    out: list[Any] = []
    if known.problem:
        out.append(html.P(f"✕ {plain(known.problem)}", className="remind"))
    if not known.boards:
        out += [
            html.P("No board has records here yet.", className="told"),
            html.P(
                "A board that is not calibrated works, and every page and record says so. Prove its trip paths before "
                "you trust it.",
                className="facts",
            ),
        ]
    plugged_in = {board.board: bench.device_of(board.board) for board in known.boards}
    for board in known.boards:
        out.append(_board(board, known.interval_days))
        if plugged_in[board.board] and not viewer:
            out.append(_commands(context, plugged_in[board.board]))
    if not any(plugged_in.values()) and not viewer:
        out.append(_commands(context, ""))
    return out


def _board(board: KnownBoard, interval_days: int) -> Any:
    return html.Section(
        [
            html.H3(f"Board {plain(board.board, 60)}"),
            *[html.P(["! ", *with_code(words)], className="remind") for words in board.reminders],
            *[html.P(f"✕ {plain(words)}", className="remind") for words in board.damaged],
            html.P(
                f"! A calibration was {when('begun', board.draft_begun)} and not finished; the settings taken are "
                "kept, and it goes on from them.",
                className="remind",
            )
            if board.draft_begun
            else None,
            html.Div(
                [
                    html.Div([html.H4("Calibration"), _calibration(board.calibration, board.calibrations)]),
                    html.Div(
                        [
                            html.H4("Commissioning"),
                            _commissioning(board.commissioning, board.commissionings, interval_days),
                        ]
                    ),
                ],
                className="pair",
            ),
            html.P(
                f"What changed since is judged by what the board said of itself, {when('last on', board.as_of_utc)}.",
                className="facts",
            )
            if board.as_of_utc
            else None,
        ],
        className="known-board",
    )


def _calibration(made: CalibrationMade | None, count: int) -> Any:
    if made is None:
        return html.P("No calibration on record.", className="told")
    partly = "" if made.channels == made.of_channels else " The others carry the tolerances of their parts."
    return facts(
        ("Made", f"{made.date}, by {_who(made.operator)}{_virtual(made.virtual)}"),
        ("Against", plain(made.reference, 120) or "not told"),
        ("Due", f"{made.due}, {day_in(made.due_in_days)}"),
        ("Channels", f"{made.channels} of {made.of_channels} calibrated.{partly}"),
        ("Record", f"number {plain(made.number, 10)}, CRC {plain(made.crc, 10)}; {_count(count, 'record')} kept"),
    )


def _commissioning(made: CommissioningMade | None, count: int, interval_days: int) -> Any:
    if made is None:
        return html.P("No commissioning on record.", className="told")
    passed = sum(test.verdict == "pass" for test in made.tests)
    whole = "" if made.complete else ", only some of the tests: counts as not commissioned"
    return html.Div(
        [
            facts(
                ("Made", f"{when('', made.ended_at_utc).strip()}, by {_who(made.operator)}{_virtual(made.virtual)}"),
                ("Verdict", f"{_VERDICTS.get(made.verdict, plain(made.verdict, 20))}, {passed} of {len(made.tests)} "
                            f"tests passed{whole}"),
                ("Due", f"{made.due}, {day_in(made.due_in_days)} (every {interval_days} days)"
                        if made.due else "the date cannot be read"),
                ("Records", f"{_count(count, 'sheet')} kept"),
            ),
            html.Details(
                [
                    html.Summary(f"Every test ({len(made.tests)})"),
                    html.Ul([_test(test) for test in made.tests], className="plain tests"),
                ],
                open=passed < len(made.tests),
            ),
        ]
    )  # fmt: skip


def _test(test: TestMade) -> Any:
    told = [f"Asked for: {plain(test.required, 300)}." if test.required else ""]
    told.append(f"Measured: {plain(test.measured, 80)}." if test.measured else "")
    told.append(plain(test.why, 400))
    told.append(f"Look at: {plain(test.part, 120)}." if test.part else "")
    return html.Li(
        [
            html.Span(_SIGNS.get(test.verdict, plain(test.verdict, 20)), className="test-verdict"),
            html.Div(
                [
                    html.Strong(plain(test.title, 200) or plain(test.test, 60)),
                    html.P(" ".join(part for part in told if part), className="facts"),
                ]
            ),
        ],
        className="" if test.verdict == "pass" else "not-well",
    )


def _commands(context: Context, device: str) -> Any:
    """Return what to type for calibration and commissioning of the board at a port; "" lets the command find it."""
    records = ["--records", str(context.folders.records.resolve())]
    runs = ["--runs", str(context.folders.runs.resolve())]
    port = ["--port", device] if device else []
    first = _program()
    return html.Div(
        [
            html.P(
                f"To type in a terminal for the board at {device}, with no run going on:"
                if device
                else "To type in a terminal, with one board plugged in and no run going on:"
            ),
            copyable(shlex.join([first, "calibrate", *port, *records]), "calibration command"),
            copyable(shlex.join([first, "commission", *port, *records, *runs]), "commissioning command"),
        ],
        className="acts to-type",
    )


def _program() -> str:
    # Where it is not on the search path it lies beside the interpreter that runs this page.
    beside = Path(sys.executable).with_name("benchwarden")
    return "benchwarden" if shutil.which("benchwarden") or not beside.exists() else str(beside)


def _interval_form(days: int) -> Any:
    return html.Div(
        [
            html.Label("Commission again after (days)", htmlFor="interval-days"),
            html.Div(
                [
                    dcc.Input(id="interval-days", type="number", value=days, min=LEAST_DAYS, max=MOST_DAYS, step=1,
                              className="typed short"),
                    html.Button("Save the interval", id="interval-save", className="plain-button", type="button"),
                ],
                className="row",
            ),
            html.P(id="interval-said", className="said", role="status"),
        ],
        className="acts controls",
    )  # fmt: skip


def _who(operator: str) -> str:
    return plain(operator, 80) or "somebody who gave no name"


def _virtual(virtual: bool) -> str:
    return " (virtual bench)" if virtual else ""


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
