"""Two distinct acts for what lessens protection: announce first, do second.

A double click, a bouncing key or a page that shows yesterday's prompt must not
close a mains relay, so the second act is accepted only for the same prompt, not
at once, and not late.
"""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass

from benchwarden.core.clock import Clock
from benchwarden.dashboard.feed import Feed
from benchwarden.dashboard.status import Prompt
from benchwarden.errors import StageError

# Common practice, no source: slower than a double click, quick enough for a person who means it.
SOONEST_S = 0.4
LATEST_S = 15.0


@dataclass(frozen=True)
class Announced:
    """The first act is done.

    Attributes:
        prompt_id: which prompt it belongs to.
        ticket: what the second act must present.
    """

    prompt_id: int
    ticket: str


class TwoStep:
    """Holds the announced acts of all pages of one run."""

    def __init__(self, feed: Feed, clock: Clock) -> None:
        self._feed = feed
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: dict[str, tuple[str, int, float]] = {}

    def first(self, prompt_id: int, by: str) -> Announced | None:
        """Take the first press on a prompt: announce it, or do it where one press is enough.

        Returns:
            What the second press needs, or None when the confirmation was left at once.

        Raises:
            StageError: the prompt is not there any more.
            RecordError: the request could not be left.
        """
        prompt = self._present(prompt_id)
        if not prompt.two_step:
            self._feed.ask("confirm", by, prompt_id)
            return None
        return self._announce("confirm", prompt_id)

    def announce(self, prompt_id: int) -> Announced:
        """Announce a confirmation, whatever its kind: a single key is too easily hit.

        Raises:
            StageError: the prompt is not there any more.
        """
        self._present(prompt_id)
        return self._announce("confirm", prompt_id)

    def second(self, announced: Announced, by: str) -> None:
        """Take the second press and leave the confirmation.

        Raises:
            StageError: too soon, too late, another prompt, or never announced.
            RecordError: the request could not be left.
        """
        self._redeem("confirm", announced)
        self._present(announced.prompt_id)
        self._feed.ask("confirm", by, announced.prompt_id)

    def first_end(self) -> Announced:
        """Announce the end of the run."""
        return self._announce("abort", 0)

    def second_end(self, announced: Announced, by: str) -> None:
        """End the run: leave the request to open the relay and stop.

        Raises:
            StageError, RecordError: as `second`.
        """
        self._redeem("abort", announced)
        self._feed.ask("abort", by)

    def _present(self, prompt_id: int) -> Prompt:
        snapshot = self._feed.snapshot()
        status = snapshot.status
        if status is None:
            raise StageError("no run to confirm anything for")
        if snapshot.stale:
            raise StageError(f"not confirmed: the last data is {snapshot.silent_s:.0f} s old; wait until it is live")
        if status.prompt is None or status.prompt.id != prompt_id or status.prompt.ask != "confirm":
            raise StageError("not confirmed: that prompt is gone; read the present one")
        return status.prompt

    def _announce(self, action: str, prompt_id: int) -> Announced:
        ticket = secrets.token_hex(8)
        now_s = self._clock.monotonic_s()
        with self._lock:
            self._waiting = {t: w for t, w in self._waiting.items() if now_s - w[2] <= LATEST_S}
            self._waiting[ticket] = (action, prompt_id, now_s)
        return Announced(prompt_id, ticket)

    def _redeem(self, action: str, announced: Announced) -> None:
        now_s = self._clock.monotonic_s()
        with self._lock:
            held = self._waiting.get(announced.ticket)
            if held is None or held[0] != action or held[1] != announced.prompt_id:
                raise StageError("not confirmed: press the first button again")
            age_s = now_s - held[2]
            if age_s < SOONEST_S:
                raise StageError("not confirmed: two presses came as one; read what will happen, then press")
            del self._waiting[announced.ticket]
        if age_s > LATEST_S:
            raise StageError(f"not confirmed: the second press came {age_s:.0f} s after the first; start again")
