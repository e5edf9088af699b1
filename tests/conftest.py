"""Options and rules for every test: where a board is, and what may be skipped."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator

import hypothesis
import pytest
from xdist.scheduler.loadscope import LoadScopeScheduling

# A busy machine is no fault of what is tested; speed has benchmarks of its own.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

MAY_SKIP = ("hardware", "emulator")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--port", default=None, help="serial port of a real board, for tests marked hardware")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    no_board = pytest.mark.skip(reason="needs a real board: --port")
    no_image = pytest.mark.skip(reason="needs a board image: set BENCHWARDEN_UF2")
    for item in items:
        if item.get_closest_marker("hardware") and not config.getoption("--port"):
            item.add_marker(no_board)
        if item.get_closest_marker("emulator") and not os.environ.get("BENCHWARDEN_UF2"):
            item.add_marker(no_image)


class _ByFile(LoadScopeScheduling):
    """Two groups run at a time: a file each, but all that looks at a clock through a browser in one.

    The plugin's own groups are told by marks, which this pytest's test names do not carry.
    """

    def _split_scope(self, nodeid: str) -> str:
        path = nodeid.split("::", 1)[0]
        return "browser" if "browser/" in path else path


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> _ByFile:
    return _ByFile(config, log)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """Where everything is installed, a skip would hide a hole: it counts as a failure."""
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]
    strict = os.environ.get("BENCHWARDEN_CI") == "1"
    if strict and report.skipped and not any(item.get_closest_marker(m) for m in MAY_SKIP):
        report.outcome = "failed"
        report.longrepr = f"skipped under BENCHWARDEN_CI=1: {report.longrepr}"


@pytest.fixture(autouse=True)
def _no_thread_left(request: pytest.FixtureRequest) -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    if request.node.get_closest_marker("browser"):
        return  # the browser driver keeps its own threads for the session
    left = [t.name for t in threading.enumerate() if t not in before and not t.daemon]
    assert not left, f"threads left running: {left}"
