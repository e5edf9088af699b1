"""The lots of a job on the parts page: which one is on view, what is typed, what is found, and saving."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.analysis.careful import doubts_of
from benchwarden.core.job import Job
from benchwarden.core.part_findings import LotFindings
from benchwarden.core.substitutes import Ratings
from benchwarden.dashboard import parts_result
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.parts_entry import (
    MOST_PIECES,
    LotEntry,
    LotTexts,
    doubled_names,
    entry_of,
    new_lot,
    pasted_cells,
    texts_from,
    texts_of,
)
from benchwarden.dashboard.parts_fields import ASKED_OF, COLUMNS, TABLES
from benchwarden.dashboard.parts_form import form, table_row, table_said
from benchwarden.dashboard.parts_job import asked_n
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError
from benchwarden.part_doubts import known_parts
from benchwarden.parts.incoming import check_lot

FACT = {"lot": ALL, "kind": ALL}
CELL = {"cell": ALL, "of": ALL, "row": ALL}
_MOST_LOTS = 100
_MORE_ROWS = 4


def draft_of(job: Job) -> dict[str, Any]:
    """Return the lots as the page begins with them: their texts, and which is on view."""
    return {"n": 0, "shown": 0, "lots": [texts_of(lot).table() for lot in job.lots]}


def cards() -> list[Any]:
    """Return the cards of the lots, empty."""
    return [
        dcc.Store(id="draft"),
        dcc.Store(id="form-of"),
        dcc.Store(id="pasted"),
        dcc.Store(id="lots-state"),
        html.Div(
            [
                card(
                    "Lots of this job",
                    html.Div(id="lots-list"),
                    html.Div(
                        [
                            html.Button("Add a lot", id="add-lot", className="plain-button", type="button"),
                            html.Button("Remove the lot on view", id="remove-lot", className="plain-button",
                                        type="button"),
                        ],
                        className="plan-buttons",
                    ),
                    html.P("", id="pasted-said", role="status", className="said"),
                    html.Div(id="lot-form"),
                    id="lots-card",
                ),
                card("What was found", html.Div(id="lot-result"), id="lot-found"),
            ],
            className="parts-pair",
        ),
    ]  # fmt: skip


def wire(app: Dash, context: Context) -> None:
    """Add the callbacks of the lots; all of them are acts of the bench machine."""
    _edit(app, context)
    _show_form(app, context)
    _more_rows(app, context)
    _judge(app, context)


def typed_lots(
    draft: dict[str, Any] | None,
    form_of: dict[str, Any] | None,
    facts: Sequence[dict[str, Any]],
    cells: Sequence[dict[str, Any]],
) -> list[LotTexts]:
    """Return the texts of all lots, those of the one on view from its fields.

    Args:
        form_of: which lot of which draft the fields belong to; another draft's fields are left aside.
        facts, cells: id and value of each field, as the browser sends them.
    """
    lots = [texts_from(table) for table in (draft or {}).get("lots") or ()]
    if not draft or not form_of or form_of["n"] != draft["n"] or not form_of["shown"] < len(lots):
        return lots
    tables: dict[str, dict[int, dict[str, str]]] = {key: {} for key in TABLES}
    for cell in cells:
        place = cell["id"]
        tables[place["of"]].setdefault(int(place["row"]), {})[place["cell"]] = str(cell.get("value") or "")
    lots[form_of["shown"]] = texts_from(
        {
            "facts": {fact["id"]["lot"]: fact.get("value") for fact in facts},
            "tables": {
                key: [[rows[at].get(column.key, "") for column in COLUMNS] for at in sorted(rows)]
                for key, rows in tables.items()
            },
        }
    )
    return lots


def lot_fields() -> list[State]:
    """Return the states from which `lots_of_page` reads what is typed."""
    return [
        State("draft", "data"),
        State("form-of", "data"),
        State(FACT, "value"),
        State(CELL, "value"),
    ]


def lots_of_page(states: Sequence[Any]) -> list[LotTexts]:
    """Return the texts of all lots from `lot_fields` as the browser sends them (ctx.states_list)."""
    draft, form_of, facts, cells = states
    return typed_lots(draft.get("value"), form_of.get("value"), facts, cells)


def _edit(app: Dash, context: Context) -> None:
    @app.callback(
        Output("draft", "data", allow_duplicate=True),
        Output("pasted-said", "children"),
        Input("add-lot", "n_clicks"),
        Input("remove-lot", "n_clicks"),
        Input({"pick": ALL}, "n_clicks"),
        Input("pasted", "data"),
        *lot_fields(),
        prevent_initial_call=True,
    )
    def edit(*given: Any) -> Any:
        context.at_the_bench()
        by, draft, pasted = ctx.triggered_id, given[-4], given[-5]
        # Buttons that have only just appeared were not pressed.
        if draft is None or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        lots = lots_of_page(ctx.states_list)
        shown, said = int(draft["shown"]), ""
        if by == "add-lot":
            if len(lots) >= _MOST_LOTS:
                return no_update, f"{_MOST_LOTS} lots are the most that one job keeps."
            lots.append(new_lot(_free_name(lots)))
            shown = len(lots) - 1
        elif by == "remove-lot":
            if not lots:
                raise PreventUpdate
            gone = lots.pop(shown)
            shown = max(0, min(shown, len(lots) - 1))
            said = f"{plain(gone.name, 80) or 'The lot'} is taken out here; the job keeps it until this is saved."
        elif isinstance(by, dict) and "pick" in by:
            shown = int(by["pick"])
        elif lots:
            lots[shown], said = _with_pasted(lots[shown], pasted or {})
        return {"n": int(draft["n"]) + 1, "shown": shown, "lots": [lot.table() for lot in lots]}, said


def _with_pasted(lot: LotTexts, pasted: dict[str, Any]) -> tuple[LotTexts, str]:
    key = str(pasted.get("of"))
    if key not in TABLES:
        raise PreventUpdate
    rows, said = pasted_cells(lot.tables[key], int(pasted["row"]), str(pasted["key"]), str(pasted["text"]))
    return LotTexts(lot.facts, {**lot.tables, key: rows}), said


def _more_rows(app: Dash, context: Context) -> None:
    @app.callback(
        Output({"kind": "rows", "of": MATCH}, "children"),
        Input({"kind": "more", "of": MATCH}, "n_clicks"),
        State({"cell": "name", "of": MATCH, "row": ALL}, "id"),
        prevent_initial_call=True,
    )
    def more(clicks: int | None, ids: list[dict[str, Any]]) -> Any:
        context.at_the_bench()
        by = ctx.triggered_id
        if not clicks or not by or by["of"] not in TABLES or len(ids) >= MOST_PIECES:
            raise PreventUpdate
        # What is being typed in the rows there are stays untouched.
        rows = Patch()
        for number in range(_MORE_ROWS):
            rows.append(table_row(by["of"], len(ids) + number, ("",) * len(COLUMNS)))
        return rows


def _free_name(lots: Sequence[LotTexts]) -> str:
    names = {lot.name for lot in lots}
    return next(name for name in (f"lot {number}" for number in range(1, len(lots) + 2)) if name not in names)


def _show_form(app: Dash, context: Context) -> None:
    @app.callback(
        Output("lot-form", "children"),
        Output("form-of", "data"),
        Output("remove-lot", "disabled"),
        Input("draft", "data"),
    )
    def show(draft: dict[str, Any] | None) -> Any:
        context.at_the_bench()
        if not draft or not draft["lots"]:
            return [], None, True
        shown = int(draft["shown"])
        return form(texts_from(draft["lots"][shown])), {"n": draft["n"], "shown": shown}, False


def _judge(app: Dash, context: Context) -> None:
    @app.callback(
        Output("lots-list", "children"),
        Output("lot-result", "children"),
        Output({"lot-said": ALL}, "children"),
        Output({"table-said": ALL}, "children"),
        Output("lots-state", "data"),
        Input("typed", "data"),
        State("held", "data"),
        *lot_fields(),
        prevent_initial_call=True,
    )
    def judge(*given: Any) -> Any:
        context.at_the_bench()
        held, draft = given[-5], given[-4]
        if not held or not draft:
            raise PreventUpdate
        texts = lots_of_page(ctx.states_list[1:])
        entries = [entry_of(lot) for lot in texts]
        parts = parts_known(context)
        found = [_found(entry, parts, context) for entry in entries]
        shown = int(draft["shown"])
        entry = entries[shown] if entries else None
        doubts = doubts_of([one for one in found if one is not None], ())
        state = {
            "n": asked_n(given[0]),
            "same": same(texts, held["lots"]),
            "stands": _stands(texts, entries, found),
            "doubts": doubts.doubts,
            "against": doubts.against,
        }
        return (
            _listed(texts, entries, found, shown),
            _result(entry, found[shown] if entries else None),
            [(entry.wrong if entry else {}).get(one["id"]["lot-said"], "") for one in ctx.outputs_list[2]],
            [table_said(one["id"]["table-said"], entry) if entry else [] for one in ctx.outputs_list[3]],
            state,
        )


def parts_known(context: Context) -> Mapping[str, Ratings]:
    """Return the parts list by marking; empty where the user's cannot be read, as the substitutes' card says."""
    try:
        return known_parts(context.folders.records)
    except BenchwardenError:
        return {}


def _found(entry: LotEntry, parts: Mapping[str, Ratings], context: Context) -> LotFindings | None:
    if entry.lot is None:
        return None
    return check_lot(entry.lot, parts.get(entry.lot.marking), int(context.clock.utc_label()[:4]))


def _listed(
    texts: Sequence[LotTexts], entries: Sequence[LotEntry], found: Sequence[LotFindings | None], shown: int
) -> list[Any]:
    if not texts:
        return [
            html.P("This job has no lots yet. Add one, before a part of it is fitted."),
        ]
    buttons = []
    for number, (lot, entry, one) in enumerate(zip(texts, entries, found, strict=True)):
        level = parts_result.level_words(one.level) if one else f"✕ {entry.count} to correct"
        marking = plain(lot.facts.get("marking", ""), 60)
        buttons.append(
            html.Button(
                [
                    html.Strong(plain(lot.name, 60) or "a lot without a name"),
                    html.Span(f" {marking}" if marking else ""),
                    html.Span(level, className="parts-pick-level"),
                ],
                id={"pick": number},
                className="plain-button parts-pick",
                type="button",
                **named({"aria-pressed": "true" if number == shown else "false"}),
            )
        )
    doubled = doubled_names(texts)
    names = ", ".join(plain(name, 60) or "nothing" for name in doubled)
    said = f"More than one lot is called {names}." if doubled else ""
    return [html.Div(buttons, className="parts-picks"), html.P(said, className="said-wrong", hidden=not said)]


def _result(entry: LotEntry | None, found: LotFindings | None) -> list[Any]:
    if entry is None:
        return [html.P("Nothing to judge: there is no lot on view.")]
    if entry.lot is None or found is None:
        fields = [ASKED_OF[key].label for key in entry.wrong]
        fields += ["the tables below"] if entry.cells else []
        return [html.P(f"Not judged while something cannot be read: {', '.join(fields)}.", className="said-wrong")]
    return parts_result.result(entry.lot, found)


def _stands(texts: Sequence[LotTexts], entries: Sequence[LotEntry], found: Sequence[LotFindings | None]) -> str:
    if not texts:
        return "no lots"
    wrong = [plain(lot.name, 40) or "a lot" for lot, entry in zip(texts, entries, strict=True) if entry.lot is None]
    words = [f"{one.lot[:40]}: {one.level}" for one in found if one is not None]
    words += [f"{name}: cannot be read" for name in wrong]
    more = f" and {len(words) - 4} more" if len(words) > 4 else ""
    return plain("; ".join(words[:4]) + more, 300)


def same(lots: Sequence[LotTexts], saved: Sequence[Any]) -> bool:
    """Return whether nothing was changed since it was saved."""
    return [_kept(lot) for lot in lots] == [_kept(texts_from(table)) for table in saved]


def _kept(lot: LotTexts) -> tuple[Any, ...]:
    """Return a lot's texts without empty rows, to be compared."""
    rows = [tuple(row for row in lot.tables[key] if any(row)) for key in TABLES]
    return (dict(lot.facts), rows)


def not_to_keep(texts: Sequence[LotTexts]) -> str:
    """Return why the lots cannot be kept as they are typed, "" where they can."""
    wrong = [plain(lot.name, 60) or "a lot without a name" for lot in texts if entry_of(lot).lot is None]
    if wrong:
        return f"first correct {', '.join(wrong)}"
    doubled = doubled_names(texts)
    return f"more than one lot is called {', '.join(plain(name, 60) for name in doubled)}" if doubled else ""
