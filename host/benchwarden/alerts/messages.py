"""How does a notice leave the host? By Apprise: messages to an address, and notices on the desktop."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

from benchwarden.alerts.notice import Notice, Sent
from benchwarden.record.alert_settings import apprise_service, masked

# Apprise's own ways onto a desktop; the first that works here is taken.
_DESKTOPS = ("windows://", "macosx://", "dbus://", "glib://", "gnome://")
_ANSWERED = re.compile(r"\berror\s*[=:]\s*([1-5]\d\d)\b")
_NO_CONNECTION = re.compile(r"connection|socket|timed? ?out", re.IGNORECASE)


NO_DESKTOP = "Apprise has no way onto a desktop here (its documentation names the system libraries it asks for)"


@dataclass(frozen=True)
class MessageWay:
    """Messages to one address.

    Attributes:
        name: the address as it may be shown.
    """

    name: str
    _address: str = field(repr=False)
    patient: bool = True

    @classmethod
    def to(cls, address: str) -> MessageWay:
        """Return the way to an address."""
        return cls(masked(address), address)

    def takes(self, notice: Notice) -> bool:
        return notice.reach in ("all", "messages")

    def send(self, notice: Notice) -> Sent:
        """Send a notice, however long that takes."""
        return _sent(self._address, notice, "sent")


@dataclass(frozen=True)
class DesktopWay:
    """Notices on the desktop of the host."""

    address: str
    name: str = "desktop"
    patient: bool = False

    @classmethod
    def here(cls) -> DesktopWay | None:
        """Return the way onto this desktop, None where Apprise has none."""
        for address in _DESKTOPS:
            if apprise_service(address) is not None:
                return cls(address)
        return None

    def takes(self, notice: Notice) -> bool:
        return notice.reach in ("all", "messages", "host")

    def send(self, notice: Notice) -> Sent:
        """Hand a notice to the desktop."""
        return _sent(self.address, notice, f"handed to the desktop ({self.address.partition(':')[0]})")


def _sent(address: str, notice: Notice, done: str) -> Sent:
    # Made anew for each message: one that hangs keeps its own.
    service = apprise_service(address)
    if service is None:
        return Sent(False, "the address is no longer understood")
    import apprise

    sender: Any = apprise.Apprise(asset=service.asset)
    sender.add(service)
    kind = apprise.NotifyType.FAILURE if notice.urgent else apprise.NotifyType.INFO
    result = sender.notify(
        body=notice.text, title=notice.title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT
    )
    if result:
        return Sent(True, done)
    # What Apprise says may repeat parts of the address; only what kind of failure it was is taken over.
    return Sent(False, _why(" ".join(entry.message for entry in result.logs())))


def _why(said: str) -> str:
    code = _ANSWERED.search(said)
    if code:
        known = {int(status): status.phrase for status in HTTPStatus}
        phrase = known.get(int(code[1]))
        return f"the service refused it, code {code[1]}{f' ({phrase})' if phrase else ''}"
    if _NO_CONNECTION.search(said):
        return "no connection to the service, or no answer from it"
    return "it did not go out; the service gave no reason that can be shown"
