"""A firmware built on fake pins, in virtual time."""

from __future__ import annotations

from collections.abc import Iterator

import firmware_fakes as fakes
import pytest
from firmware_bench import Bench


@pytest.fixture
def bench() -> Iterator[Bench]:
    with fakes.installed() as clock:
        made = Bench(clock)
        made.run(100)
        yield made
