"""Edits of the alert settings by a page that never learns an address.

A page knows addresses by their place in the list and as they may be shown; the
mark it was given tells whether the file is still the one it saw.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from benchwarden.errors import PlanError, RecordError
from benchwarden.record.alert_settings import (
    NAME,
    AlertSettings,
    checked_address,
    load_alerts,
    masked,
    save_alerts,
)

CHANGED = (
    "The alert settings were changed elsewhere meanwhile. Nothing was saved; this page now shows them as they are: "
    "look, and do it again."
)


@dataclass(frozen=True)
class ShownAlerts:
    """The settings as a page may have them.

    Attributes:
        addresses: masked, in the order of the file.
        mark: stands for the file as it is; tells nothing of what is in it.
        problem: why the file cannot be read, in a sentence, "" when it can; the rest is then the defaults.
    """

    addresses: tuple[str, ...]
    sound: bool
    desktop: bool
    alive_every_min: int
    prompt_wait_min: int
    mark: str
    problem: str

    @property
    def ways(self) -> int:
        """How many ways are set."""
        return len(self.addresses) + self.sound + self.desktop


class Changed(RecordError):
    """The file is not the one that the page saw."""


class AlertEdits:
    """Reads and changes the alert settings of a records folder, one change at a time."""

    def __init__(self, records: Path) -> None:
        self._records = records
        # Of this process alone: the mark of a known file can then be worked out by nobody else.
        self._key = secrets.token_bytes(32)
        self._lock = threading.Lock()

    def shown(self) -> ShownAlerts:
        """Return the settings for a page."""
        mark, problem = self._mark(), ""
        try:
            kept = load_alerts(self._records)
        except PlanError as error:
            kept, problem = AlertSettings(sound=False, desktop=False), self.words(error)
        return ShownAlerts(
            tuple(masked(address) for address in kept.addresses),
            kept.sound,
            kept.desktop,
            kept.alive_every_min,
            kept.prompt_wait_min,
            mark,
            problem,
        )

    def add(self, address: str, mark: str) -> str:
        """Add an address and return it as it may be shown.

        Raises:
            PlanError: not an address, or one that is set already.
            Changed: the file is not the one with this mark.
            RecordError: it cannot be saved.
        """
        checked = checked_address(address)

        def added(kept: AlertSettings) -> AlertSettings:
            if checked in kept.addresses:
                raise PlanError("this address is set already")
            return replace(kept, addresses=(*kept.addresses, checked))

        self._change(mark, added)
        return masked(checked)

    def remove(self, place: int, mark: str) -> None:
        """Remove the address at a place in the list.

        Raises:
            Changed: the file is not the one with this mark, or has no such place.
            RecordError: it cannot be saved.
        """

        def removed(kept: AlertSettings) -> AlertSettings:
            if not 0 <= place < len(kept.addresses):
                raise Changed(CHANGED)
            return replace(kept, addresses=kept.addresses[:place] + kept.addresses[place + 1 :])

        self._change(mark, removed)

    def turn(self, what: str, mark: str) -> None:
        """Turn "sound" or "desktop" on when it is off, and off when it is on.

        Raises:
            Changed: the file is not the one with this mark.
            RecordError: it cannot be saved.
        """
        if what == "sound":
            self._change(mark, lambda kept: replace(kept, sound=not kept.sound))
        else:
            self._change(mark, lambda kept: replace(kept, desktop=not kept.desktop))

    def set_times(self, alive_every_min: int, prompt_wait_min: int, mark: str) -> None:
        """Set both times, minutes.

        Raises:
            PlanError: not what is allowed.
            Changed: the file is not the one with this mark.
            RecordError: it cannot be saved.
        """
        self._change(mark, lambda kept: replace(kept, alive_every_min=alive_every_min, prompt_wait_min=prompt_wait_min))

    def words(self, error: Exception) -> str:
        """Return an error as a sentence that names files by their place within the folder."""
        text = str(error).replace(f"{self._records}/", "").replace(f"{self._records}\\", "")
        return text if text.endswith(".") else text + "."

    def _change(self, mark: str, change: Callable[[AlertSettings], AlertSettings]) -> None:
        with self._lock:
            if not hmac.compare_digest(self._mark().encode(), str(mark).encode()):
                raise Changed(CHANGED)
            save_alerts(self._records, change(load_alerts(self._records)))

    def _mark(self) -> str:
        try:
            data = (self._records / NAME).read_bytes()
        except OSError as error:
            data = b"" if isinstance(error, FileNotFoundError) else repr(error.errno).encode()
        return hmac.new(self._key, data, "sha256").hexdigest()
