"""What stands on top of a page: the workshop, as far as it told, with its logo where that can be printed."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.workshop import Workshop
from benchwarden.errors import PlanError
from benchwarden.report.logo import Logo, read_logo
from benchwarden.report.wording import Wording


@dataclass(frozen=True)
class Letterhead:
    """A workshop ready to be printed.

    Attributes:
        logo: None where there is none, or none that can be printed.
        trouble: why a logo was left out, in a sentence.
    """

    name: str
    address: tuple[str, ...]
    contact: str
    legal: str
    accent: str
    logo: Logo | None
    trouble: tuple[str, ...]


def letterhead_of(workshop: Workshop, say: Wording) -> Letterhead:
    """Return the letterhead of a workshop."""
    logo: Logo | None = None
    trouble: tuple[str, ...] = ()
    if workshop.logo is not None:
        try:
            logo = read_logo(workshop.logo)
        except PlanError as error:
            # The path is the workshop's own business; its name is enough here.
            why = str(error).replace(str(workshop.logo), workshop.logo.name)
            trouble = (say("The letterhead is without its logo: {why}.", why=why),)
    return Letterhead(workshop.name, workshop.address, workshop.contact, workshop.legal, workshop.accent, logo, trouble)
