"""Which boards have records here, and how does each stand: calibration, commissioning, what is due?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioned import DEFAULT_INTERVAL_DAYS, reminders
from benchwarden.core.commissioning import Measure
from benchwarden.errors import PlanError, RecordError
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.commissioning_records import sheets
from benchwarden.record.records_settings import interval_days

CALIBRATION = "calibration"
_NEEDED = ("board", "utc", "date", "due", "crc")


@dataclass(frozen=True)
class CalibrationMade:
    """The newest calibration on record.

    Attributes:
        date, due: ISO days.
        due_in_days: until `due`, negative when overdue.
        channels: how many of all channels it corrects.
    """

    date: str
    due: str
    due_in_days: int
    operator: str
    reference: str
    number: str
    crc: str
    channels: int
    of_channels: int
    virtual: bool


@dataclass(frozen=True)
class TestMade:
    """One line of a commissioning sheet.

    Attributes:
        measured: the first time measured, in words, "" where none was.
    """

    __test__ = False  # not one of pytest's

    test: str
    title: str
    verdict: str
    required: str
    measured: str
    why: str
    part: str


@dataclass(frozen=True)
class CommissioningMade:
    """The sheet that counts: the newest whole one, else the newest.

    Attributes:
        due: ISO day, due_in_days: until then, negative when overdue; None where the date cannot be read.
    """

    ended_at_utc: str
    operator: str
    verdict: str
    complete: bool
    tests: tuple[TestMade, ...]
    due: str
    due_in_days: int | None
    virtual: bool


@dataclass(frozen=True)
class KnownBoard:
    """One board with records.

    Attributes:
        calibrations, commissionings: how many records there are of each.
        draft_begun: when a calibration was begun that is not finished, "" without one.
        reminders: what a person should know before trusting it, in sentences.
        damaged: what cannot be read, in sentences.
        as_of_utc: how old the board's own facts are that `reminders` judges by, "" without any.
    """

    board: str
    calibration: CalibrationMade | None
    calibrations: int
    commissioning: CommissioningMade | None
    commissionings: int
    draft_begun: str
    reminders: tuple[str, ...]
    damaged: tuple[str, ...]
    as_of_utc: str


@dataclass(frozen=True)
class Known:
    """All boards of a records folder.

    Attributes:
        interval_days: after how many days a board is due to be commissioned again.
        problem: what is wrong with the folder or its settings, in a sentence, "" when nothing is.
    """

    boards: tuple[KnownBoard, ...]
    interval_days: int
    problem: str


def known_boards(root: Path, seen: Mapping[str, tuple[str, dict[str, Any]]], now_utc: str) -> Known:
    """Return the boards with records in a folder; never raises for what the folder holds.

    Args:
        seen: board id to (UTC, facts) where a run or a self-test met the board.
        now_utc: ISO form.
    """
    problem, days = "", DEFAULT_INTERVAL_DAYS
    try:
        days = interval_days(root)
    except PlanError as error:
        problem = f"The commissioning interval cannot be read, {days} days are taken: {error}."
    try:
        folders = sorted(path for path in (root / "boards").iterdir() if path.is_dir())
    except FileNotFoundError:
        folders = []
    except OSError as error:
        folders, problem = [], f"The records cannot be read ({error.strerror})."
    boards = tuple(_board(root, folder.name, seen, days, now_utc) for folder in folders)
    return Known(boards, days, _without_root(problem, root))


def _board(
    root: Path, name: str, seen: Mapping[str, tuple[str, dict[str, Any]]], days: int, now_utc: str
) -> KnownBoard:
    records = BoardRecords(root, name)
    found, unread = records.read(CALIBRATION)
    damaged = [f"A calibration record cannot be read: {words}." for words in unread]
    calibrations = []
    for record in found:
        made = _calibration(record, now_utc)
        if made is None:
            damaged.append(f"A calibration record is of another form than this program reads: {record['path']}.")
        else:
            calibrations.append((record, made))
    good_sheets, unread = sheets(records)
    damaged += unread
    begun = ""
    try:
        draft = records.draft(CALIBRATION)
        begun = str(draft.get("begun", "at an unknown time")) if draft else ""
    except RecordError as error:
        damaged.append(f"An unfinished calibration cannot be read: {error}.")
    as_of, facts = _facts(name, [record for record, _ in calibrations], good_sheets, seen)
    counted = next((one for one in reversed(good_sheets) if one["complete"]), good_sheets[-1] if good_sheets else None)
    return KnownBoard(
        board=str(facts.get("board", name)),
        calibration=calibrations[-1][1] if calibrations else None,
        calibrations=len(calibrations),
        commissioning=_commissioning(counted, days, now_utc) if counted else None,
        commissionings=len(good_sheets),
        draft_begun=begun,
        reminders=reminders(good_sheets, facts, days, now_utc),
        damaged=tuple(_without_root(words, root) for words in damaged),
        as_of_utc=as_of,
    )


def _facts(
    name: str,
    calibrations: list[dict[str, Any]],
    good_sheets: list[dict[str, Any]],
    seen: Mapping[str, tuple[str, dict[str, Any]]],
) -> tuple[str, dict[str, Any]]:
    """Return the newest that is known of a board itself: from a run, a sheet, or a calibration's own record."""
    told = [(str(sheet["ended_at_utc"]), dict(sheet["board"])) for sheet in good_sheets]
    told += [(str(one["utc"]), {**one, "cal_crc": one["crc"]}) for one in calibrations]
    told += [seen[name]] if name in seen else []
    return max(told, key=lambda one: one[0], default=("", {}))


def _calibration(record: dict[str, Any], now_utc: str) -> CalibrationMade | None:
    channels = record.get("channels")
    try:
        due = dt.date.fromisoformat(str(record.get("due")))
        dt.date.fromisoformat(str(record.get("date")))
    except ValueError:
        return None
    if not all(key in record for key in _NEEDED) or not isinstance(channels, dict):
        return None
    return CalibrationMade(
        date=str(record["date"]),
        due=str(due),
        due_in_days=(due - dt.date.fromisoformat(now_utc[:10])).days,
        operator=str(record.get("operator", "")),
        reference=str(record.get("reference", "")),
        number=str(record.get("number", "")),
        crc=str(record["crc"]),
        channels=sum(isinstance(one, dict) and "entry" in one for one in channels.values()),
        of_channels=len(CHANNELS),
        virtual=record.get("virtual") is True,
    )


def _commissioning(sheet: dict[str, Any], days: int, now_utc: str) -> CommissioningMade:
    due, left = "", None
    try:
        day = dt.date.fromisoformat(str(sheet["ended_at_utc"])[:10]) + dt.timedelta(days=days)
        due, left = str(day), (day - dt.date.fromisoformat(now_utc[:10])).days
    except ValueError:
        pass
    return CommissioningMade(
        ended_at_utc=str(sheet["ended_at_utc"]),
        operator=str(sheet.get("operator", "")),
        verdict=str(sheet["verdict"]),
        complete=sheet["complete"] is True,
        tests=tuple(_test(result) for result in sheet["results"]),
        due=due,
        due_in_days=left,
        virtual=sheet.get("virtual") is True,
    )


def _test(result: dict[str, Any]) -> TestMade:
    required = result.get("requirement")
    measures = result.get("measures")
    measured = ""
    if isinstance(measures, list) and measures:
        try:
            measured = Measure(**measures[0]).words()
        except TypeError:
            measured = "cannot be read"
    return TestMade(
        test=str(result["test"]),
        title=str(result.get("title", "")),
        verdict=str(result["verdict"]),
        required=str(required.get("text", "")) if isinstance(required, dict) else "",
        measured=measured,
        why=str(result.get("why", "")),
        part=str(result.get("part", "")),
    )


def _without_root(words: str, root: Path) -> str:
    # Whoever reads it may be elsewhere; the file's place within the folder says enough.
    return words.replace(f"{root}/", "").replace(f"{root}\\", "")
