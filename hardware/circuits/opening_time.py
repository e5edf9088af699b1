"""How long from a cause to an open contact, added up; writes hardware/opening-time.md."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

PAGE = Path(__file__).parents[1] / "opening-time.md"

# The most that simulation may find, ms; tests/ngspice/test_opening_time.py holds them to it.
COIL_MS = 1.5  # enable or stop opens, 1.2 H, to 10 % of the current
PUMP_MS = 60.0  # last edge to 10 % of the current, every board within tolerance
LATCH_MS = 0.01

RELAY = (
    "relay release, guided contacts",
    15.0,
    "makers of guided relays say 10 to 15 ms, from memory; 3 ms for a plain one (Finder 40 series sheet)",
)
ARC = ("arc until the next current zero", 10.0, "half a cycle at 50 Hz")
COIL = ("transistor and coil current", COIL_MS, "simulated, coil of 1.2 H")
SCAN = ("scan, worst of 1148 trips", 12.5, "measured on the emulated board, not on silicon")


@dataclass(frozen=True)
class Way:
    """One way from a cause to the contact: (what, milliseconds, source) each."""

    name: str
    steps: tuple[tuple[str, float, str], ...]

    def total_ms(self) -> float:
        return sum(ms for _, ms, _ in self.steps)


_CONVERSION = ("INA228: one shunt and one bus conversion of 540 us", 1.08, "SLYS021A, as set by the firmware")
_FILTER = ("input filter, five time constants of 2 us", 0.01, "R2, R3, C1 of the rail module")
_LINE = ("isolator and latch", LATCH_MS, "simulated; isolator 11 ns, from memory")

PATHS = (
    Way(
        "over-current, alert line and interrupt",
        (
            _FILTER,
            _CONVERSION,
            _LINE,
            ("interrupt to enable low", 0.021, "measured on the emulated board"),
            COIL,
            RELAY,
            ARC,
        ),
    ),
    Way(
        "over-current, alert latch alone (no processor)",
        (
            _FILTER,
            _CONVERSION,
            _LINE,
            ("charge pump runs out", PUMP_MS, "simulated, 200 boards within tolerance"),
            RELAY,
            ARC,
        ),
    ),
    Way(
        "limit seen by the scan", (("averaged conversion", 4.3, "SLYS021A: four times 1.08 ms"), SCAN, COIL, RELAY, ARC)
    ),
    Way("host silent, after the lease has run out", (SCAN, COIL, RELAY, ARC)),
    Way("loop stalled", (("charge pump runs out", PUMP_MS, "simulated, 200 boards within tolerance"), RELAY, ARC)),
    Way("emergency stop", (COIL, RELAY, ARC)),
    Way(
        "USB supply lost",
        (("charge pump runs out", PUMP_MS, "simulated, 5 V gone at once; its capacitors add to this"), RELAY, ARC),
    ),
    Way(
        "coil supply lost",
        (
            ("adapter and C3 discharge through both coils", 400.0, "1100 uF, assumed, into 142 ohm to a tenth: 360 ms"),
            RELAY,
            ARC,
        ),
    ),
)


def page() -> str:
    """Return the page."""
    out = [
        "# From a cause to an open contact",
        "",
        "Worst figures added up, in milliseconds. Made by `python -m circuits.opening_time`;",
        "the simulated ones are held by a test. Nothing here has been measured on a built",
        "board: `benchwarden commission` measures yours. The time a limit must persist before",
        "it counts (in the plan) comes before all of this. Reservoirs stay charged and go on",
        "feeding a fault after the contact has opened.",
        "",
    ]
    for path in PATHS:
        out += [f"## {path.name}: {path.total_ms():.1f} ms", "", "| step | ms | source |", "|---|---|---|"]
        out += [f"| {what} | {ms:g} | {source} |" for what, ms, source in path.steps]
        out += [""]
    return "\n".join(out)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
