"""Make the pictures of the README: python tests/pictures.py [folder].

A power-up of the demo amplifier is played on the virtual bench, by its scripted
technician, and the dashboard is photographed in headless Chromium while it runs
and after its trip. Without a folder they go to recordings/pictures.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
TALL, PHONE = {"width": 1366, "height": 1640}, {"width": 390, "height": 844}
# Slow enough to be photographed, quick enough to wait for.
SPEED = 12.0
LONGEST_S = 300.0


def _status(runs: Path) -> dict[str, Any]:
    for path in sorted(runs.glob("*/status.json"), reverse=True):
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return found
    return {}


def _wait(runs: Path, there: Callable[[dict[str, Any]], bool]) -> None:
    until_s = time.monotonic() + LONGEST_S
    while time.monotonic() < until_s:
        found = _status(runs)
        if found and there(found):
            return
        time.sleep(0.2)
    raise SystemExit("the run did not get there in time")


def _shoot(page: Page, url: str, path: Path, ready: str) -> None:
    page.goto(url)
    page.wait_for_selector(ready)
    page.wait_for_timeout(2500)
    page.screenshot(path=path)
    print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


def main() -> None:
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "recordings" / "pictures"
    target.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        runs = Path(folder) / "runs"
        program = [sys.executable, "-u", "-m", "benchwarden"]
        # The marginal loop of the demo is caught late enough for its forecast to be seen.
        demo = subprocess.Popen(
            [*program, "demo", "--speed", f"{SPEED:g}", "--runs", str(runs), "--no-page"],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
        site = subprocess.Popen([*program, "page", "--runs", str(runs)], cwd=folder, stdout=subprocess.PIPE, text=True)
        assert site.stdout is not None
        url = site.stdout.readline().split()[-1]
        browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
        try:
            light = browser.new_page(viewport=TALL)
            dark = browser.new_page(viewport=TALL, color_scheme="dark")
            phone = browser.new_page(viewport=PHONE, device_scale_factor=1)
            _wait(runs, lambda s: s["t_s"] > 400.0 and all(o["ahead"] for o in s["outlook"].values()))
            _shoot(light, url, target / "bench.png", "#channels tr")
            _wait(runs, lambda s: bool(s["verdict"]))
            _shoot(phone, url, target / "tripped-phone.png", "#channels tr")
            _shoot(dark, f"{url}bias/", target / "bias-dark.png", "#bias-over-time .scatterlayer .trace")
        finally:
            browser.close()
            site.terminate()
            demo.terminate()
            site.wait()
            demo.wait()


if __name__ == "__main__":
    main()
