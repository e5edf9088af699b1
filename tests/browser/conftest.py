"""A served run folder, a feeder that writes its status ten times a second, and Chromium."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_bench import Bench, Served
from playwright.sync_api import expect

# Passing tests do not wait; a busy machine may.
expect.set_options(timeout=15_000)

CHROMIUM = os.environ.get("BENCHWARDEN_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if CHROMIUM is None:
                item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": CHROMIUM, "args": list(FLAGS)}


@pytest.fixture(scope="session")
def base_url() -> str | None:
    """Stand in for the plugin's own, which this pytest reports as deprecated."""
    return None


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    found = Served(tmp_path_factory.mktemp("run"))
    yield found
    found.kill()


@pytest.fixture
def bench(served: Served) -> Iterator[Bench]:
    for path in served.run_dir.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()
    found = Bench(served.run_dir)
    yield found
    found.close()


@pytest.fixture(scope="session")
def context(browser: Any) -> Iterator[Any]:
    """One context for all tests, so that the page's programs are fetched once."""
    found = browser.new_context(viewport={"width": 1366, "height": 768})
    yield found
    found.close()


@pytest.fixture
def page(context: Any) -> Iterator[Any]:
    found = context.new_page()
    yield found
    found.close()


@pytest.fixture
def outside(context: Any, served: Served) -> Iterator[list[str]]:
    """Every request that went anywhere else than to the dashboard."""
    found: list[str] = []

    def note(request: Any) -> None:
        if not request.url.startswith((served.url, "data:", "blob:")):
            found.append(request.url)

    context.on("request", note)
    yield found
    context.remove_listener("request", note)
    assert found == []


@pytest.fixture
def live(page: Any, served: Served, bench: Bench, outside: list[str]) -> Iterator[Any]:
    """The page, open and complete, with no complaint of the browser until the test ends."""
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    bench.show("holding")
    page.goto(served.url)
    page.wait_for_selector("#channels tr")
    page.complaints = complaints
    yield page
    assert complaints == []
