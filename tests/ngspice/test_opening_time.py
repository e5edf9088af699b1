"""The opening-time page says what the simulation finds."""

import pytest

from circuits import opening_time
from circuits.relay_bench import LET_GO_A, chain, edges, population

pytestmark = pytest.mark.ngspice

ON = [(0.0, 0.0), (1e-3, 3.3)]


def test_the_page_is_the_one_the_program_writes():
    assert opening_time.PAGE.read_text(encoding="utf-8") == opening_time.page()


def test_the_coil_lets_go_in_the_time_on_the_page():
    pulse = edges(5e-3, 0.22)
    for how in ({"enable": [*ON, (0.2, 0.0)]}, {"enable": ON, "stop_pressed_at_s": 0.2}):
        got = chain(0.22, pulse=pulse, values={"K1": 1.2}, step_s=1e-5, **how)
        let_go_ms = (got.first_below("coil", LET_GO_A, 0.2) - 0.2) * 1e3
        assert 0.4 * opening_time.COIL_MS < let_go_ms < opening_time.COIL_MS


def test_the_pump_lets_go_in_the_time_on_the_page():
    pulse = edges(5e-3, 0.2)
    last = pulse[-1][0]
    t_s, coil = population(40, 23, 0.29, [(t, 5.0 - 5.0 * v / 3.3) for t, v in pulse])
    worst_ms = (t_s[(coil.max(axis=1) > LET_GO_A) & (t_s > last)].max() - last) * 1e3
    assert 0.6 * opening_time.PUMP_MS < worst_ms < opening_time.PUMP_MS
