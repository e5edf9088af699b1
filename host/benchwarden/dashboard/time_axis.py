"""How run time is written along an axis, at any zoom."""

from __future__ import annotations

import math

_STEPS_S = (
    *(part * 10.0**power for power in (-3, -2, -1, 0) for part in (1, 2, 5)),
    *(10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0),
    *(3600.0, 7200.0, 10800.0, 21600.0, 43200.0, 86400.0, 172800.0, 604800.0),
)


def clock(t_s: float, decimals: int = 0) -> str:
    """Return run time as h:mm:ss, with decimals of a second where they are wanted."""
    whole = round(abs(t_s) * 10**decimals)
    seconds, part = divmod(whole, 10**decimals)
    sign = "−" if t_s < 0 and whole else ""
    tail = f".{part:0{decimals}d}" if decimals else ""
    return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{tail}"


def seconds_of(text: str) -> float:
    """Return run time in seconds from "h:mm:ss", "mm:ss" or "ss", decimals allowed.

    Raises:
        ValueError: it is none of these.
    """
    parts = text.strip().replace("−", "-").replace(",", ".").split(":")
    sign = -1.0 if parts[0].startswith("-") else 1.0
    numbers = [float(part) for part in parts]
    if len(numbers) > 3 or not all(math.isfinite(number) for number in numbers):
        raise ValueError(text)
    total = 0.0
    for number in numbers:
        total = total * 60.0 + abs(number)
    return sign * total


def ticks(start_s: float, stop_s: float, most: int = 7) -> tuple[list[float], list[str]]:
    """Return where the axis is marked, and each mark's words."""
    width_s = max(stop_s - start_s, 1e-3)
    step_s = next((step for step in _STEPS_S if width_s / step <= most), _STEPS_S[-1])
    while width_s / step_s > most:
        step_s *= 2.0
    first = math.ceil(start_s / step_s - 1e-9)
    places = [k * step_s for k in range(first, math.floor(stop_s / step_s + 1e-9) + 1)]
    decimals = max(0, -math.floor(math.log10(step_s) + 1e-9)) if step_s < 1.0 else 0
    return places, [clock(place, decimals) for place in places]
