"""Three cards: which boards are plugged in, the board of the run, and the self-test."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from benchwarden.dashboard.board_commands import SelfTest, checked_port
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.setup_bench import Bench, BoardOfRun
from benchwarden.dashboard.setup_words import copyable, facts, sentence, when, with_code
from benchwarden.dashboard.views import digest
from benchwarden.errors import PlanError, StageError


def cards(context: Context, bench: Bench) -> list[Any]:
    """Return the cards; who looks from another machine gets no controls."""
    viewer = context.viewer()
    shown = _shown(bench)
    return [
        card(
            "Ports and boards",
            html.Div(_ports(bench), id="ports-found", **named({"aria-live": "polite"})),
            *([] if viewer else [_look_again()]),
            columns=6,
        ),
        card("Board of the run", html.Div(_board(bench.board_of_run()), id="board-now"), columns=6),
        card(
            "Self-test",
            html.P(
                "The board tests every part of itself: memory, clock, converters, buses, and the relay chain without "
                "closing the relay. It takes a few seconds. A board that finds something wrong refuses to arm.",
                className="facts",
            ),
            *([] if viewer else [_selftest_controls(bench)]),
            html.Div(_selftest(bench), id="selftest-found"),
            columns=12,
        ),
        dcc.Store(id="boards-seen", data={name: digest(what) for name, what in shown.items()}),
        dcc.Store(id="looked"),
        dcc.Store(id="tested"),
    ]


def wire(app: Dash, context: Context, bench: Bench) -> None:
    """Add the callbacks of the cards."""
    with context.reading(app):
        _refresh(app, bench)
    _acts(app, context, bench)


def _refresh(app: Dash, bench: Bench) -> None:
    @app.callback(
        Output("ports-found", "children"),
        Output("board-now", "children"),
        Output("selftest-found", "children"),
        Output("boards-seen", "data"),
        Input("setup-tick", "n_intervals"),
        Input("looked", "data"),
        Input("tested", "data"),
        State("boards-seen", "data"),
        prevent_initial_call=True,
    )
    def refresh(_tick: int, _looked: Any, _tested: Any, seen: dict[str, int] | None) -> list[Any]:
        held, fresh = seen or {}, {name: digest(what) for name, what in _shown(bench).items()}
        drawn: dict[str, list[Any]] = {
            "ports-found": _ports(bench),
            "board-now": _board(bench.board_of_run()),
            "selftest-found": _selftest(bench),
        }
        out = [no_update if held.get(name) == fresh[name] else parts for name, parts in drawn.items()]
        return [*out, no_update if fresh == held else fresh]


def _acts(app: Dash, context: Context, bench: Bench) -> None:
    @app.callback(
        Output("looked", "data"),
        Output("selftest-boards", "children"),
        Input("ports-look", "n_clicks"),
        running=[(Output("ports-look", "disabled"), True, False), (Output("ports-wait", "hidden"), False, True)],
    )
    def look(clicks: int | None) -> tuple[Any, Any]:
        try:
            context.at_the_bench()
        except StageError:
            return no_update, no_update
        bench.look(again=bool(clicks))
        return [bench.looked_utc, clicks], _test_buttons(bench)

    @app.callback(
        Output("tested", "data"),
        Output("selftest-said", "children"),
        Input({"type": "selftest-board", "port": ALL}, "n_clicks"),
        Input("selftest-typed", "n_clicks"),
        Input("port-typed", "n_submit"),
        State("port-typed", "value"),
        running=[
            (Output("selftest-fields", "disabled"), True, False),
            (Output("selftest-wait", "hidden"), False, True),
            (Output("selftest-said", "hidden"), True, False),
        ],
        prevent_initial_call=True,
    )
    def start(_boards: Any, _typed: Any, _submit: Any, typed: str | None) -> tuple[Any, Any]:
        by = ctx.triggered_id
        if by is None or not any(one["value"] for one in ctx.triggered):
            return no_update, no_update
        try:
            context.at_the_bench()
            found = bench.test(checked_port(str(by["port"] if isinstance(by, dict) else typed or "")))
        except (StageError, PlanError) as error:
            return no_update, sentence(error)
        return [bench.tested_utc, found.port], ""


def _shown(bench: Bench) -> dict[str, Any]:
    going = bench.going()
    return {
        "ports-found": (bench.ports, bench.looked_utc, going),
        "board-now": bench.board_of_run(),
        "selftest-found": (bench.tested, bench.tested_utc, going),
    }


def _look_again() -> Any:
    return html.Div(
        [
            html.Button("Look again", id="ports-look", className="plain-button", type="button"),
            html.Span("Looking …", id="ports-wait", className="waits", hidden=True, role="status"),
        ],
        className="acts row",
    )


def _ports(bench: Bench) -> list[Any]:
    found = bench.ports
    if found is None:
        return [html.P("Not looked yet.", className="facts")]
    if found.problem:
        return [
            html.P([html.Span("✕ ", className="sign"), "The ports could not be listed. ", found.problem]),
            html.P(when("Tried", bench.looked_utc), className="facts"),
        ]
    if not found.boards:
        return [
            html.P("No board is plugged in.", className="told"),
            html.P(
                "Use a USB cable that carries data. A new board first gets its program by “benchwarden install”. "
                "A virtual bench is on no USB port: for its self-test, type its address below.",
                className="facts",
            ),
            html.P(when("Looked", bench.looked_utc), className="facts"),
        ]
    going = {one.board.lower(): one.run for one in bench.going() if one.board}
    rows = []
    for port in found.boards:
        run = going.get(port.serial.lower())
        rows.append(
            html.Li(
                [
                    html.Strong(port.device),
                    html.Span(f" {port.description}" if port.description else ""),
                    html.Br(),
                    html.Span(f"USB serial number {port.serial or 'not told'}", className="facts"),
                    html.P(f"▶ In use by the run {run}, which is going on.", className="held") if run else None,
                ]
            )
        )
    return [html.Ul(rows, className="plain lines"), html.P(when("Looked", bench.looked_utc), className="facts")]


def _board(found: BoardOfRun | None) -> list[Any]:
    if found is None:
        return [
            html.P("No run has met a board yet.", className="told"),
            html.P(["Start one in a terminal: ", copyable("benchwarden run unit.toml")], className="facts acts"),
        ]
    board = found.board
    tested = {True: "✓ passed", False: "✕ NOT passed", None: "not told"}[board.selftest_ok]
    if board.selftest_ok and found.tested:
        tested += f", {found.tested} parts"
    elif board.failed_parts:
        tested += ": " + "; ".join(board.failed_parts)
    lead = "Going on now: " if found.going else "As last told by the run "
    return [
        html.P([lead, html.Strong(found.run), " (virtual bench)" if found.virtual else ""]),
        facts(
            ("Board", board.name or "not told"),
            ("Firmware", f"{board.firmware or 'not told'}, MicroPython {found.micropython or 'not told'}"),
            ("Program digest", found.program or "no listing"),
            ("Wire version", found.wire or "not told"),
            ("Calibration", ("✓ " if board.calibration_is_good else "! ") + board.calibration),
            ("Self-test", tested),
        ),
        *[html.P(["! ", *with_code(words)], className="remind") for words in board.reminders],
    ]


def _test_buttons(bench: Bench) -> list[Any]:
    return [
        html.Button(
            f"Test the board at {port.device}",
            id={"type": "selftest-board", "port": port.device},
            className="plain-button",
            type="button",
        )
        for port in (bench.ports.boards if bench.ports else ())
    ]


def _selftest_controls(bench: Bench) -> Any:
    return html.Div(
        [
            html.Fieldset(
                [
                    html.Legend("Test a board", className="unseen"),
                    html.Div(_test_buttons(bench), id="selftest-boards", className="row"),
                    html.Label("Or type a port (/dev/ttyACM0, COM3, or socket://host:port)", htmlFor="port-typed"),
                    html.Div(
                        [
                            dcc.Input(id="port-typed", type="text", autoComplete="off", spellCheck="false",
                                      className="typed"),
                            html.Button("Test the board there", id="selftest-typed", className="plain-button",
                                        type="button"),
                        ],
                        className="row",
                    ),
                ],
                id="selftest-fields",
                className="bare controls",
            ),
            html.P("Testing; it takes a few seconds …", id="selftest-wait", className="waits", hidden=True,
                   role="status"),
            html.P(id="selftest-said", className="said", role="status"),
        ],
        className="acts",
    )  # fmt: skip


def _selftest(bench: Bench) -> list[Any]:
    going = [
        html.P(f"▶ The run {one.run} is going on; a board tests itself between runs.", className="held")
        for one in bench.going()
    ]
    if bench.tested is None:
        return [*going, html.P("No self-test was asked for since this dashboard began.", className="facts")]
    return [*going, *_found(bench.tested, bench.tested_utc)]


def _found(found: SelfTest, utc: str) -> list[Any]:
    head = f"{found.port}, {when('tested', utc)}"
    if found.problem:
        return [html.P("✕ No result.", className="told"), html.P(found.problem), html.P(head, className="facts")]
    wrong = [part for part, said in found.parts if said != "ok"]
    if found.ok:
        verdict = f"✓ All {len(found.parts)} parts well."
    else:
        verdict = f"✕ Not well: {', '.join(wrong) or 'no part named'}. The board refuses to arm."
    rows = [
        html.Li([html.Span("✓ " if said == "ok" else "✕ ", className="sign"), html.Strong(part), f" {said}"],
                className="well" if said == "ok" else "not-well")
        for part, said in found.parts
    ]  # fmt: skip
    board = {key: str(found.board.get(key) or "not told")[:80] for key in ("board", "fw", "program", "cal")}
    return [
        html.P(verdict, className="told"),
        html.P(
            f"Board {board['board']}, firmware {board['fw']}, program {board['program']}, {board['cal']}; {head}",
            className="facts",
        ),
        html.Ul(rows, className="plain parts"),
    ]
