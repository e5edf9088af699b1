"""A scripted person who calibrates the board on the virtual rig: sets, reads the meter, answers.

Shares the questions' names with calibrate.py and nothing else.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable

from benchwarden.calibrate import ENOUGH, LEAVE_OUT, READY, suggested
from benchwarden.core.channels import CHANNEL
from benchwarden.core.procedure import YES, Ask, Stopped
from benchwarden.virtual.hands import Hands

OPERATOR = "nobody: a script"
REFERENCE = "virtual meter"
# A setting that was not taken this often will not be.
MOST_TRIES = 3


class ScriptedPerson:
    """
    Args:
        hands: of a bench with the rig.
        say: is told questions and answers, in words.
        leave_out_refused: a channel whose points were refused is left out, else the script stops.
    """

    def __init__(
        self, hands: Hands, say: Callable[[str], None] = lambda text: None, leave_out_refused: bool = True
    ) -> None:
        self._hands = hands
        self._say = say
        self._leave_out_refused = leave_out_refused
        self._applied = ""
        self._tries: Counter[str] = Counter()
        self.told: list[str] = []

    def tell(self, text: str) -> None:
        self.told.append(text)
        self._say(text)

    def answer(self, ask: Ask) -> str:
        answer = self._answer(ask)
        self._say(f"{ask.text} > {answer}")
        return answer

    def _answer(self, ask: Ask) -> str:
        channel, _, rest = ask.id.partition(".")
        fixed = {"operator": OPERATOR, "reference": REFERENCE, "write": YES, "resume": YES, "channels": "all"}
        if ask.id in fixed:
            return fixed[ask.id]
        if rest == "accuracy":
            return self._accuracy(channel)
        if rest == "refused" and self._leave_out_refused:
            return LEAVE_OUT
        number, _, what = rest.partition(".")
        if what == "ready":
            return self._set(channel, int(number))
        if what == "reference":
            return self._display(channel)
        raise Stopped(f"the script has no answer to {ask.id!r}: {ask.text}")

    def _set(self, channel: str, done: int) -> str:
        if self._applied and self._applied != channel:
            self._hands.apply(self._applied, None)
        self._applied = channel
        values = suggested(channel)
        if done >= len(values):
            return ENOUGH
        self._tries[f"{channel}.{done}"] += 1
        if self._tries[f"{channel}.{done}"] > MOST_TRIES:
            return LEAVE_OUT
        self._hands.apply(channel, values[done])
        return READY

    def _display(self, channel: str) -> str:
        """Return the meter's reading with the digits it shows."""
        shown = self._hands.act("meter", channel=channel)
        decimals = max(0, -math.floor(math.log10(shown["step"])))
        return f"{shown['value']:z.{decimals}f}"

    def _accuracy(self, channel: str) -> str:
        stated = self._hands.act("meter", channel=channel)
        unit = CHANNEL[channel].unit
        share = f"{stated['accuracy_pct']:g} % + " if stated["accuracy_pct"] else ""
        return f"{share}{stated['accuracy_offset']:g} {unit} + 0.5 digits of {stated['step']:g} {unit}"
