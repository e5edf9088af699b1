"""One card: let others on the network look, and end it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.setup_words import sentence
from benchwarden.dashboard.sharing import LONGEST_S, Link, own_addresses
from benchwarden.dashboard.words import duration
from benchwarden.errors import BenchwardenError

MEANS = (
    "Who has the link can look at everything and open the mains relay, nothing else; closing it stays with this "
    "machine. It is plain HTTP, so whoever listens on the network can learn the link: share on a network you trust "
    "only. Sharing ends when this dashboard ends, and at the latest after seven days."
)
_ALONE = "This machine has no address that others could reach: it is on no network."
_ENDED = "Sharing has ended. The old link, and every copy of it, is worth nothing now."
# A fully transparent picture of one dot: a place for a code that is not there yet.
_NO_PICTURE = "data:image/gif;base64,R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7"


def cards(context: Context) -> list[Any]:
    """Return the card; the link is not made up at all for who looks from another machine."""
    if context.viewer():
        return [
            card(
                "Sharing",
                html.P("Sharing is on: you are looking from another machine.", className="told"),
                html.P(
                    "From here you can look at everything and open the mains relay, nothing else. The link is shown, "
                    "and sharing ended, on the bench machine only.",
                    className="facts",
                ),
                columns=6,
            )
        ]
    now = _now(context)
    return [
        card(
            "Sharing",
            html.P(MEANS, className="facts"),
            html.P(now["line"], id="share-line", className="told", role="status"),
            html.P(id="share-said", className="said", role="status"),
            _off(now),
            _on(now),
            columns=6,
            acts=True,
        )
    ]


def wire(app: Dash, context: Context) -> None:
    """Add the callbacks of the card; all of them belong to the bench machine, what they show too."""

    @app.callback(
        Output("share-line", "children"),
        Output("share-off", "hidden"),
        Output("share-on", "hidden"),
        Output("share-link", "children"),
        Output("share-code", "src"),
        Output("share-said", "children"),
        Input("share-second", "n_clicks"),
        Input("share-stop", "n_clicks"),
        Input("setup-tick", "n_intervals"),
        State("share-announced", "data"),
        State("share-link", "children"),
        State("share-line", "children"),
        prevent_initial_call=True,
    )
    def share(_second: Any, _stop: Any, _tick: Any, address: str | None, link: str | None, line: str) -> list[Any]:
        said: Any = no_update
        try:
            context.at_the_bench()
            if ctx.triggered_id == "share-second":
                said = ""
                context.sharing.start(str(address or ""))
            elif ctx.triggered_id == "share-stop":
                context.sharing.stop()
                said = _ENDED
        except BenchwardenError as error:
            return [*[no_update] * 5, sentence(error)]
        now = _now(context)
        if (now["link"], now["line"]) == (link or "", line):
            return [*[no_update] * 5, said]
        if now["link"]:
            # Of the sharing before this one.
            said = ""
        return [now["line"], now["on"], not now["on"], now["link"], now["code"], said]

    # A function of assets/setup.js.
    callback: Any = app.clientside_callback
    callback(
        ClientsideFunction("setup", "step"),
        Output("share-announced", "data"),
        Output("share-choice", "hidden"),
        Output("share-step", "hidden"),
        Output("share-second", "children"),
        Input({"type": "share-first", "address": ALL}, "n_clicks"),
        Input("share-cancel", "n_clicks"),
        Input("share-on", "hidden"),
        prevent_initial_call=True,
    )


def _now(context: Context) -> dict[str, Any]:
    link = context.sharing.link
    if link is None:
        line = "Sharing is off: this dashboard answers this machine only."
        return {"on": False, "line": line, "link": "", "code": _NO_PICTURE}
    return {"on": True, "line": _since(context, link), "link": link.join, "code": link.qr_data_uri()}


def _since(context: Context, link: Link) -> str:
    for_s = context.clock.monotonic_s() - link.since_s
    began = dt.datetime.now(dt.UTC).astimezone() - dt.timedelta(seconds=for_s)
    ends = began + dt.timedelta(seconds=LONGEST_S)
    # In whole minutes: a line that changes every second would be read out every second.
    ago = "just now" if for_s < 60 else f"for {duration(for_s // 60 * 60)}"
    return (
        f"SHARING IS ON at {link.address}, since {began:%Y-%m-%d %H:%M} ({ago}), "
        f"until {ends:%Y-%m-%d %H:%M} at the latest."
    )


def _off(now: dict[str, Any]) -> Any:
    addresses = own_addresses()
    far = [name for name in addresses if name != "127.0.0.1"]
    return html.Div(
        [
            html.Div(
                [
                    html.P("Choose under which of this machine's addresses:" if far else _ALONE),
                    html.Div(
                        [
                            html.Button(
                                f"Share at {name} …" if name in far else f"Share at {name}, this machine only …",
                                id={"type": "share-first", "address": name},
                                className="plain-button",
                                type="button",
                            )
                            for name in addresses
                        ],
                        className="row",
                    ),
                ],
                id="share-choice",
                tabIndex=-1,
            ),
            html.Div(
                [
                    html.P("Second step. Others on the network will see everything and can open the mains relay."),
                    html.Button("Yes: share", id="share-second", className="do second", type="button"),
                    html.Button("Not now", id="share-cancel", className="plain-button", type="button"),
                ],
                id="share-step",
                className="step",
                hidden=True,
                tabIndex=-1,
                role="group",
                **named({"aria-label": "Second step of sharing"}),
            ),
            dcc.Store(id="share-announced"),
        ],
        id="share-off",
        className="controls",
        hidden=now["on"],
    )


def _on(now: dict[str, Any]) -> Any:
    return html.Div(
        [
            html.Div(
                [
                    html.Code(now["link"], id="share-link", className="copied"),
                    html.Button("Copy the link", id="share-copy", className="plain-button copy", type="button",
                                **named({"data-copy": "share-link"})),
                ],
                className="copyable",
            ),
            html.Img(id="share-code", src=now["code"], alt="QR code of the link above", className="code"),
            html.P("Scan the code with a telephone on the same network, or open the link there.", className="facts"),
            html.Button("Stop sharing", id="share-stop", className="plain-button", type="button"),
        ],
        id="share-on",
        className="controls",
        hidden=not now["on"],
        tabIndex=-1,
    )  # fmt: skip
