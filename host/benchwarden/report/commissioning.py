"""What the commissioning sheet says, and its PDF."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchwarden.core.commissioning import Measure
from benchwarden.report.cautions import VIRTUAL_WORDS
from benchwarden.report.clock_label import date_words
from benchwarden.report.printable import number_text
from benchwarden.report.typeset import one_line, replace_file, typeset

TITLE = "Commissioning sheet"
WORDS = {"pass": "PASSED", "fail": "FAILED", "incomplete": "INCOMPLETE"}
SENTENCES = {
    "pass": "Every trip path that was asked for opened the mains relay as required, on this board, on this day.",
    "fail": "At least one trip path did not do what is required. Do not use this board before it is put right and "
    "commissioned anew.",
    "incomplete": "Not every trip path was proven. This board is not commissioned.",
}
VIRTUAL_CAUTION = (
    "Made on the virtual bench: every number on this sheet comes from a model. It says nothing about any real board."
)
CAUTIONS = (
    "Benchwarden is not a certified protective device. It does not replace fuse, residual-current device, isolating "
    "transformer and fire-safe surroundings.",
    "This sheet is about one board on one day. Commission anew after every change to the board, its modules, its "
    "wiring, its firmware or its calibration, and when the interval below is over.",
    "The tests were made with extra-low voltage. They prove that and how fast the contact opens, not that it breaks "
    "the current of a mains fault: the relay's rating has to be chosen for that.",
    "The emergency stop acts on the coil itself and is also read by the firmware; the times here cannot tell one from "
    "the other. Check its wiring as the building instructions say.",
    "Mains can kill; reservoir capacitors stay charged after switch-off. Local codes come first.",
)
TIMES = (
    "The board keeps one record every 10 ms around a trip, so each time is known to lie between two bounds, both "
    "given. "
    "The upper bound is held against the requirement. A stall is counted by the board in steps of 1 ms. The board's "
    "clock is held against a second oscillator to within 5 % by its self-test."
)


def write_sheet(table: dict[str, Any], out: Path) -> Path:
    """Print a commissioning sheet.

    Args:
        table: as core.commissioning.Sheet.table makes it, or read back from its JSON file.
        out: the PDF; replaced whole or not at all.

    Raises:
        RecordError: the PDF cannot be made or written.
    """
    replace_file(out, sheet_bytes(table))
    return out


def sheet_bytes(table: dict[str, Any]) -> bytes:
    """Return the PDF of a commissioning sheet.

    Raises:
        RecordError: it cannot be laid out.
    """
    return typeset("commissioning.typ", lambda ascii_only: page_data(table, ascii_only), table["started_at_utc"])


def page_data(table: dict[str, Any], ascii_only: bool = False) -> dict[str, Any]:
    """Return what the template finds under "record"."""
    board, virtual = table["board"], bool(table["virtual"])
    results: Sequence[dict[str, Any]] = table["results"]
    counts = {verdict: sum(r["verdict"] == verdict for r in results) for verdict in ("pass", "fail", "not done")}
    return {
        "title": TITLE,
        "document_title": f"{TITLE} {one_line(str(board['board']), 40, ascii_only)}",
        "producer": f"benchwarden {table['host_version']}",
        "virtual": virtual,
        "virtual_words": VIRTUAL_WORDS,
        "head_board": one_line(f"board {board['board']}", 44, ascii_only),
        "head_calibration": one_line(str(board["cal"]) or "calibration unknown", 60, ascii_only),
        "date": date_words(table["ended_at_utc"]),
        "kind": table["verdict"],
        "word": WORDS[table["verdict"]],
        "sentence": SENTENCES[table["verdict"]],
        "count": f"{counts['pass']} passed, {counts['fail']} failed, {counts['not done']} not done, of {len(results)}."
        + ("" if table["complete"] else " Only some of the tests were asked for."),
        "failed": [f"{r['title']}: look at {r['part']}" for r in results if r["verdict"] == "fail" and r["part"]],
        "board_rows": _board_rows(table),
        "rig_rows": _rig_rows(table["rig"]),
        "tests": [_test_row(number, result) for number, result in enumerate(results, 1)],
        "times": TIMES,
        "operator": table["operator"] or "not named",
        "interval": f"{table['interval_days']} days",
        "run": one_line(table["run"], 60, ascii_only),
        "cautions": [*([VIRTUAL_CAUTION] if virtual else []), *CAUTIONS],
    }


def _board_rows(table: dict[str, Any]) -> list[list[str]]:
    board = table["board"]
    crc = board.get("cal_crc", "")
    return [
        ["Board", str(board["board"])],
        ["Firmware", f"{board['fw']}, wire version {board['wire']}, MicroPython {board['mpy'] or 'unknown'}"],
        ["Program digest", board.get("program") or "no listing on the board"],
        ["Calibration", f"{board['cal']}{f', record {crc}' if crc else ''}"],
        ["Host program", f"benchwarden {table['host_version']}"],
        ["Raw data", f"run folder {table['run']}"],
    ]


def _rig_rows(rig: dict[str, Any] | None) -> list[list[str]]:
    if rig is None:
        return [["Rig", "not reached"]]
    volts, ohms = float(rig["volts"]), float(rig["ohms"])
    return [
        ["Supply", f"{rig['supply'] or 'not named'}, at most {number_text(volts, 1)} V"],
        ["Resistor", f"{rig['resistor'] or 'not named'}, {ohms:g} ohm, {float(rig['watts']):g} W"],
        ["Current", f"up to {number_text(volts / ohms, 2)} A"],
    ]


def _test_row(number: int, result: dict[str, Any]) -> dict[str, Any]:
    first, *others = result["measures"] or (None,)
    times = [f"{m['until']} {_span(m)}" for m in others]
    if first is not None:
        times = ["; ".join([f"from {first['since']} to {first['until']}", *times])]
    return {
        "number": str(number),
        "title": result["title"],
        "id": result["test"],
        "required": result["requirement"]["text"],
        "source": result["requirement"]["source"],
        "measured": "" if first is None else _span(first),
        "details": "; ".join([*times, *result["seen"]]),
        "verdict": result["verdict"],
        "why": " ".join(words for words in (_sentence(result["why"]), _look(result)) if words),
        "when": _clock(result["at_utc"]),
    }


def _look(result: dict[str, Any]) -> str:
    return f"Look at: {result['part']}." if result["part"] and result["verdict"] == "fail" else ""


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}." if words and not words.endswith(".") else words


def _clock(utc: str) -> str:
    return utc[11:19] if len(utc) >= 19 else ""


def _span(measure: dict[str, Any]) -> str:
    return Measure("", "", measure["low_ms"], measure["high_ms"]).words().replace(" ms", "\u00a0ms")
