"""A board's calibration as data, and the expanded uncertainty of whatever the board says.

A calibrated value carries the uncertainty of the fit, combined with what stays
of the parts' tolerances (temperature, ageing, resolution); an uncalibrated one
carries all of the parts' tolerances. Noise of a single reading is in neither:
the numbers shown are means or extremes whose spread is shown beside them.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from scipy.special import stdtrit

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.tolerances import Tolerance, tolerances
from benchwarden.errors import RecordError
from wardenfw import wire

EPOCH = dt.date.fromisoformat(wire.CAL_EPOCH)
COVERAGE = 0.95
# The wire's word for "so many degrees of freedom that they do not matter".
MANY = 255
UNCALIBRATED = "uncalibrated"


@dataclass(frozen=True)
class Entry:
    """The correction of one channel: v = gain * reading + offset.

    Its standard uncertainty at v is sqrt(u_a^2 + (u_b * (v - centre))^2).

    Attributes:
        points: how many it was fitted to; one gives the offset only.
        dof: effective degrees of freedom of its uncertainty, 1 to MANY.
    """

    channel: str
    points: int
    dof: int
    gain: float
    offset: float
    centre: float
    u_a: float
    u_b: float

    def corrected(self, reading: float) -> float:
        return self.gain * reading + self.offset

    def uncorrected(self, value: float) -> float:
        """Return what an uncalibrated board would have said."""
        return (value - self.offset) / self.gain

    def u(self, value: float) -> float:
        """Return the standard uncertainty of a corrected value, on the day of the calibration."""
        return math.hypot(self.u_a, self.u_b * (value - self.centre))


@dataclass(frozen=True)
class Calibration:
    """A record as the board holds it; entries in CHANNELS order."""

    board: str
    date: dt.date
    due_days: int
    number: int
    reference: str
    entries: tuple[Entry, ...]

    @property
    def due(self) -> dt.date:
        return self.date + dt.timedelta(days=self.due_days)

    @property
    def crc(self) -> str:
        """CRC-32 of the record, eight hex digits, as the board names it."""
        return f"{int.from_bytes(self.pack()[-wire.CRC_SIZE :], 'little'):08x}"

    def entry(self, channel: str) -> Entry | None:
        return next((entry for entry in self.entries if entry.channel == channel), None)

    def pack(self) -> bytes:
        """Return the record as the board stores it."""
        rows = [
            (INDEX[e.channel], e.points, min(e.dof, MANY), e.gain, e.offset, e.centre, e.u_a, e.u_b)
            for e in self.entries
        ]
        packed: bytes = wire.pack_calibration(
            self.board, (self.date - EPOCH).days, self.due_days, self.number, self.reference, rows
        )
        return packed

    def words(self, today: dt.date) -> str:
        """Return its state in words, as pages carry it."""
        partly = "" if len(self.entries) == len(CHANNELS) else f", {len(self.entries)} of {len(CHANNELS)} channels"
        if today > self.due:
            return f"calibration overdue since {self.due}, made {self.date}{partly}"
        return f"calibrated {self.date}, due {self.due}{partly}"


def unpack_calibration(record: bytes) -> Calibration | None:
    """Return the calibration in a board's record, None for an empty one.

    Raises:
        RecordError: not a whole, intact record of this format.
    """
    if not record:
        return None
    try:
        board, day, due_days, number, reference, rows = wire.unpack_calibration(record)
    except ValueError as error:
        raise RecordError(f"calibration record of {len(record)} bytes is not whole and intact: {error}") from error
    if any(row[0] >= len(CHANNELS) for row in rows):
        raise RecordError("calibration record names a channel this program does not know")
    entries = tuple(Entry(CHANNELS[row[0]], *row[1:]) for row in rows)
    return Calibration(board, EPOCH + dt.timedelta(days=day), due_days, number, reference, entries)


@dataclass(frozen=True)
class Expanded:
    """An expanded uncertainty, 95 % coverage.

    Attributes:
        half_width: U, half the interval, in the channel's unit.
        k: coverage factor, dof: effective degrees of freedom.
        basis: where it comes from, in words.
    """

    half_width: float
    k: float
    dof: float
    basis: str


def uncertainty(channel: str, value: float, calibration: Calibration | None = None) -> Expanded:
    """Return the expanded uncertainty of a channel's value.

    Source: JCGM 100:2008, 5.1.2 (combination), G.4.1 (Welch-Satterthwaite), G.6.4 (k from Student's t).
    """
    parts = tolerances(channel)
    entry = calibration.entry(channel) if calibration else None
    if calibration is None or entry is None:
        u = _combined(parts, value)
        return Expanded(_k(math.inf) * u, _k(math.inf), math.inf, "not calibrated: tolerances of the parts")
    u_fit, u_stays = entry.u(value), _combined((part for part in parts if not part.removed), value)
    u = math.hypot(u_fit, u_stays)
    dof = math.inf if entry.dof >= MANY or not u_fit else max(entry.dof, 1) * (u / u_fit) ** 4
    k = _k(dof)
    points = "offset only" if entry.points == 1 else f"{entry.points} points"
    basis = f"calibration of {calibration.date} ({points}), with temperature and a year of ageing"
    return Expanded(k * u, k, dof, basis)


def u_gain_of_parts(channel: str) -> float:
    """Return the relative standard uncertainty of a channel's gain that a calibration would remove."""
    return math.hypot(*(part.u(1.0) for part in tolerances(channel) if part.removed and part.kind == "gain"))


def u_linearity_of_parts(channel: str) -> float:
    """Return the standard uncertainty that every single reading has of its own, whatever the line."""
    return math.hypot(*(part.u(1.0) for part in tolerances(channel) if part.kind == "linearity"))


def _combined(parts: Iterable[Tolerance], value: float) -> float:
    return math.hypot(*(part.u(value) for part in parts))


@cache
def _k_whole(dof: float) -> float:
    return float(stdtrit(dof, 0.5 + COVERAGE / 2))


def _k(dof: float) -> float:
    # The next lower whole number of degrees of freedom, G.6.4.
    return _k_whole(math.floor(dof) if math.isfinite(dof) else math.inf)
