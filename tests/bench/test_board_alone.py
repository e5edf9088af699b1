"""A host that keeps its lease alive and sees nothing: the board opens by its own rules, before anything is destroyed.

The faults are the virtual bench's own (no published source).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playing import Played, play

from benchwarden.analysis.judge import Judge
from benchwarden.core.findings import Finding
from benchwarden.core.samples import SampleBlock
from benchwarden.record.journal_reader import JournalReader
from wardenfw import wire

pytestmark = pytest.mark.bench


@pytest.fixture
def blind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the host's analysis find nothing, ever."""

    def sees_nothing(self: Judge, block: SampleBlock) -> list[Finding]:
        return []

    monkeypatch.setattr(Judge, "feed", sees_nothing)


def events(played: Played) -> list[tuple[Any, ...]]:
    with JournalReader(played.run_dir) as reader:
        return [wire.unpack_event(event.payload) for event in reader.events()]


@pytest.mark.usefixtures("blind")
@pytest.mark.parametrize(
    ("fault", "soak_s", "cause", "words"),
    [
        ("runaway-fast:1@60", 120.0, "thermal-runaway", "climbs faster and faster"),
        ("oscillation-small:0.5@60", 30.0, "oscillation", "output quiet, rails up by"),
    ],
)
def test_the_boards_own_rule_opens(tmp_path: Path, fault: str, soak_s: float, cause: str, words: str) -> None:
    played = play(tmp_path, fault, soak_s=soak_s)
    trip = next(event for event in events(played) if event[1] == wire.EV_TRIPPED)
    assert wire.CAUSES[trip[2]] == cause
    assert words in trip[8]
    assert played.cause == cause
    assert played.truth["damaged"] == []
    assert played.truth["mains_closed"] is False


@pytest.mark.usefixtures("blind")
def test_it_leaves_a_healthy_set_alone(tmp_path: Path) -> None:
    played = play(tmp_path, seed=3, soak_s=60.0)
    told = [event[1] for event in events(played)]
    assert wire.EV_CLOSED in told
    assert wire.EV_OPENED in told
    assert wire.EV_TRIPPED not in told
