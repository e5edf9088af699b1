"""Calibrates the board on the virtual rig, and holds what it then says against the rig's truth."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchwarden.calibrate import Outcome
from benchwarden.calibrate_driver import Bench, guided, in_force
from benchwarden.calibrate_script import ScriptedPerson
from benchwarden.core.calibration import uncertainty
from benchwarden.core.channels import CHANNEL, INDEX
from benchwarden.core.clock import SystemClock
from benchwarden.errors import LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.serial_port import open_port
from benchwarden.record.board_records import BoardRecords
from benchwarden.virtual.demo import VirtualBench
from benchwarden.virtual.hands import Hands

# Elsewhere than where it was calibrated, inside what a set shows.
ELSEWHERE = {
    "rail current": (0.08, 2.2),
    "rail voltage": (22.0, 9.0),
    "offset": (0.3, -6.0),
    "bias": (0.012, 0.15),
    "temperature": (30.0, 75.0),
    "hf": (0.7, 6.0),
}
FRAMES = 20


@dataclass(frozen=True)
class Check:
    """One value held against the truth.

    Attributes:
        calibrated: the channel was; error and half_width (U) in the channel's unit.
    """

    channel: str
    true: float
    calibrated: bool
    error: float
    half_width: float

    @property
    def covered(self) -> bool:
        return abs(self.error) <= self.half_width


@dataclass(frozen=True)
class Calibrated:
    outcome: Outcome
    checks: list[Check]
    said: list[str]


def calibrate_and_check(seed: int, channels: tuple[str, ...], records: Path) -> Calibrated:
    """Calibrate with the scripted person, then apply other values and compare."""
    clock = SystemClock()
    with VirtualBench(None, "none", 0.0, seed) as bench, Hands(bench.hands) as hands:
        client = BoardClient(open_port(bench.port), clock)
        try:
            board = client.hello(10.0).board
            kept = BoardRecords(records, board)
            person = ScriptedPerson(hands)
            outcome = guided(client, clock, kept, person, channels, virtual=True)
            measuring = Bench(client, clock, kept)
            calibration = in_force(client)
            checks = []
            for channel in channels:
                for value in ELSEWHERE[CHANNEL[channel].group]:
                    true = -value if channel == "rail_neg_v" else value
                    hands.apply(channel, true)
                    shown = float(np.mean(measuring.measure(FRAMES).mean[:, INDEX[channel]], dtype=np.float64))
                    found = uncertainty(channel, shown, calibration)
                    known = calibration is not None and calibration.entry(channel) is not None
                    checks.append(Check(channel, true, known, shown - true, found.half_width))
                hands.apply(channel, None)
            return Calibrated(outcome, checks, person.told)
        finally:
            with suppress(LinkError):
                client.close()
