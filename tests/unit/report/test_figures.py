"""Printed plots: what must be visible is in the geometry."""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchwarden.report.figures import (
    WIDTH_MM,
    Boundary,
    Figure,
    LimitLine,
    Panel,
    Series,
    nice_step,
    run_figure,
    stacked_figure,
    time_axis,
    y_range,
)


def series(y: np.ndarray, style: int = 0, spread: float = 0.0, missing: np.ndarray | None = None) -> Series:
    x = np.arange(len(y), dtype=float)
    gone = np.isnan(y) if missing is None else missing
    return Series(f"trace {style}", x, y - spread, y + spread, y, gone, style)


def paths(figure: Figure) -> list[tuple[str, str]]:
    """Return (d, the rest of the element) of every path."""
    return [(d, rest) for d, rest in re.findall(r'<path d="([^"]*)"([^>]*)/>', figure.svg)]


def traces(figure: Figure) -> list[str]:
    return [d for d, rest in paths(figure) if "stroke-linejoin" in rest]


def test_nothing_in_the_svg_is_text() -> None:
    panel = Panel('"><script>x</script>', "V", (series(np.ones(5)),), boundaries=(Boundary(2, "</svg>"),))
    figure = run_figure(panel)
    assert "script" not in figure.svg
    assert "<text" not in figure.svg
    assert figure.svg.count("</svg>") == 1


def test_series_differ_in_grey() -> None:
    panel = Panel("p", "V", tuple(series(np.full(9, float(k)), k) for k in range(3)))
    dashes = set()
    for _, rest in paths(run_figure(panel)):
        if "stroke-linejoin" in rest:
            found = re.search(r'stroke-dasharray="([^"]*)"', rest)
            dashes.add(found.group(1) if found else "")
    assert len(dashes) == 3


def test_a_gap_breaks_the_trace_and_is_shaded_and_marked() -> None:
    y = np.ones(200)
    y[80:120] = np.nan
    whole = run_figure(Panel("p", "V", (series(np.ones(200)),)))
    broken = run_figure(Panel("p", "V", (series(y),)))
    assert len(traces(whole)) == 1
    assert len(traces(broken)) == 2
    assert whole.svg.count("<rect") == 0
    assert broken.svg.count("<rect") == 2
    # No trace point lies inside the gap.
    x = [float(v) for d in traces(broken) for v in re.findall(r"[ML]([\d.]+) ", d)]
    left, right = 15.0, WIDTH_MM - 3.0
    inside = [v for v in x if 80 / 199 < (v - left) / (right - left) < 119 / 199]
    assert not inside


def test_a_gap_too_short_to_see_is_widened_until_it_shows() -> None:
    missing = np.zeros(5000, dtype=bool)
    missing[2500] = True
    figure = run_figure(Panel("p", "V", (series(np.ones(5000), missing=missing),)))
    widths = [float(w) for w in re.findall(r'<rect [^>]*width="([\d.]+)"', figure.svg)]
    assert widths == [pytest.approx(0.5, abs=0.02)]


def test_an_empty_column_that_is_not_missing_does_not_break_the_trace() -> None:
    y = np.ones(50)
    y[10] = np.nan
    figure = run_figure(Panel("p", "V", (series(y, missing=np.zeros(50, dtype=bool)),)))
    assert len(traces(figure)) == 1


def test_the_tint_reaches_the_extremes() -> None:
    y = np.zeros(100)
    one = series(y)
    high = y.copy()
    high[40] = 3.0
    spiked = Series("s", one.x, y, high, y, one.missing, 0)
    figure = run_figure(Panel("p", "V", (spiked,)))
    areas = [d for d, rest in paths(figure) if "fill-opacity" in rest]
    assert len(areas) == 1
    heights = [float(v) for v in re.findall(r"[ML][\d.]+ ([\d.]+)", areas[0])]
    low, top = y_range(Panel("p", "V", (spiked,)))
    assert top > 3.0
    axis = [float(v) for v in re.findall(r'M15.00 ([\d.]+)L15.00 [\d.]+" stroke="#17262b"', figure.svg)]
    bottom = min(axis) + 53.0
    assert min(heights) == pytest.approx(bottom - (3.0 - low) / (top - low) * 53.0, abs=0.02)


def test_near_limits_are_drawn_and_far_ones_are_told() -> None:
    near, far = LimitLine(0, 99, 1.4), LimitLine(0, 50, 250.0)
    figure = run_figure(Panel("p", "A", (series(np.linspace(0, 1, 100)),), (near, far, LimitLine(50, 99, 300.0))))
    assert figure.caption == "Beyond the scale, the nearest of each: limit 250.00 A."
    assert [label.text for label in figure.labels if label.text.startswith("limit")] == ["limit 1.40"]
    assert "2.6 0.6 0.5 0.6" in figure.svg


def test_a_trip_is_marked_by_more_than_a_line() -> None:
    figure = run_figure(Panel("p", "A", (series(np.ones(100)),), trips=((50.0, "trip: oscillation"),)))
    assert "trip: oscillation" in [label.text for label in figure.labels]
    assert any(d.endswith("h2.2Z") for d, _ in paths(figure))


@pytest.mark.parametrize("span_s", [0.5, 2.5, 59.0, 700.0, 5400.0, 86_400.0, 259_200.0])
def test_time_axes_have_a_readable_number_of_marks(span_s: float) -> None:
    step, per, unit = time_axis(span_s)
    assert 3 <= span_s / step <= 13.5
    assert {"s": 1.0, "min": 60.0, "h": 3600.0}[unit] == per


@pytest.mark.parametrize(("span", "step"), [(1.0, 0.2), (7.0, 2.0), (0.013, 0.005), (42.0, 10.0), (100.0, 20.0)])
def test_nice_steps(span: float, step: float) -> None:
    assert nice_step(span, 5) == pytest.approx(step)


def test_every_label_hangs_inside_its_figure() -> None:
    y = np.linspace(-50, 50, 400)
    panel = Panel(
        "Rail voltage",
        "V",
        (series(y), series(-y, 1)),
        (LimitLine(0, 399, 55.0), LimitLine(0, 399, -55.0)),
        tuple(Boundary(40.0 * k, str(k)) for k in range(10)),
        ((1.0, "trip: host-silent"), (398.0, "trip: rail-missing")),
    )
    for figure in (run_figure(panel), stacked_figure("t", "c", [panel, panel, panel])):
        for label in figure.labels:
            assert 0 <= label.x <= figure.width
            assert 0 <= label.y <= figure.height


def test_quiet_data_are_not_blown_up_and_stay_above_zero_where_they_are() -> None:
    low, high = y_range(Panel("HF level", "V", (series(np.full(10, 0.012)),), least_span=0.1))
    assert high - low >= 0.1
    assert -0.01 < low < 0.012


def test_flat_empty_and_single_column_data_are_drawn() -> None:
    for y in (np.zeros(0), np.zeros(1), np.full(3, np.nan), np.zeros(5)):
        figure = run_figure(Panel("p", "V", (series(y),)))
        assert "nan" not in figure.svg
        assert "inf" not in figure.svg
