"""The person at the virtual bench's rig: does at once what commissioning asks for, and answers what they see.

Not modelled: a person's time, and a supply that is turned up slowly.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from benchwarden.core.commissioning import Hand
from benchwarden.core.procedure import YES, Ask, Stopped
from benchwarden.virtual.hands import Hands

# What the rig's person says about it; the rig itself is told the same.
RIG_VOLTS, RIG_OHMS, RIG_WATTS = 30.0, 10.0, 100.0


class Commissioner:
    """
    Args:
        hands: of a bench with the rig on it.
        say: told what is told the person; nobody by default.
        refuses: ids of questions this person answers with no.
    """

    is_quick = True

    def __init__(
        self, hands: Hands, say: Callable[[str], object] = lambda text: None, refuses: frozenset[str] = frozenset()
    ) -> None:
        self._hands = hands
        self._say = say
        self._refuses = refuses
        self._answers = {
            "rig.supply": "virtual bench supply",
            "rig.resistor": "virtual resistor",
            "rig.volts": f"{RIG_VOLTS:g}",
            "rig.ohms": f"{RIG_OHMS:g}",
            "rig.watts": f"{RIG_WATTS:g}",
        }

    def tell(self, text: str) -> None:
        self._say(text)

    def answer(self, ask: Ask) -> str:
        answer = self._answered(ask)
        self._say(f"{ask.text} {answer}")
        return answer

    def _answered(self, ask: Ask) -> str:
        if ask.id in self._answers:
            return self._answers[ask.id]
        if ask.kind == "confirm":
            return "no" if ask.id in self._refuses else YES
        if ask.id.startswith("bypass."):
            return "closed" if self._hands.state()["bypass_closed"] else "open"
        if ask.id == "usb-unplugged.current":
            return "flows" if self._hands.state()["contact_closed"] else "none"
        raise Stopped(f"the virtual bench's person has no answer to {ask.id!r}")

    def do(self, hand: Hand) -> None:
        """Do it, at one instant of the bench's time.

        Raises:
            Stopped: this person cannot do that.
        """
        self._say(hand.text)
        hands, part = self._hands, hand.part
        match hand.do:
            case "supply":
                hands.supply(hand.value)
            case "resistor":
                hands.resistor(hand.value)
            case "apply":
                hands.apply(part, hand.value)
            case "let-go":
                hands.apply(part, None)
            case "part-out" | "part-in":
                plug = hands.plug if part.startswith("ntc_") else hands.module
                plug(part, hand.do == "part-in")
            case "estop":
                hands.estop(hand.value > 0)
            case "button":
                hands.button()
            case "usb-out":
                hands.unplug()
                # No hand puts it back before the board has felt it.
                while hands.state()["powered"]:
                    time.sleep(0.01)
            case "usb-in":
                hands.plug()
            case _:
                raise Stopped(f"the virtual bench's person cannot {hand.do!r}")
