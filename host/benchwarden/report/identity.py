"""With what was the run measured? Board, firmware, calibration and commissioning, in rows."""

from __future__ import annotations

import math
from typing import Any

from benchwarden.core.calibration import Calibration, uncertainty, unpack_calibration
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.errors import RecordError
from benchwarden.report.cautions import UNCERTAINTY_WORDS
from benchwarden.report.lenient import as_dict, as_list, as_text
from benchwarden.report.printable import channel_label, clipped, uncertainty_text
from benchwarden.report.source import Material
from benchwarden.report.wording import Wording

Row = tuple[str, ...]


def board_of(material: Material) -> dict[str, Any]:
    """Return the board's identity: the newest hello in the journal, else the header's, else the status'."""
    for found in (material.last_note("board"), material.header.get("board"), material.status.get("board")):
        if as_dict(found):
            return as_dict(found)
    return {}


def is_virtual(material: Material) -> bool:
    """Return whether anything in the run says that it was made on the virtual bench."""
    boards = [note.body for note in material.notes if note.kind == "board"]
    boards += [as_dict(material.header.get("board")), as_dict(material.status.get("board"))]
    named = any(as_text(board.get("board")).lower().startswith("virtual") for board in boards)
    return named or bool(material.header.get("virtual")) or bool(material.status.get("virtual"))


def calibration_words(board: dict[str, Any], say: Wording) -> str:
    """Return the calibration in the words that stand on every page: the board's own, in English."""
    said = as_text(board.get("cal")).strip()
    if not said:
        return say("calibration unknown")
    if said == "uncalibrated":
        return say("uncalibrated")
    plain = said.startswith(("uncalibrated", "calibration", "calibrated"))
    return clipped(said if plain else say("calibration: {words}", words=said), 72)


def calibration_caution(board: dict[str, Any], say: Wording) -> str:
    """Return what a reader has to know about the calibration, "" when it is in order."""
    said = as_text(board.get("cal")).strip()
    state = as_text(as_dict(board.get("calibration")).get("state"))
    if not said or state == "unknown":
        return say(
            "Nothing is known of the instrument's calibration; the uncertainties stated are those of an "
            "uncalibrated one, from the tolerances of its parts."
        )
    if state == "uncalibrated" or said.startswith("uncalibrated"):
        words = say(
            "The instrument was not calibrated: readings are as the parts' nominal values give them, and the "
            "uncertainties stated follow from the parts' tolerances."
        )
    elif state == "overdue":
        words = say(
            "The calibration was overdue when the run began; the uncertainties stated hold for a year of ageing and "
            "not for longer."
        )
    else:
        words = ""
    # After the first semicolon the board tells what is wrong with a calibration file.
    trouble = said.partition(";")[2].strip()
    if trouble:
        unused = say("The board reports a calibration file it does not use: {trouble}.", trouble=trouble)
        words = f"{words} {unused}".strip()
    return words


def calibration_in_force(board: dict[str, Any]) -> Calibration | None:
    """Return the calibration record that the board was using, None where there is none."""
    try:
        return unpack_calibration(bytes.fromhex(as_text(as_dict(board.get("calibration")).get("record"))))
    except (RecordError, ValueError):
        return None


def half_width_text(calibration: Calibration | None, channel: str, *values: float, say: Wording) -> str:
    """Return the largest expanded uncertainty that the values carry, as printed."""
    if channel not in INDEX:
        return "\N{EN DASH}"
    known = [uncertainty(channel, value, calibration).half_width for value in values if math.isfinite(value)]
    return uncertainty_text(channel, max(known, default=math.nan), say)


def reminders(board: dict[str, Any]) -> tuple[str, ...]:
    """Return what was said of the board's commissioning before the run."""
    return tuple(clipped(as_text(words), 400) for words in as_list(board.get("commissioning")))


def instrument_rows(material: Material, board: dict[str, Any], say: Wording) -> tuple[Row, ...]:
    """Return (what, which) of everything the run was measured with."""
    scan = say("{rate} Hz", rate=as_text(board.get("scan_hz"))) if board.get("scan_hz") else say("not stated")
    host = _stated(as_text(material.header.get("host_version")), say)
    rows = [
        (say("Board"), _stated(as_text(board.get("board")), say)),
        (say("Calibration"), calibration_words(board, say)),
        (say("Commissioning"), _commissioning(board, say)),
        *_calibration_rows(board, say),
        (say("Uncertainty"), say(UNCERTAINTY_WORDS)),
        (say("Firmware"), _stated(as_text(board.get("fw")), say)),
        (say("Program"), _stated(as_text(board.get("program_digest") or board.get("program")), say)),
        (say("Wire version"), _stated(as_text(board.get("wire")), say)),
        ("MicroPython", _stated(as_text(board.get("mpy")), say)),
        (say("Scan rate"), scan),
        (say("Self-test"), _self_test(board, say)),
        (say("Host program"), f"benchwarden {host}"),
    ]
    seen = {as_text(as_dict(n.body).get("board")) for n in material.notes if n.kind == "board"} - {""}
    if len(seen) > 1:
        rows.append((say("Boards seen"), ", ".join(sorted(seen))))
    return tuple(rows)


def _stated(found: str, say: Wording) -> str:
    return found if found.strip() else say("not stated")


def _calibration_rows(board: dict[str, Any], say: Wording) -> tuple[Row, ...]:
    found = as_dict(board.get("calibration"))
    if not found.get("record"):
        return ()
    channels = [as_text(name) for name in as_list(found.get("channels"))]
    missing = [channel_label(name, say) for name in CHANNELS if name not in channels]
    by = say(
        "number {number}, CRC {crc}, against {reference}",
        number=as_text(found.get("number")),
        crc=as_text(found.get("crc")),
        reference=as_text(found.get("reference")),
    )
    rows: list[Row] = [(say("Calibration record"), by)]
    if missing:
        rows.append((say("Not calibrated"), ", ".join(missing)))
    return tuple(rows)


def _self_test(board: dict[str, Any], say: Wording) -> str:
    selftest = as_dict(board.get("selftest"))
    parts = as_dict(selftest.get("parts"))
    bad = [f"{name}: {said}" for name, said in parts.items() if said != "ok"]
    if not selftest:
        return say("not reported")
    if bad or not selftest.get("ok", not bad):
        return say("FAILED: {parts}", parts="; ".join(bad) or say("no part named"))
    return say("passed ({parts})", parts=", ".join(map(str, parts)) or say("no parts listed"))


def _commissioning(board: dict[str, Any], say: Wording) -> str:
    if "commissioning" not in board:
        return say("not stated")
    return " ".join(reminders(board)) or say("passed, and nothing has changed since")
