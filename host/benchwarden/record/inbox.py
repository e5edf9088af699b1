"""Requests of people, one small file each: written by a view, taken by the supervisor."""

from __future__ import annotations

import json
import os
import uuid
from dataclasses import asdict
from pathlib import Path

from benchwarden.core.requests import ACTIONS, Request
from benchwarden.errors import RecordError

FOLDER = "inbox"


def post_request(run_dir: Path, action: str, by: str, prompt_id: int = 0, text: str = "") -> Request:
    """Leave a request for the supervisor of this run.

    Raises:
        RecordError: unknown action, or the folder cannot be written.
    """
    if action not in ACTIONS:
        raise RecordError(f"request {action!r}; allowed: {', '.join(ACTIONS)}")
    request = Request(uuid.uuid4().hex, action, prompt_id, by, text[:500])
    folder = run_dir / FOLDER
    try:
        folder.mkdir(exist_ok=True)
        scratch = folder / (request.request_id + ".new")
        scratch.write_text(json.dumps(asdict(request)), encoding="utf-8")
        os.replace(scratch, folder / (request.request_id + ".json"))
    except OSError as error:
        raise RecordError(f"{folder}: request cannot be left ({error.strerror})") from error
    return request


def take_requests(run_dir: Path) -> list[Request]:
    """Return and remove the waiting requests: `open` and `abort` first, then by age.

    A file that is no request is removed and skipped: nothing that lies in the
    folder may stop the supervisor.
    """
    folder = run_dir / FOLDER
    found: list[tuple[float, Request]] = []
    urgent = ("open", "abort")
    try:
        paths = [entry for entry in os.scandir(folder) if entry.name.endswith(".json")]
    except FileNotFoundError:
        return []
    for entry in paths:
        try:
            age = entry.stat().st_mtime
            table = json.loads(Path(entry.path).read_text(encoding="utf-8"))
            request = Request(
                str(table["request_id"]),
                str(table["action"]),
                int(table["prompt_id"]),
                str(table["by"]),
                str(table["text"]),
            )
        except (OSError, ValueError, KeyError, TypeError):
            request = None
        try:
            Path(entry.path).unlink(missing_ok=True)
        except OSError:
            # It will come again: harmless for an open, not for a confirmation.
            if request is not None and request.action not in urgent:
                continue
        if request is not None and request.action in ACTIONS:
            found.append((age, request))
    found.sort(key=lambda pair: (pair[1].action not in urgent, pair[0]))
    return [request for _, request in found]
