"""Printed plots: geometry as SVG in millimetres, words as labels that the page sets in its own type.

No text goes into the SVG, so nothing in a record can break out of it. Series
differ by line style, not only by tint: the plots must survive a grey printer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from benchwarden.core.samples import BoolArray, FloatArray
from benchwarden.report.printable import number_text
from benchwarden.report.wording import ENGLISH, Wording

WIDTH_MM = 176.0
_LEFT_MM, _RIGHT_MM = 15.0, 3.0
_KEY_MM, _NUMBERS_MM, _AXIS_MM, _STRIP_MM = 4.5, 3.6, 5.5, 2.2
# A gap narrower than this could not be seen in print.
_LEAST_GAP_MM = 0.5

INK, GREY, RULE, PALE = "#17262b", "#66757a", "#d9dfe0", "#eceff0"
_LIMIT = "#8a1c12"
_TINTS = ("#0b4f5c", "#b0561a", "#4b4b4b")
_DASHES = ("", "1.6 0.7", "0.35 0.75")
_WIDTHS = (0.3, 0.3, 0.38)


@dataclass(frozen=True)
class Label:
    """Words at a place.

    Attributes:
        x, y: millimetres from the figure's top left corner.
        at: which end of the words hangs there: "left", "middle" or "right".
        boxed: on white, so that lines do not run through them.
    """

    x: float
    y: float
    text: str
    at: str = "left"
    size: float = 6.5
    bold: bool = False
    tint: str = INK
    boxed: bool = False


@dataclass(frozen=True)
class Figure:
    """One plot ready to be placed."""

    title: str
    caption: str
    alt: str
    width: float
    height: float
    svg: str
    labels: tuple[Label, ...]


@dataclass(frozen=True)
class Series:
    """One trace in printed units.

    Attributes:
        name: as the key calls it.
        x, low, high, mid: shape (n,), NaN where there is nothing.
        missing: shape (n,): values due here are missing.
        style: which line style, 0 to 2.
        left_out: shape (n,): values here are not shown on purpose; None for none.
    """

    name: str
    x: FloatArray
    low: FloatArray
    high: FloatArray
    mid: FloatArray
    missing: BoolArray
    style: int
    left_out: BoolArray | None = None


@dataclass(frozen=True)
class LimitLine:
    """A limit or target from x0 to x1; `kind` is its name in print, "limit", "limit ambient" or "target"."""

    x0: float
    x1: float
    y: float
    kind: str = "limit"
    is_limit: bool = True


@dataclass(frozen=True)
class Boundary:
    """Where a stage begins, with the number it has in the stage table."""

    x: float
    number: str


@dataclass(frozen=True)
class Strip:
    """What the mains side did, in the columns of the series: off, through the limiter, direct."""

    x: FloatArray
    seen: BoolArray
    mains_on: BoolArray
    limiter_in: BoolArray


@dataclass(frozen=True)
class Panel:
    """Everything one set of axes shows.

    Attributes:
        least_span: the axis covers at least this much.
        decimals: of a limit's name.
        reach: a limit this many times the data's span away is still drawn;
            a farther one would flatten the traces and is told in words.
        say: how numbers and the panel's own words are put.
    """

    title: str
    unit: str
    series: tuple[Series, ...]
    limits: tuple[LimitLine, ...] = ()
    boundaries: tuple[Boundary, ...] = ()
    trips: tuple[tuple[float, str], ...] = ()
    least_span: float = 1.0
    decimals: int = 2
    reach: float = 1.5
    strip: Strip | None = None
    say: Wording = ENGLISH


@dataclass
class _Ink:
    """SVG elements and labels under construction."""

    marks: list[str] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)

    def line(self, x0: float, y0: float, x1: float, y1: float, tint: str, width: float, dash: str = "") -> None:
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        place = f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"
        self.marks.append(f'<path d="{place}" stroke="{tint}" stroke-width="{width}" fill="none"{extra}/>')

    def trace(self, points: str, tint: str, width: float, dash: str = "") -> None:
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.marks.append(
            f'<path d="{points}" stroke="{tint}" stroke-width="{width}" fill="none" stroke-linejoin="round"{extra}/>'
        )

    def area(self, points: str, tint: str, opacity: float, edge: float = 0.0) -> None:
        stroke = f' stroke="{tint}" stroke-width="{edge}" stroke-opacity="0.55"' if edge else ""
        self.marks.append(f'<path d="{points}Z" fill="{tint}" fill-opacity="{opacity}"{stroke}/>')

    def box(self, x: float, y: float, w: float, h: float, fill: str) -> None:
        self.marks.append(f'<rect x="{x:.2f}" y="{y:.2f}" width="{w:.2f}" height="{h:.2f}" fill="{fill}"/>')

    def words(
        self,
        x: float,
        y: float,
        text: str,
        at: str = "left",
        size: float = 6.5,
        bold: bool = False,
        tint: str = INK,
        boxed: bool = False,
    ) -> None:
        self.labels.append(Label(round(x, 3), round(y, 3), text, at, size, bold, tint, boxed))

    def svg(self, width: float, height: float) -> str:
        head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        return head + f'width="{width:g}mm" height="{height:g}mm">' + "".join(self.marks) + "</svg>"


def nice_step(span: float, most: int) -> float:
    """Return the step of 1, 2 or 5 times a power of ten that gives at most `most` intervals."""
    if not (span > 0 and math.isfinite(span)):
        return 1.0
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if factor * power >= raw * (1 - 1e-9):
            return factor * power
    return 10.0 * power


_TIME_STEPS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


def time_axis(span_s: float) -> tuple[float, float, str]:
    """Return (step in seconds, seconds per printed unit, unit) for a time axis."""
    step = next((s for s in _TIME_STEPS if span_s / s <= 13), 86400.0 * nice_step(span_s / 86400.0, 12))
    if step < 60:
        return float(step), 1.0, "s"
    return (float(step), 60.0, "min") if step < 3600 else (float(step), 3600.0, "h")


def y_range(panel: Panel) -> tuple[float, float]:
    """Return the span of values shown: the data, and limits near enough not to flatten them."""
    low, high = math.inf, -math.inf
    for series in panel.series:
        for values in (series.low, series.high, series.mid):
            finite = values[np.isfinite(values)]
            if len(finite):
                low, high = min(low, float(finite.min())), max(high, float(finite.max()))
    if low > high:
        low, high = 0.0, panel.least_span
    span = max(high - low, panel.least_span)
    reach = max(panel.reach * span, 0.35 * max(abs(low), abs(high)))
    for limit in panel.limits:
        if math.isfinite(limit.y) and low - reach <= limit.y <= high + reach:
            low, high = min(low, limit.y), max(high, limit.y)
    short = panel.least_span - (high - low)
    if short > 0:
        # Room is made around the data, but not below zero for what cannot be negative there.
        below = min(short / 2, low) if low >= 0 else short / 2
        low, high = low - below, high + short - below
    margin = 0.06 * (high - low)
    return low - margin, high + margin


def _runs(missing_here: BoolArray, present: BoolArray) -> list[slice]:
    """Return the unbroken stretches: broken where a column is missing and holds nothing."""
    broken = missing_here & ~present
    group = np.cumsum(broken)
    at = np.flatnonzero(present)
    if not len(at):
        return []
    cuts = np.flatnonzero(np.diff(group[at])) + 1
    return [slice(*pair) for pair in zip((0, *cuts), (*cuts, len(at)), strict=True)]


def _points(x: FloatArray, y: FloatArray, first: str = "M") -> str:
    pairs = np.char.mod("%.2f", np.stack((x, y), axis=1))
    return first + "L".join(f"{a} {b}" for a, b in pairs.tolist())


class _Axes:
    """Maps values to millimetres inside one panel and draws into an ink."""

    def __init__(self, ink: _Ink, panel: Panel, top: float, height: float, x_span: tuple[float, float]) -> None:
        self.ink, self.panel = ink, panel
        self.left, self.right = _LEFT_MM, WIDTH_MM - _RIGHT_MM
        self.top, self.bottom = top, top + height
        self.x0, self.x1 = x_span
        self.y0, self.y1 = y_range(panel)

    def x(self, value: FloatArray) -> FloatArray:
        return self.left + (value - self.x0) / (self.x1 - self.x0) * (self.right - self.left)

    def y(self, value: FloatArray) -> FloatArray:
        return self.bottom - (value - self.y0) / (self.y1 - self.y0) * (self.bottom - self.top)

    def at_x(self, value: float) -> float:
        return float(self.x(np.array(value)))

    def at_y(self, value: float) -> float:
        return float(self.y(np.array(value)))

    def frame(self) -> None:
        ink, step = self.ink, nice_step(self.y1 - self.y0, 5)
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        first = math.ceil(self.y0 / step - 1e-9)
        for k in range(first, math.floor(self.y1 / step + 1e-9) + 1):
            y = self.at_y(k * step)
            ink.line(self.left, y, self.right, y, RULE, 0.45 if k == 0 else 0.15)
            ink.words(self.left - 1.2, y, number_text(k * step, decimals, self.panel.say), "right")
        ink.line(self.left, self.top, self.left, self.bottom, INK, 0.25)
        ink.line(self.left, self.bottom, self.right, self.bottom, INK, 0.25)

    def time(self, numbers: bool) -> None:
        ink, (step, per, unit) = self.ink, time_axis(self.x1 - self.x0)
        first, last = math.ceil(self.x0 / step - 1e-9), math.floor(self.x1 / step + 1e-9)
        decimals = max(0, -math.floor(math.log10(step / per) + 1e-9)) if step / per < 1 else 0
        for k in range(first, last + 1):
            x = self.at_x(k * step)
            ink.line(x, self.top, x, self.bottom, PALE, 0.2)
            ink.line(x, self.bottom, x, self.bottom + 0.8, INK, 0.25)
            if numbers and x < self.right - 7:
                ink.words(
                    x, self.bottom + _STRIP_MM + 2.6, number_text(k * step / per, decimals, self.panel.say), "middle"
                )
        if numbers:
            ink.words(self.right, self.bottom + _STRIP_MM + 2.6, unit, "right", tint=GREY)

    def _trip_words(self) -> list[tuple[float, float, float, str, str]]:
        """Return (from, to, x, hang, words) in millimetres of what is printed above each trip."""
        out = []
        for t_s, name in self.panel.trips:
            if name and self.x0 <= t_s <= self.x1:
                x, length = self.at_x(t_s), 1.45 * len(name) + 1.0
                if x > (self.left + self.right) / 2:
                    out.append((x - 1.6 - length, x + 2.0, x - 1.6, "right", name))
                else:
                    out.append((x - 2.0, x + 1.6 + length, x + 1.6, "left", name))
        return out

    def boundaries(self) -> None:
        ink, taken = self.ink, self._trip_words()
        early = 0.02 * (self.x1 - self.x0)
        marks = [m for m in self.panel.boundaries if self.x0 - early <= m.x <= self.x1]
        # Stages too short for a number of their own share one: "2-5".
        groups: list[tuple[float, str, str]] = []
        for mark in marks:
            x = self.at_x(max(mark.x, self.x0))
            behind = any(low < x < high for low, high, *_ in taken)
            ink.line(x, self.top - (0.0 if behind else 2.6), x, self.bottom, GREY, 0.18, "0.5 0.5")
            if groups and x < groups[-1][0] + 2.2 + 1.3 * (len(groups[-1][1]) + len(mark.number)):
                groups[-1] = (groups[-1][0], groups[-1][1], mark.number)
            else:
                groups.append((x, mark.number, mark.number))
        for x, first, last in groups:
            number = first if first == last else f"{first}\N{EN DASH}{last}"
            room = 1.4 + 1.3 * len(number)
            if x + room < self.right and not any(low - room < x < high for low, high, *_ in taken):
                ink.words(x + 0.6, self.top - 1.5, number, tint=GREY)

    def limits(self) -> list[LimitLine]:
        """Draw the limits inside the range and return the others."""
        ink, outside, named = self.ink, [], list[float]()
        for limit in self.panel.limits:
            if not math.isfinite(limit.y):
                continue
            if not self.y0 <= limit.y <= self.y1:
                outside.append(limit)
                continue
            x0, x1 = self.at_x(max(limit.x0, self.x0)), self.at_x(min(limit.x1, self.x1))
            if x1 - x0 < 0.05:
                continue
            y = self.at_y(limit.y)
            is_limit = limit.is_limit
            ink.line(
                x0,
                y,
                x1,
                y,
                _LIMIT if is_limit else GREY,
                0.3 if is_limit else 0.2,
                "2.6 0.6 0.5 0.6" if is_limit else "0.4 0.5",
            )
        # Names last and from the right: the newest stage's limits are the ones looked for.
        for limit in sorted(self.panel.limits, key=lambda item: -item.x1):
            y = self.at_y(limit.y) if self.y0 <= limit.y <= self.y1 else math.nan
            text = f"{limit.kind} {number_text(limit.y, self.panel.decimals, self.panel.say)}"
            # A stage too short for the words leaves them to the limits table.
            is_short = self.at_x(limit.x1) - self.at_x(max(limit.x0, self.x0)) < 1.25 * len(text)
            if not math.isfinite(y) or any(abs(y - other) < 2.4 for other in named):
                continue
            if is_short and limit.x1 < self.x1:
                continue
            named.append(y)
            x = min(self.at_x(min(limit.x1, self.x1)), self.right) - 0.6
            for t_s, _ in self.panel.trips:
                at = self.at_x(t_s)
                if x - 1.3 * len(text) - 1 < at < x + 1.4:
                    x = at - 1.2
            tint = _LIMIT if limit.is_limit else GREY
            above = y - self.top > 3.2
            ink.words(x, y - 1.5 if above else y + 1.6, text, "right", size=5.8, tint=tint, boxed=True)
        return outside

    def traces(self) -> None:
        for series in self.panel.series:
            present = np.isfinite(series.mid)
            at = np.flatnonzero(present)
            tint, dash = _TINTS[series.style], _DASHES[series.style]
            broken = series.missing if series.left_out is None else series.missing | series.left_out
            for run in _runs(broken, present):
                pick = at[run]
                x = self.x(series.x[pick])
                if len(pick) == 1:
                    # One lone column still has to be seen.
                    x = np.array([x[0] - 0.15, x[0] + 0.15])
                    pick = np.repeat(pick, 2)
                low, high = self.y(series.low[pick]), self.y(series.high[pick])
                if bool(np.any(low - high > 0.15)):
                    path = _points(x, high) + _points(x[::-1], low[::-1], "L")
                    self.ink.area(path, tint, 0.30 if series.style == 0 else 0.16, 0.0 if series.style == 0 else 0.12)
                self.ink.trace(_points(x, self.y(series.mid[pick])), tint, _WIDTHS[series.style], dash)

    def gaps(self) -> bool:
        """Mark where values are missing; true if anything is."""
        if not self.panel.series:
            return False
        any_missing = np.logical_or.reduce([s.missing for s in self.panel.series])
        x = self.panel.series[0].x
        if not len(x) or not bool(any_missing.any()):
            return False
        half = (x[1] - x[0]) / 2 if len(x) > 1 else FIRST_HALF_S
        empty = np.logical_and.reduce([~np.isfinite(s.mid) for s in self.panel.series])
        for x0, x1 in self._stretches(any_missing & empty, x, half):
            self.ink.box(x0, self.top, x1 - x0, self.bottom - self.top, "#dfe3e4")
        for x0, x1 in self._stretches(any_missing, x, half):
            self.ink.box(x0, self.bottom - 1.0, x1 - x0, 1.0, INK)
        return True

    def _stretches(self, marked: BoolArray, x: FloatArray, half: float) -> list[tuple[float, float]]:
        """Return marked columns as (from, to) in millimetres, none too narrow to be seen, none overlapping."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
        out: list[tuple[float, float]] = []
        for first, end in zip(edges[::2], edges[1::2], strict=True):
            x0, x1 = self.at_x(float(x[first] - half)), self.at_x(float(x[end - 1] + half))
            if x1 - x0 < _LEAST_GAP_MM:
                middle = (x0 + x1) / 2
                x0, x1 = middle - _LEAST_GAP_MM / 2, middle + _LEAST_GAP_MM / 2
            x0, x1 = max(x0, self.left, out[-1][1] if out else 0.0), min(x1, self.right)
            if x1 - x0 > 0.02:
                out.append((x0, x1))
        return out

    def strip(self) -> None:
        """Draw what the mains side did under the axis."""
        strip = self.panel.strip
        if strip is None or not len(strip.x):
            return
        half = (strip.x[1] - strip.x[0]) / 2 if len(strip.x) > 1 else FIRST_HALF_S
        code = np.where(~strip.seen, 0, np.where(~strip.mains_on, 1, np.where(strip.limiter_in, 2, 3)))
        # Columns without a frame inside an unbroken record belong to their neighbour.
        for k in range(1, len(code)):
            if code[k] == 0 and not any(s.missing[k] for s in self.panel.series):
                code[k] = code[k - 1]
        cuts = np.flatnonzero(np.diff(code)) + 1
        y = self.bottom + 0.9
        for first, end in zip((0, *cuts), (*cuts, len(code)), strict=True):
            x0, x1 = self.at_x(float(strip.x[first] - half)), self.at_x(float(strip.x[end - 1] + half))
            x0, x1, state = max(x0, self.left), min(x1, self.right), int(code[first])
            if state == 2:
                self.ink.line(x0, y, x1, y, INK, 0.9, "0.4 0.4")
            elif state == 3:
                self.ink.line(x0, y, x1, y, INK, 0.9)
            elif state == 1:
                self.ink.line(x0, y, x1, y, GREY, 0.15)

    def trips(self) -> None:
        ink = self.ink
        for t_s, _ in self.panel.trips:
            if not self.x0 <= t_s <= self.x1:
                continue
            x = self.at_x(t_s)
            ink.line(x, self.top, x, self.bottom, INK, 0.55)
            ink.marks.append(f'<path d="M{x:.2f} {self.top + 1.6:.2f}l-1.1 -1.9h2.2Z" fill="{INK}"/>')
        free_from = -math.inf
        for low, high, x, hang, name in self._trip_words():
            if low >= free_from:
                ink.words(x, self.top - 1.5, name, hang, bold=True)
                free_from = high

    def key(self, with_title: bool) -> None:
        y, x = self.top - _NUMBERS_MM - 1.6, self.left
        if with_title:
            self.ink.words(0.0, y, f"{self.panel.title}, {self.panel.unit}", size=7.2, bold=True)
            x = 46.0
        for series in self.panel.series:
            self.ink.line(x, y, x + 7, y, _TINTS[series.style], _WIDTHS[series.style] + 0.1, _DASHES[series.style])
            self.ink.words(x + 8, y, series.name)
            x += 12 + 1.28 * len(series.name)


FIRST_HALF_S = 0.05


def _panel(ink: _Ink, panel: Panel, top: float, height: float, x_span: tuple[float, float], last: bool) -> _Axes:
    axes = _Axes(ink, panel, top, height, x_span)
    axes.time(numbers=last)
    axes.frame()
    axes.gaps()
    axes.boundaries()
    axes.traces()
    axes.trips()
    return axes


def _outside_text(outside: Sequence[LimitLine], axes: _Axes) -> str:
    """Return in words the nearest limits, of each name, that the axis does not reach."""
    nearest: dict[tuple[str, bool], float] = {}
    for limit in outside:
        above = limit.y > axes.y1
        key = (limit.kind, above)
        known = nearest.get(key, limit.y)
        nearest[key] = min(known, limit.y) if above else max(known, limit.y)
    panel = axes.panel
    say = panel.say
    shown = [f"{kind} {number_text(y, panel.decimals, say)} {panel.unit}" for (kind, _), y in sorted(nearest.items())]
    return say("Beyond the scale, the nearest of each: {limits}.", limits=", ".join(shown)) if shown else ""


def _x_span(panels: Sequence[Panel]) -> tuple[float, float]:
    found = [s.x for p in panels for s in p.series if len(s.x)]
    if not found:
        return 0.0, 1.0
    low, high = min(float(x[0]) for x in found), max(float(x[-1]) for x in found)
    if 0 < low < 0.02 * high:
        low = 0.0
    return (low, high) if high - low > 1e-6 else (low - 0.5, high + 0.5)


def run_figure(panel: Panel, height: float = 53.0) -> Figure:
    """Return the plot of one group of channels over the run."""
    ink = _Ink()
    top = _KEY_MM + _NUMBERS_MM
    span = _x_span([panel])
    axes = _panel(ink, panel, top, height, span, last=True)
    outside = axes.limits()
    axes.strip()
    axes.key(with_title=True)
    total = top + height + _STRIP_MM + _AXIS_MM
    caption = _outside_text(outside, axes)
    names = ", ".join(s.name for s in panel.series)
    alt = panel.say("{title} over run time: {names}.", title=panel.title, names=names)
    return Figure(panel.title, caption, alt, WIDTH_MM, total, ink.svg(WIDTH_MM, total), tuple(ink.labels))


def stacked_figure(title: str, caption: str, panels: Sequence[Panel], height: float = 24.0) -> Figure:
    """Return several panels over one time axis, as for the scan around a trip."""
    ink = _Ink()
    span = _x_span(panels)
    top = 0.0
    notes = [caption]
    for number, panel in enumerate(panels, 1):
        top += _KEY_MM + 2.2
        axes = _panel(ink, panel, top, height, span, last=number == len(panels))
        notes.append(f"{panel.title}: {text}" if (text := _outside_text(axes.limits(), axes)) else "")
        axes.top += _NUMBERS_MM - 1.2
        axes.key(with_title=True)
        top += height
    total = top + _STRIP_MM + _AXIS_MM
    alt = f"{title}: {', '.join(p.title for p in panels)}."
    words = " ".join(note for note in notes if note)
    return Figure(title, words, alt, WIDTH_MM, total, ink.svg(WIDTH_MM, total), tuple(ink.labels))
