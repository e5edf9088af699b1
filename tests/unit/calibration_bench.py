"""A bench and a person of few words for the calibration procedure: no board, no disk, errors of one's choice."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import numpy as np

from benchwarden.calibrate import (
    ENOUGH,
    READY,
    KeepDraft,
    Measure,
    Situation,
    StoreRecord,
    WriteRecord,
    suggested,
)
from benchwarden.core.calibration import Calibration
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.procedure import YES, Ask
from benchwarden.core.samples import SampleBlock

BOARD = "e66138528361"
FACTS = {
    "board": BOARD, "fw": "0.1.0", "wire": 2, "mpy": "1.24.1", "cal": "uncalibrated", "cal_crc": "",
    "program": "0123456789abcdef", "selftest": {"ok": True, "parts": {}, "tested": 21},
}  # fmt: skip
NOW = "2026-11-25T12:00:00Z"


class Bench:
    """What the board reads of what is applied: (true - offset) / gain, corrected by what is in force.

    Attributes:
        gain, offset: what a perfect calibration would find, by channel.
        applied: true value by channel; rest elsewhere.
        routes: a channel's leads lie on another one.
        before_measure: called before every measurement with its number, from 1.
        held: what the board says it holds after a write; None: what was written.
    """

    def __init__(self, in_force: Calibration | None = None, noise: float = 1e-5) -> None:
        self.gain = dict.fromkeys(CHANNELS, 1.0)
        self.offset = dict.fromkeys(CHANNELS, 0.0)
        self.applied: dict[str, float] = {}
        self.routes: dict[str, str] = {}
        self.noise = noise
        self.in_force = in_force
        self.before_measure: Callable[[int], None] = lambda number: None
        self.held: bytes | None = None
        self.drafts: list[dict[str, Any]] = []
        self.written: list[bytes] = []
        self.stored: list[dict[str, Any]] = []
        self.measured = 0
        self._rng = np.random.default_rng(5)

    def true(self, channel: str) -> float:
        rest = 23.0 if channel.endswith("_c") else 0.0
        return self.applied.get(channel, rest)

    def work(self, step: object) -> object:
        if isinstance(step, Measure):
            self.measured += 1
            self.before_measure(self.measured)
            return self._block(step.frames)
        if isinstance(step, KeepDraft):
            self.drafts.append(copy.deepcopy(step.draft))
            return None
        if isinstance(step, WriteRecord):
            self.written.append(step.record)
            return step.record if self.held is None else self.held
        assert isinstance(step, StoreRecord)
        self.stored.append(step.record)
        return "records/calibration.json"

    def reads(self, channel: str, true: float) -> float:
        reading = (true - self.offset[channel]) / self.gain[channel]
        entry = self.in_force.entry(channel) if self.in_force else None
        return entry.corrected(reading) if entry else reading

    def _block(self, n: int) -> SampleBlock:
        mean = np.empty((n, len(CHANNELS)), dtype=np.float32)
        sources = {self.routes.get(name, name): name for name in CHANNELS}
        for name in CHANNELS:
            source = sources.get(name, name) if self.routes else name
            mean[:, INDEX[name]] = self.reads(name, self.true(source)) + self.noise * self._rng.standard_normal(n)
        no = np.zeros(n, dtype=bool)
        return SampleBlock(np.arange(n) / 10.0, mean, mean, mean, no, no, no)


class Person:
    """Sets what is asked, reads a meter that is off by `meter`, goes on when a setting is refused.

    Attributes:
        special: answers by question id that are not the usual ones; a list gives one after the other.
    """

    def __init__(self, bench: Bench, special: dict[str, Any] | None = None, meter: float = 1.0) -> None:
        self.bench = bench
        self.special = special or {}
        self.meter = meter
        self.asked: list[str] = []
        self.told: list[str] = []

    def tell(self, text: str) -> None:
        self.told.append(text)

    def answer(self, ask: Ask) -> str:
        self.asked.append(ask.id)
        channel, _, rest = ask.id.partition(".")
        number, _, what = rest.partition(".")
        if what == "ready":
            values = suggested(channel)
            if int(number) < len(values):
                self.bench.applied = {channel: values[int(number)]}
        found = self.special.get(ask.id)
        if isinstance(found, list):
            found = found.pop(0) if found else None
        if found is not None:
            return str(found)
        if what == "ready":
            return READY if int(number) < len(suggested(channel)) else ENOUGH
        if what == "reference":
            return repr(self.bench.true(channel) * self.meter)
        usual = {
            "operator": "A. Person",
            "reference": "meter no. 7",
            "write": YES,
            "resume": YES,
            "accuracy": "0.05 % + 0.0003",
        }
        if (words := usual.get(rest or ask.id)) is not None:
            return words
        raise AssertionError(f"no answer to {ask}")

    @property
    def said(self) -> str:
        return "\n".join(self.told)


def situation(**changes: Any) -> Situation:
    usual: dict[str, Any] = {"facts": FACTS, "in_force": None, "now": lambda: NOW, "channels": ("rail_pos_a",)}
    return Situation(**{**usual, **changes})
