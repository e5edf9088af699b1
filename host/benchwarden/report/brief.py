"""How much of what somebody wrote at length goes on a page that must stay one page?"""

from __future__ import annotations

from benchwarden.report.printable import BREAK, clipped, printable
from benchwarden.report.wording import Wording


def brief(text: str, room: int, say: Wording) -> str:
    """Return `text` within `room` printed characters; where it is longer, with where to find it in full."""
    return printable(text, room, tail=say("\N{HORIZONTAL ELLIPSIS} in full in the job file"))


def name_in(text: str, room: int) -> str:
    """Return a name on one line, its codes counted, cut where it is longer."""
    return clipped(printable(text, 4 * room).replace(BREAK, ""), room)
