"""A whole supervised power-up on the virtual bench: one by clicks, one by the keyboard alone.

Both are driven in one go, each by its own dashboard, so that the stages' waiting
passes once. The firmware, the supervisor and the dashboard are the real ones.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_bench import Served
from playwright.sync_api import Browser, Page, expect
from playwright.sync_api import TimeoutError as PlaywrightTimeout

# Slow enough that the ten minutes a prompt waits are two of the browser's.
SPEED = 5.0
# Half an hour of idling shows no more of the page than half a minute of it.
PLAN = "".join(
    f'[stage."{name}"]\nhold_s = {hold_s}\n'
    for name, hold_s in (("limiter 100 %", 5), ("direct 100 %", 5), ("idle soak", 30))
)
LONGEST_S = 240.0


class Demo:
    """`benchwarden demo --by-hand` as its own process, and a dashboard that follows its runs folder."""

    def __init__(self, root: Path) -> None:
        self.runs = root / "runs"
        # There before the run: a technician has the page open.
        self.site = Served(None, root)
        self.url = self.site.url
        plan = root / "plan.toml"
        plan.write_text(PLAN, encoding="utf-8")
        command = [sys.executable, "-u", "-m", "benchwarden", "demo", "--by-hand", "--fault", "none", "--no-page"]
        command += ["--speed", f"{SPEED:g}", "--runs", str(self.runs), "--plan", str(plan)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=root
        )

    def wait(self) -> int:
        """Return its exit code; reads what it still says, so that it never waits for a reader."""
        self._process.communicate(timeout=60)
        return self._process.returncode

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()
        self.site.kill()


@pytest.fixture
def demos(tmp_path: Path) -> Iterator[list[Demo]]:
    found: list[Demo] = []
    try:
        for name in ("clicks", "keys"):
            (tmp_path / name).mkdir()
            found.append(Demo(tmp_path / name))
        yield found
    finally:
        for demo in found:
            demo.kill()


def by_clicks(page: Page) -> None:
    """Press what is offered: the second step where it is open, else the first where there is one."""
    for name in ("confirm-second", "confirm-first"):
        button = page.locator(f"#{name}")
        if button.is_visible():
            # A prompt may go away between looking and pressing.
            with contextlib.suppress(PlaywrightTimeout):
                button.click(timeout=5000)
            return


def by_keys(page: Page) -> None:
    """The same with Tab and Enter, from wherever the focus is."""
    for name in ("confirm-second", "confirm-first"):
        if page.locator(f"#{name}").is_visible():
            if _tab_to(page, name):
                page.keyboard.press("Enter")
            return


def _tab_to(page: Page, name: str) -> bool:
    for _ in range(60):
        if page.evaluate("document.activeElement.id") == name:
            return True
        page.keyboard.press("Tab")
    return False


@pytest.mark.slow
def test_a_power_up_by_clicks_and_by_keys_alone(browser: Browser, demos: list[Demo]) -> None:
    ways: list[Callable[[Page], None]] = [by_clicks, by_keys]
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    pages = [context.new_page() for _ in demos]
    seen: list[set[str]] = [set() for _ in demos]
    over = [False for _ in demos]
    try:
        for page, demo in zip(pages, demos, strict=True):
            page.goto(demo.url)
            # A page that was open before the run comes anew with it.
            expect(page.locator("#now")).to_contain_text("cold check", timeout=60_000)
        until_s = time.monotonic() + LONGEST_S
        while not all(over) and time.monotonic() < until_s:
            for k, page in enumerate(pages):
                if over[k]:
                    continue
                # A page behind the other is drawn once a second at most, and a click waits for two pictures.
                page.bring_to_front()
                ways[k](page)
                # No faster than a person: two presses within 0.4 s count as one.
                page.wait_for_timeout(300)
                seen[k].add(page.locator("#now .phase").inner_text())
                seen[k] |= {f"proof: {text}" for text in page.locator("#proofs li").all_inner_texts()}
                seen[k] |= {f"said: {page.locator('#confirm-said').inner_text()} {page.locator('#shout').inner_text()}"}
                seen[k] |= {f"pot: {text}" for text in page.locator(".pot-says dd").all_inner_texts()}
                over[k] = "Verdict: pass" in page.locator("#now").inner_text()
        for k, page in enumerate(pages):
            assert over[k], sorted(text for text in seen[k] if text.startswith("said: "))
            expect(page.locator("#dock-said")).to_contain_text("OPEN: mains is off")
            # What the hands did was proven by readings, on the page and in the stages' reasons.
            proofs = [text for text in seen[k] if text.startswith("proof: ")]
            assert any("✓ Positive rail" in text for text in proofs)
            assert any("Limiter lamp, read back bypassed" in text for text in proofs)
            assert any(text.startswith("pot: ") for text in seen[k])
            stages = page.locator("#stages").inner_text()
            assert "Positive rail 42" in stages
            assert "now" not in page.locator(".stage-state").all_inner_texts()
    finally:
        context.close()
    for demo in demos:
        assert demo.wait() == 0
        (run_dir,) = [path for path in demo.runs.iterdir() if path.is_dir()]
        verdict: dict[str, Any] = json.loads((run_dir / "verdict.json").read_text())
        assert verdict["verdict"] == "pass"
        assert verdict["trips"] == []
        status = json.loads((run_dir / "status.json").read_text())
        confirmed = [m["text"] for m in status["messages"] if m["text"].startswith("Confirmed (dashboard)")]
        # Cold check, closing, lamp out, pots, hands off.
        assert len(confirmed) >= 5
