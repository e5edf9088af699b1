"""Two cards: where things are kept and how much room there is; what this program is not."""

from __future__ import annotations

import importlib.metadata
import platform
from pathlib import Path
from typing import Any

from dash import html

from benchwarden import __version__
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card
from benchwarden.dashboard.setup_words import facts
from benchwarden.record.disk_room import EXPORT_BYTES_PER_HOUR, JOURNAL_BYTES_PER_HOUR, room

NOT = (
    "Not a certified protective device, and in place of none: fuse, residual-current device, isolating transformer "
    "and an emergency stop within reach stay.",
    "Not a measuring instrument beyond the uncertainty printed beside its numbers.",
    "Not a substitute for cold checks before power, nor for a person near a set that has not earned trust.",
    "Not for valve amplifiers, class D, or sets whose output stage sits on the mains side.",
    "Nothing closes the relay by itself: every closing takes a person at the bench.",
)


def cards(context: Context) -> list[Any]:
    """Return the cards; who looks from another machine does not learn where folders lie."""
    folders = context.folders
    rows = [
        ("Runs", _place(folders.runs, context.viewer())),
        ("Records of boards", _place(folders.records, context.viewer())),
        ("Units and plans", _place(folders.units, context.viewer())),
        ("Room for runs", _room(folders.runs)),
        ("Versions", f"Benchwarden {__version__}, Python {platform.python_version()}, "
                     f"Dash {importlib.metadata.version('dash')}"),
    ]  # fmt: skip
    return [
        card("Where things are kept", facts(*rows), columns=7),
        card("What this is not", html.Ul([html.Li(words) for words in NOT], className="cautions"), columns=5),
    ]


def _place(folder: Path, viewer: bool) -> Any:
    if viewer:
        return folder.name or "the dashboard's own folder"
    there = "" if folder.is_dir() else " (not there yet)"
    given, whole = str(folder), str(folder.resolve())
    return [html.Code(given), *([html.Br(), html.Code(whole, className="whole")] if whole != given else []), there]


def _room(runs: Path) -> str:
    try:
        found = room(runs)
    except OSError as error:
        return f"cannot be told ({error.strerror})"
    hours = f"about {found.hours:.0f} hours" if found.hours < 1000 else "more than a thousand hours"
    return (
        f"{found.free_bytes / 1e9:.1f} GB free: {hours} of recording, at "
        f"{JOURNAL_BYTES_PER_HOUR / 1e6:.1f} MB an hour for the journal and {EXPORT_BYTES_PER_HOUR / 1e6:.0f} MB "
        "for the table exported at the end of a run"
    )
