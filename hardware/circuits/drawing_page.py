"""One page of a drawing: shapes and text at known places, out as SVG.

Lengths are grid units of 12.7 mm (36 points); x grows to the right, y upwards,
the lower left corner of the frame is (0, 0). The page remembers every box of
text and every line, so that a program can say whether anything collides.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import schemdraw
from schemdraw import elements as elm
from schemdraw.segments import Segment, SegmentCircle, SegmentPoly, SegmentText

POINTS_PER_UNIT = 36.0
FONT = "Helvetica,Arial,Liberation Sans,sans-serif"
INK = "#111111"

Point = tuple[float, float]

# Advance widths in ems, rounded up from DejaVu Sans, the widest of the fonts a
# viewer is likely to put in the place of Helvetica.
_WIDTHS = (
    ("ijl'|", 0.28),
    (" .,:;I!ft()[]-/\\r", 0.40),
    ('_*"', 0.50),
    ("abcdeghknopqsuvxyz0123456789?$#", 0.63),
    ("+=<>~±×≤≥→−", 0.84),
    ("mwMW%@Ω", 0.98),
)


def text_width(text: str, size: float) -> float:
    """Return an upper estimate of a line's width, grid units; `size` in points."""
    ems = sum(next((w for chars, w in _WIDTHS if c in chars), 0.76) for c in text)
    return ems * size / POINTS_PER_UNIT


@dataclass(frozen=True)
class TextBox:
    """Where a line of text stands: edges in grid units."""

    text: str
    left: float
    bottom: float
    right: float
    top: float

    def meets(self, other: TextBox) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.bottom < other.top and other.bottom < self.top
        )

    def is_crossed_by(self, a: Point, b: Point) -> bool:
        """Does the straight line from a to b run through the box? Clips it edge by edge."""
        start, end = 0.0, 1.0
        for origin, step, low, high in (
            (a[0], b[0] - a[0], self.left, self.right),
            (a[1], b[1] - a[1], self.bottom, self.top),
        ):
            if abs(step) < 1e-9:
                if not low < origin < high:
                    return False
                continue
            first, last = sorted(((low - origin) / step, (high - origin) / step))
            start, end = max(start, first), min(end, last)
        return end - start > 1e-6


class Page:
    """A framed sheet that collects shapes and writes them as SVG.

    Args:
        title: stands in the title block.
        note: a line under the title.
        width, height: of the frame, grid units.
    """

    def __init__(self, title: str, note: str, width: float, height: float) -> None:
        self.title = title
        self.width = width
        self.height = height
        self.texts: list[TextBox] = []
        self.lines: list[tuple[Point, Point]] = []
        self._drawing = schemdraw.Drawing(
            canvas="svg", show=False, margin=0.0, inches_per_unit=POINTS_PER_UNIT / 72.0, font=FONT, lw=1.2, color=INK
        )
        self.rectangle((0.0, 0.0), (width, height), lw=1.5)
        self.text((0.3, height - 0.65), title, size=17)
        self.text((0.3, height - 1.1), note, size=10)

    def line(
        self, points: Sequence[Point], color: str = INK, lw: float = 1.2, dashed: bool = False, obstacle: bool = True
    ) -> None:
        """Draw a line through the points; `obstacle` says that text may not stand on it."""
        self._add(Segment(points, color=color, lw=lw, ls="--" if dashed else "-"))
        if obstacle:
            self.lines.extend(pairwise(points))

    def rectangle(
        self, low: Point, high: Point, color: str = INK, lw: float = 1.2, fill: str = "none", dashed: bool = False
    ) -> None:
        corners = [low, (high[0], low[1]), high, (low[0], high[1])]
        self._add(SegmentPoly(corners, color=color, lw=lw, fill=fill, ls="--" if dashed else "-", zorder=0))
        self.lines.extend(zip(corners, [*corners[1:], corners[0]], strict=True))

    def polygon(self, points: Sequence[Point], color: str = INK, fill: str = "none", lw: float = 1.2) -> None:
        self._add(SegmentPoly(points, color=color, lw=lw, fill=fill))
        self.lines.extend(zip(points, [*points[1:], points[0]], strict=True))

    def circle(
        self,
        center: Point,
        radius: float,
        color: str = INK,
        fill: str = "none",
        lw: float = 1.2,
        obstacle: bool = True,
    ) -> None:
        self._add(SegmentCircle(center, radius, color=color, fill=fill, lw=lw, zorder=2))
        x, y = center
        if obstacle and radius > 0.1:
            # Two diameters stand for the disc when text is looked for on it.
            self.lines.append(((x - radius, y), (x + radius, y)))
            self.lines.append(((x, y - radius), (x, y + radius)))

    def dot(self, at: Point, color: str = INK) -> None:
        self._add(SegmentCircle(at, 0.07, color=color, fill=color, lw=0.5, zorder=4))

    def element(self, element: elm.Element, start: Point, end: Point, color: str = INK) -> None:
        """Draw a library symbol with two ends from `start` to `end`."""
        self._drawing.add(element.endpoints(start, end).color(color))

    def text(self, at: Point, text: str, size: float = 10.0, align: str = "left", color: str = INK) -> None:
        """Write lines whose first baseline starts, is centred or ends at a point."""
        x, y = at
        for line in text.split("\n") if text else ():
            width = text_width(line, size)
            left = {"left": x, "center": x - width / 2, "right": x - width}[align]
            height = size / POINTS_PER_UNIT
            self.texts.append(TextBox(line, left, y - 0.18 * height, left + width, y + 0.76 * height))
            # The library parses labels as XML and escapes only the angle brackets.
            escaped = line.replace("&", "&amp;")
            self._add(SegmentText((x, y), escaped, align=(align, "base"), fontsize=size, color=color))
            y -= 1.25 * height

    def _add(self, segment: object) -> None:
        element = elm.Element()
        element.segments.append(segment)
        self._drawing.add(element.at((0.0, 0.0)).theta(0.0))

    def collisions(self) -> Iterator[str]:
        """Tell every text that leaves the page, meets another text or stands on a line."""
        for box in self.texts:
            if box.left < 0.05 or box.bottom < 0.05 or box.right > self.width - 0.05 or box.top > self.height - 0.05:
                yield f"{box.text!r} leaves the page at ({box.left:.2f}, {box.bottom:.2f})"
            for a, b in self.lines:
                if box.is_crossed_by(a, b):
                    yield f"{box.text!r} at ({box.left:.2f}, {box.bottom:.2f}) stands on a line {a} to {b}"
                    break
        for one, other in combinations(self.texts, 2):
            if one.meets(other):
                yield f"{one.text!r} meets {other.text!r} at ({one.left:.2f}, {one.bottom:.2f})"

    def svg(self) -> str:
        """Return the page as an SVG document."""
        self._drawing.config(bgcolor="white")
        text = self._drawing.get_imagedata("svg").decode()
        # The library writes its solid line style into the dash pattern, which
        # strict viewers report, and some coordinates with all the digits of a
        # float, which need not be the same on every machine.
        text = text.replace("stroke-dasharray:-;", "")
        text = re.sub(r"-?\d+\.\d{4,}", lambda found: f"{float(found[0]):.3f}".rstrip("0").rstrip("."), text)
        return re.sub(r"><(?!tspan|/text|/svg)", ">\n<", text) + "\n"
