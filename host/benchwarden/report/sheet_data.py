"""What every printed sheet hands its template: letterhead, seal, attachments, foot line, words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchwarden.core.workshop import Workshop
from benchwarden.errors import RecordError
from benchwarden.report.attachments import KINDS, OTHER_KIND
from benchwarden.report.cautions import VIRTUAL_WORDS
from benchwarden.report.letterhead import Letterhead, letterhead_of
from benchwarden.report.template_words import template_words
from benchwarden.report.typeset import one_line
from benchwarden.report.wording import Wording, wording

_USUAL_ACCENT = "#0b4f5c"
_HEAD = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Sheet:
    """What goes with a run on paper, whatever the sheet says about it.

    Attributes:
        seal_head: 64 hexadecimal digits, "" where the run is not sealed.
        attachments: by name.
    """

    say: Wording
    letterhead: Letterhead
    seal_head: str = ""
    attachments: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def files(self) -> dict[str, bytes]:
        """What the template reads, by the name it has there."""
        logo = self.letterhead.logo
        found = {f"attached-{number}": data for number, data in enumerate(self.attachments.values())}
        return found | ({f"logo.{logo.kind}": logo.data} if logo else {})


def sheet_of(workshop: Workshop | None, seal_head: str, attachments: Mapping[str, bytes]) -> Sheet:
    """Return what goes with a run on paper.

    Raises:
        RecordError: the seal's head is no head hash, or a name of an attachment is none.
    """
    if seal_head and not _HEAD.fullmatch(seal_head):
        raise RecordError(f"seal head {seal_head[:80]!r}; allowed: 64 hexadecimal digits, or nothing")
    for name in attachments:
        if not (name.isascii() and name.isprintable()) or not 0 < len(name) <= 120 or "/" in name or "\\" in name:
            raise RecordError(f"attachment {name[:120]!r}; allowed: a plain file name in ASCII")
    known = workshop or Workshop()
    say = wording(known.language, known.catalogues, known.time_zone)
    return Sheet(say, letterhead_of(known, say), seal_head, attachments)


def shared_data(sheet: Sheet, template: str, run: str, virtual: bool, ascii_only: bool) -> dict[str, Any]:
    """Return what `page.typ` and the template itself need of it."""
    say, head, letterhead = sheet.say, sheet.seal_head, sheet.letterhead
    logo = letterhead.logo
    kinds = [(name, KINDS.get(name, OTHER_KIND), data) for name, data in sheet.attachments.items()]
    return {
        "language": say.locale.language,
        "words": template_words(say, "page.typ", template),
        "accent": letterhead.accent or _USUAL_ACCENT,
        "virtual": virtual,
        "virtual_words": VIRTUAL_WORDS,
        "head_run": one_line(run, 40, ascii_only) or say("without a name"),
        "head_seal": say("seal {head}", head=_short_head(head)) if head else say("not sealed"),
        "seal_groups": " ".join(head[at : at + 4] for at in range(0, 64, 4)),
        "letterhead": {
            "name": letterhead.name,
            "address": letterhead.address,
            "contact": letterhead.contact,
            "legal": letterhead.legal,
            "logo": {"file": f"logo.{logo.kind}", "width": logo.width, "height": logo.height} if logo else None,
        },
        "files": [
            {
                "file": f"attached-{number}",
                "name": name,
                "media_type": kind.media_type,
                "relationship": kind.relationship,
                "description": say(kind.description),
                "size": f"{len(data)}",
            }
            for number, (name, kind, data) in enumerate(kinds)
        ],
    }


def _short_head(head: str) -> str:
    """Return the first sixteen digits of a head hash in groups of four."""
    return " ".join(head[at : at + 4] for at in range(0, 16, 4))
