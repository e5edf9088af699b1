"""What a check found, one plain sentence each, and what they come to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

# "changed", "missing" and "unknown" decide a verdict; "signed" is by a key at hand.
KINDS = ("intact", "signed", "changed", "missing", "added", "unknown", "note")
_TITLES = {
    "changed": "CHANGED",
    "missing": "MISSING",
    "added": "ADDED",
    "unknown": "CANNOT BE JUDGED",
    "signed": "signed",
    "intact": "intact",
    "note": "note",
}
EXIT_INTACT, EXIT_CHANGED, EXIT_UNKNOWN = 0, 1, 2


@dataclass(frozen=True)
class Finding:
    """One sentence of a check.

    Attributes:
        kind: one of KINDS.
        subject: file, attachment or part of the journal it is about.
    """

    kind: str
    subject: str
    words: str


@dataclass
class Findings:
    """The findings about one thing that was looked at.

    Attributes:
        subject: what was looked at.
        head: head of the run's journal as it is now, or as the PDF carries it; "" where there is none.
    """

    subject: str
    head: str = ""
    found: list[Finding] = field(default_factory=list)

    def add(self, kind: str, subject: str, words: str) -> None:
        """Take one finding."""
        self.found.append(Finding(kind, subject, words))

    def extend(self, other: Iterable[Finding], inside: str = "") -> None:
        """Take findings about something that is inside."""
        for one in other:
            subject = f"{inside}: {one.subject}" if inside and one.subject else inside or one.subject
            self.found.append(Finding(one.kind, subject, one.words))

    @property
    def exit_code(self) -> int:
        """0 intact, 1 something was changed or is missing, 2 it cannot be judged."""
        kinds = {one.kind for one in self.found}
        if kinds & {"changed", "missing"}:
            return EXIT_CHANGED
        if "unknown" in kinds or "intact" not in kinds:
            return EXIT_UNKNOWN
        return EXIT_INTACT

    def lines(self) -> list[str]:
        """Return the findings as text, what is wrong first."""
        is_signed = any(one.kind == "signed" for one in self.found)
        whole = "Intact: everything fits its seal, which is signed with a key at hand."
        alone = "Intact by its own hashes: everything fits its seal. Who made the seal is not proven here."
        verdict = {
            EXIT_INTACT: whole if is_signed else alone,
            EXIT_CHANGED: "NOT INTACT: something was changed or is missing.",
            EXIT_UNKNOWN: "Cannot be judged in whole.",
        }[self.exit_code]
        lines = [f"{self.subject}", f"  {verdict}"]
        if self.head:
            lines.append(f"  Head of the journal: {self.head}")
            lines.append("  (compare it with the one printed on every page of the record)")
        for kind in _TITLES:
            for one in self.found:
                if one.kind == kind:
                    subject = f" {one.subject}:" if one.subject else ""
                    lines.append(f"  {_TITLES[kind]}:{subject} {one.words}")
        return [_printable(line) for line in lines]

    def table(self) -> dict[str, Any]:
        """Return the findings for another program to read."""
        verdict = {EXIT_INTACT: "intact", EXIT_CHANGED: "changed", EXIT_UNKNOWN: "unknown"}[self.exit_code]
        found = [asdict(one) for one in self.found]
        return {"subject": self.subject, "verdict": verdict, "head": self.head, "findings": found}


def _printable(line: str) -> str:
    # Names come out of anybody's files: no control characters for the terminal.
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in line)
