"""What a board is and how far it can be trusted, for the head of a record: its hello, and what it tells on request."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from benchwarden.core.calibration import UNCALIBRATED, Calibration, unpack_calibration
from benchwarden.errors import BoardFault, LinkTimeout, RecordError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.messages import Hello
from wardenfw import wire


def board_facts(client: BoardClient, hello: Hello, today: dt.date) -> dict[str, Any]:
    """Return the hello's facts with calibration, self-test and program in full.

    What the board does not tell is said in words; a run does not depend on it.

    Raises:
        LinkError: the port is gone.
    """
    facts = hello.facts()
    facts["calibration"] = _calibration(client, hello, today)
    facts["cal"] = facts["calibration"]["words"]
    try:
        found = self_test_info(client)
        facts["selftest"] = {"ok": found["ok"] is True, "parts": found["parts"], "tested": len(found["parts"])}
    except (LinkTimeout, BoardFault) as error:
        facts["selftest"]["untold"] = str(error)
    try:
        facts["program_digest"] = str(_json(client, wire.PROGRAM_INFO).get("digest", ""))
    except (LinkTimeout, BoardFault) as error:
        facts["program_untold"] = str(error)
    return facts


def self_test_info(client: BoardClient) -> dict[str, Any]:
    """Return what the board says of its last self-test: "ok", "parts" (name to "ok" or the reason), figures.

    Raises:
        BoardFault: it says nothing that can be read.
        LinkError: no answer, or the port is gone.
    """
    found = _json(client, wire.SELFTEST_INFO)
    parts = found.get("parts")
    if not isinstance(parts, dict) or "ok" not in found:
        raise BoardFault("the board's self-test result names no parts")
    return {**found, "parts": {str(part): str(said) for part, said in parts.items()}}


def _json(client: BoardClient, topic: int) -> dict[str, Any]:
    data = client.info(topic)
    try:
        found = json.loads(data)
    except ValueError as error:
        raise BoardFault(f"what the board says of its {wire.INFO_TOPICS[topic]} cannot be read: {error}") from error
    if not isinstance(found, dict):
        raise BoardFault(f"what the board says of its {wire.INFO_TOPICS[topic]} is no table")
    return found


def _calibration(client: BoardClient, hello: Hello, today: dt.date) -> dict[str, Any]:
    try:
        found = unpack_calibration(client.info(wire.CALIBRATION_INFO))
    except (LinkTimeout, BoardFault, RecordError) as error:
        return {"state": "unknown", "words": f"calibration unknown: {error}"}
    return calibration_facts(found, hello.cal, today)


def calibration_facts(found: Calibration | None, said: str, today: dt.date) -> dict[str, Any]:
    """Return a calibration as journal and status carry it.

    Args:
        found: what is in force, said: the board's own words, which also tell of a file that
            is damaged or another board's.
    """
    # After the first semicolon the board tells what is wrong with a file.
    trouble = said.partition(";")[2].strip()
    tail = f"; {trouble}" if trouble else ""
    if found is None:
        return {"state": UNCALIBRATED, "words": UNCALIBRATED + tail}
    return {
        "state": "overdue" if today > found.due else "calibrated",
        "words": found.words(today) + tail,
        "date": str(found.date),
        "due": str(found.due),
        "number": found.number,
        "reference": found.reference,
        "crc": found.crc,
        "channels": [entry.channel for entry in found.entries],
        "record": found.pack().hex(),
    }
