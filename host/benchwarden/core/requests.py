"""What a person can ask of a run, as plain data."""

from __future__ import annotations

from dataclasses import dataclass

# open: open the mains relay now. confirm: the prompt with prompt_id is done.
# abort: open and end the run. reset: acknowledge a trip (closes nothing).
# note: keep a sentence with the run.
ACTIONS = ("open", "confirm", "abort", "reset", "note")


@dataclass(frozen=True)
class Request:
    """One act of a person.

    Attributes:
        request_id: unique text; a request is carried out once.
        action: one of ACTIONS.
        prompt_id: which prompt `confirm` answers; 0 otherwise.
        by: where it came from ("dashboard", "terminal").
        text: free words, kept with the run.
    """

    request_id: str
    action: str
    prompt_id: int
    by: str
    text: str
