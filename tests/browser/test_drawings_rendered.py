"""The drawings as a browser really sets them: no line of text over another, none outside the page."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

DRAWINGS = sorted((Path(__file__).parents[2] / "hardware" / "drawings").glob("*.svg"))
# Font boxes carry leading that no letter reaches into, a fifth above and below.
LEADING = 0.2

BOXES = """() => {
    const page = document.documentElement.viewBox.baseVal;
    const boxes = [...document.querySelectorAll('text')].map(text => {
        const box = text.getBBox();
        return [text.textContent, box.x, box.y, box.width, box.height];
    });
    return {page: [page.x, page.y, page.width, page.height], boxes};
}"""


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.stem)
def test_text_is_apart_and_on_the_page(page: Page, path: Path) -> None:
    page.goto(path.as_uri())
    got: dict[str, Any] = page.evaluate(BOXES)
    left, top, width, height = got["page"]
    shrunk = [(text, x, y + LEADING * h, x + w, y + (1 - LEADING) * h) for text, x, y, w, h in got["boxes"] if w]
    assert len(shrunk) > 15
    outside = [t for t, x0, y0, x1, y1 in shrunk if x0 < left or y0 < top or x1 > left + width or y1 > top + height]
    over = [
        (a[0], b[0]) for a, b in combinations(shrunk, 2) if a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]
    ]
    assert outside == []
    assert over == []


def test_there_are_drawings() -> None:
    assert len(DRAWINGS) >= 14
