"""Requests and the status file: atomic, in order, proof against rubbish."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from benchwarden.errors import RecordError
from benchwarden.record.inbox import FOLDER, post_request, take_requests
from benchwarden.record.summary import NAME, read_summary, write_summary


def test_requests_are_taken_once_and_in_order(tmp_path: Path) -> None:
    for number, action in enumerate(("note", "confirm")):
        request = post_request(tmp_path, action, "test", prompt_id=number)
        os.utime(tmp_path / FOLDER / f"{request.request_id}.json", (number, number))
    assert [r.action for r in take_requests(tmp_path)] == ["note", "confirm"]
    assert take_requests(tmp_path) == []


def test_open_overtakes_everything(tmp_path: Path) -> None:
    for action in ("note", "confirm", "open"):
        post_request(tmp_path, action, "test")
    assert take_requests(tmp_path)[0].action == "open"


def test_rubbish_in_the_inbox_stops_nothing(tmp_path: Path) -> None:
    post_request(tmp_path, "open", "test")
    folder = tmp_path / FOLDER
    (folder / "half.json").write_text('{"request_id": "1", "act')
    (folder / "list.json").write_text("[1, 2]")
    (folder / "odd.json").write_text(
        json.dumps({"request_id": "1", "action": "close", "prompt_id": 0, "by": "", "text": ""})
    )
    (folder / "bytes.json").write_bytes(b"\xff\xfe\x00")
    (folder / "folder.json").mkdir()
    assert [r.action for r in take_requests(tmp_path)] == ["open"]
    assert [p.name for p in folder.iterdir()] == ["folder.json"]


def test_there_is_no_request_that_closes(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="allowed: open, confirm, abort, reset, note"):
        post_request(tmp_path, "close", "test")


def test_status_is_replaced_whole(tmp_path: Path) -> None:
    write_summary(tmp_path, {"phase": "holding"}, durable=True)
    write_summary(tmp_path, {"phase": "tripped"})
    assert read_summary(tmp_path) == {"phase": "tripped"}
    assert [p.name for p in tmp_path.iterdir()] == [NAME]


@pytest.mark.parametrize("text", ["", "{", "[]"])
def test_status_that_is_none_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / NAME).write_text(text)
    with pytest.raises(RecordError, match=r"status\.json"):
        read_summary(tmp_path)
