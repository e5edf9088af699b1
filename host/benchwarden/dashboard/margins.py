"""Where does each channel stand between its limits and its expected span?"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.dashboard.status import Status

# A reading closer to a limit than this part of the way from the expected value
# to it is called near. Common practice, no source.
NEAR = 0.1

# How a channel is written for people: factor, unit, digits. The rest is shown as it is stored.
_SHOWN: dict[str, tuple[float, str, int]] = {
    "bias": (1000.0, "mV", 2),
    "offset": (1000.0, "mV", 0),
    "hf": (1.0, "V", 2),
}


@dataclass(frozen=True)
class Scale:
    """How a channel is written for people."""

    factor: float
    unit: str
    decimals: int

    def text(self, value: float | None) -> str:
        """Return the number alone, with a true minus sign, or a dash for none."""
        if value is None:
            return "–"
        written = f"{value * self.factor:.{self.decimals}f}"
        if float(written) == 0.0:
            written = written.lstrip("-")
        return written.replace("-", "−")


@dataclass(frozen=True)
class Row:
    """One channel against its limits.

    Attributes:
        verdict: "above", "below", "peak", "missing", "near", "outside", "inside",
            or "unjudged" where nothing can be said (relay open, no limits).
        says: the verdict in a few words, with the distance to the nearest limit.
        bar: positions in percent of the drawn scale: limit low, limit high,
            expected low, expected high, reading minimum, maximum, mean, expected
            value; None where there is none. Empty without anything to draw against.
    """

    channel: str
    label: str
    unit: str
    value: str
    span: str
    low: str
    high: str
    expected: str
    verdict: str
    says: str
    bar: tuple[float | None, ...]

    @property
    def alarming(self) -> bool:
        """True for what must be seen from across the room."""
        return self.verdict in ("above", "below", "peak", "missing")


def scale(channel: str) -> Scale:
    """Return how `channel` is written."""
    known = CHANNEL[channel]
    factor, unit, decimals = _SHOWN.get(known.group, (1.0, known.unit, known.decimals))
    return Scale(factor, unit, decimals)


def _tightest(status: Status, channel: str) -> tuple[float | None, float | None]:
    stage = status.stage
    rows = [row for row in stage.limits if row.channel == channel and row.kind == "value"] if stage else []
    lows = [row.low for row in rows if row.low is not None]
    highs = [row.high for row in rows if row.high is not None]
    return max(lows, default=None), min(highs, default=None)


def _bar(
    low: float | None,
    high: float | None,
    expected: tuple[float, float, float] | None,
    reading: tuple[float, float | None, float | None] | None,
) -> tuple[float | None, ...]:
    anchors = [v for v in (low, high, *(expected or ())) if v is not None]
    if not anchors:
        return ()
    anchors.append(0.0)
    left, right = min(anchors), max(anchors)
    room = (right - left) or 1.0
    left, right = left - 0.08 * room, right + 0.08 * room

    def at(value: float | None) -> float | None:
        if value is None:
            return None
        percent: float = 100.0 * (value - left) / (right - left)
        return round(min(100.0, max(0.0, percent)), 1)

    mean, least, most = reading or (None, None, None)
    spans = (expected[0], expected[2]) if expected else (None, None)
    nominal = expected[1] if expected else None
    return (at(low), at(high), at(spans[0]), at(spans[1]), at(least), at(most), at(mean), at(nominal))


def _verdict(
    reading: tuple[float, float | None, float | None] | None,
    low: float | None,
    high: float | None,
    expected: tuple[float, float, float] | None,
    live: bool,
    written: Scale,
) -> tuple[str, str]:
    bounded = low is not None or high is not None
    if reading is None:
        if bounded or expected:
            return "missing", "NO READING"
        return "unjudged", "no reading"
    mean, least, most = reading
    # With the relay open nothing needs to be there yet; only what lies beyond a
    # limit on the far side of zero is wrong on an amplifier without power.
    if high is not None and mean > high and (live or high > 0):
        return "above", f"ABOVE LIMIT by {written.text(mean - high)} {written.unit}"
    if low is not None and mean < low and (live or low < 0):
        return "below", f"BELOW LIMIT by {written.text(low - mean)} {written.unit}"
    if not live:
        return "unjudged", "relay open"
    if high is not None and most is not None and most > high:
        return "peak", f"PEAK ABOVE LIMIT: {written.text(most)} {written.unit}"
    if low is not None and least is not None and least < low:
        return "peak", f"PEAK BELOW LIMIT: {written.text(least)} {written.unit}"
    if not bounded and not expected:
        return "unjudged", "no limit"
    left = min((edge for edge in (_room(mean, high), _room(mean, low)) if edge is not None), default=None)
    words = "" if left is None else f"{written.text(left)} {written.unit} left"
    for edge, inner in ((high, expected[1] if expected else 0.0), (low, expected[1] if expected else 0.0)):
        if edge is not None and abs(edge - mean) < NEAR * abs(edge - inner):
            return "near", "near limit: " + words
    if expected and not expected[0] <= mean <= expected[2]:
        return "outside", "not as expected"
    return "inside", words or "as expected"


def _expected(span: tuple[float, float, float] | None, written: Scale) -> str:
    if span is None:
        return ""
    # No break inside the span; one before it where the place is narrow.
    return (
        f"{written.text(span[1])} ({written.text(span[0])}\N{NO-BREAK SPACE}…\N{NO-BREAK SPACE}{written.text(span[2])})"
    )


def _room(mean: float, edge: float | None) -> float | None:
    return None if edge is None else abs(edge - mean)


def rows(status: Status) -> tuple[Row, ...]:
    """Return one row per channel in the fixed order, judged against the present stage."""
    stage = status.stage
    expected = {name: (low, nominal, high) for name, low, nominal, high in stage.expected} if stage else {}
    # A stage without power is judged as it is; any other only once the mains contact reads closed.
    live = status.relay.contact is not False or (stage is not None and not stage.energised)
    out = []
    for channel in CHANNELS:
        written = scale(channel)
        low, high = _tightest(status, channel)
        span = expected.get(channel)
        reading = status.values.get(channel)
        verdict, says = _verdict(reading, low, high, span, live, written)
        mean, least, most = reading or (None, None, None)
        out.append(
            Row(
                channel=channel,
                label=CHANNEL[channel].label,
                unit=written.unit,
                value=written.text(mean),
                span=f"{written.text(least)} … {written.text(most)}" if least is not None or most is not None else "",
                low=written.text(low) if low is not None else "",
                high=written.text(high) if high is not None else "",
                expected=_expected(span, written),
                verdict=verdict,
                says=says,
                bar=_bar(low, high, span, reading),
            )
        )
    return tuple(out)
