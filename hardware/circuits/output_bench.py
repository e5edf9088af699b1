"""The output module on the simulator: what its converter sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits import spice
from circuits.netlist import Part
from circuits.ngspice import run
from circuits.sheets.output_module import LEFT

ANALOGUE = [
    p.ref for p in LEFT.parts if p.kind in ("R", "C", "D", "D2", "Z") and p.ref not in ("R13", "R14", "C8", "D4")
]
ANALOGUE = [ref for ref in ANALOGUE if ref not in ("C9", "C10", "C11", "C12", "C13")]
DETECTOR = ["C5", "R9", "C6", "R10", "D3", "C7", "R11", "R12"]
HF_HZ = (1e5, 2e5, 1e6, 5e6, 1e7)
HF_PEAKS_V = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0)
# How well the firmware's law, one rational term, follows the middle of the band: worst at 1 V.
FIT_SHARE = 0.045
_CYCLES = 200


def static(offset_v: float = 0.0, bias_v: float = 0.0) -> dict[str, float]:
    """Return the differences that the converter sees, volts, its inputs loading one at a time.

    Args:
        offset_v: terminal against amp 0 V.
        bias_v: drop across the emitter resistor.
    """
    found: dict[str, float] = {}
    for name, plus, scale_v in (("offset", "ain2", 2.048), ("bias", "ain0", 0.256)):
        deck = spice.deck(
            "static",
            spice.lines(LEFT, "GM", only=ANALOGUE),
            ["v_33 v33 0 3.3", f"v_o term amp0 {offset_v}", f"v_b emit term {bias_v}"],
            spice.ads_input("u1", plus, "term", scale_v),
        )
        got = run(deck, "op", [f"v({plus})", "v(term)"])
        found[name] = float(got[f"v({plus})"][0] - got["v(term)"][0])
    return found


def response(source: str, node: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies and gain from a lead ("offset" or "bias") to a node against the terminal."""
    drive = {"offset": ("v_o term amp0 0 ac 1", "v_b emit term 0"), "bias": ("v_o term amp0 0", "v_b emit term 0 ac 1")}
    deck = spice.deck(
        "response",
        spice.lines(LEFT, "TERM", only=ANALOGUE),
        ["v_33 v33 gm 3.3"],
        [line.replace(" term ", " 0 ") for line in drive[source]],
    )
    got = run(deck, "ac dec 40 0.1 10k", [f"v({node})"])
    return np.real(got["x"]), np.abs(got[f"v({node})"])


def hf_volts(hertz: float, peak_v: float) -> float:
    """Return the held voltage at the converter, settled.

    C7 is taken so that it holds 200 cycles, and the sag between peaks of the
    drawn value put back: at 10 MHz it holds a hundred thousand.
    """
    ohm = LEFT.part("R11").si() + LEFT.part("R12").si()
    held_s = ohm * LEFT.part("C7").si()
    held = max(peak_v * 0.9 - 0.2, 0.003)
    for cycles, hold in ((260, 60), (260, 60), (400, _CYCLES)):
        deck = spice.deck(
            "hf",
            spice.lines(LEFT, "TERM", only=DETECTOR, values={"C7": hold / hertz / ohm}),
            [f"v_s amp0 0 sin(0 {peak_v} {hertz})", f".ic v(peak)={held}"],
        )
        step, stop = 1 / hertz / 40, cycles / hertz
        got = run(deck, f"tran {step} {stop} {stop - 10 / hertz} {step} uic", ["v(peak)"])
        x, y = got["x"], got["v(peak)"]
        held = float(np.trapezoid(y, x) / (x[-1] - x[0]))
    sag = (1 + 1 / (2 * _CYCLES)) / (1 + 1 / (2 * held_s * hertz))
    return held * sag * LEFT.part("R12").si() / ohm


def low_frequency_volts(hertz: float, peak_v: float) -> float:
    """Return the mean held voltage at the converter for a signal below the band."""
    deck = spice.deck("audio", spice.lines(LEFT, "TERM", only=DETECTOR), [f"v_s amp0 0 sin(0 {peak_v} {hertz})"])
    got = run(deck, f"tran {1 / hertz / 200} {50 / hertz} {45 / hertz} {1 / hertz / 200} uic", ["v(ain1)"])
    return float(got["v(ain1)"].mean())


def hold_s() -> float:
    """Return how long a held level takes to fall to 1/e."""
    deck = spice.deck("hold", spice.lines(LEFT, "TERM", only=DETECTOR), ["v_s amp0 0 0", ".ic v(peak)=10"])
    got = run(deck, "tran 20u 40m 0 50u uic", ["v(peak)"])
    return float(np.interp(-10 / np.e, -got["v(peak)"], got["x"]))


@dataclass(frozen=True)
class Overload:
    """
    Attributes:
        pin_a: the most that flows into a pin of the converter.
        hottest_share: power over rating of the resistor that is nearest to its own.
        hottest: its reference.
    """

    pin_a: float
    hottest_share: float
    hottest: str


def overload(lead: str, volts: float) -> Overload:
    """Return what a rail on one lead ("emit" or "amp0") does, against the terminal."""
    pins = ("ain0", "ain1", "ain2")
    body = [
        "v_33 v33 0 3.3",
        f"v_x {lead} term {volts}",
        f"v_y {'amp0' if lead == 'emit' else 'emit'} term 0",
        # What is in the converter's inputs: a diode to either supply.
        ".model esd d(is=1e-14 n=1 rs=20)",
    ]
    for pin in pins:
        body += [f"v_p{pin} {pin} {pin}_in 0", f"d_{pin}u {pin}_in v33 esd", f"d_{pin}d 0 {pin}_in esd"]
    watched = [r for r in ANALOGUE if LEFT.part(r).kind == "R"]
    got = run(
        spice.deck("overload", spice.lines(LEFT, "GM", only=[*ANALOGUE, "D4"]), body),
        "op",
        [f"i(v_p{pin})" for pin in pins] + [f"@r_{r.lower()}[p]" for r in watched],
    )
    shares = {r: float(got[f"@r_{r.lower()}[p]"][0]) / float(LEFT.part(r).rating.split()[0]) for r in watched}
    hottest = max(shares, key=lambda r: shares[r])
    return Overload(max(abs(float(got[f"i(v_p{pin})"][0])) for pin in pins), shares[hottest], hottest)


def _drawn(part: Part, rng: np.random.Generator) -> float:
    return part.si() * (1.0 + part.tolerance * float(rng.uniform(-1, 1)))


def population(n: int, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what n modules make of 40 V and of 20 mV over the middle of the firmware's law, as gains."""
    rng = np.random.default_rng(seed)
    body: list[str] = []
    for k in range(n):
        x = f"x{k}_"
        values = {r: _drawn(LEFT.part(r), rng) for r in ANALOGUE if LEFT.part(r).kind == "R"}
        body += spice.lines(LEFT, "GM", only=ANALOGUE, values=values, prefix=x)
        body += [
            f"v_33{x} {x}v33 0 3.3",
            f"v_o{x} {x}term {x}amp0 40",
            f"v_b{x} {x}emit {x}term 0.02",
            *spice.ads_input(x + "a", f"{x}ain2", f"{x}term", 2.048),
            *spice.ads_input(x + "b", f"{x}ain0", f"{x}term", 0.256),
        ]
    vectors = [f"v(x{k}_{node})" for node in ("ain2", "ain0", "term") for k in range(n)]
    got = run(spice.deck("population", body), "op", vectors)
    ain2, ain0, term = (np.array([got[f"v(x{k}_{node})"][0] for k in range(n)]) for node in ("ain2", "ain0", "term"))
    return (ain2 - term) * -55.0 / 40.0, (ain0 - term) / 0.02
