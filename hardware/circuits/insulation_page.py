"""The page on insulation and single faults, from the barriers and the simulated faults.

`python -m circuits.insulation_page` (from the folder hardware/) writes
insulation.md anew; a test holds the file to what this module says.
"""

from __future__ import annotations

import csv
from pathlib import Path

from circuits.insulation import BARRIERS, Barrier

HARDWARE = Path(__file__).parents[1]
PAGE = HARDWARE / "insulation.md"
FAULTS = HARDWARE / "single-faults.csv"
SENSE_FAULTS = HARDWARE / "sense-faults.csv"

_HEAD = """# Insulation, and what one fault does

Written by `python -m circuits.insulation_page`; the figures live in
`circuits/insulation.py` and `circuits/insulation_rules.py`.

**Not a certificate.** The standards named here were not read: the tables are
from catalogues, a published test report and memory, as said at each figure in
`circuits/insulation_rules.py`. Nothing has been built or tested. Whoever builds
the board is answerable for it; local codes come first. Mains can kill, and
reservoir capacitors stay charged after switch-off.

Assumed: indoors and dry (pollution degree 2), ordinary circuit board (material
group III), up to 2000 m, mains of the 300 V class, overvoltage category II.

## What the person touches

| what | is | kept from danger by |
|---|---|---|
| computer, USB plug and cable | computer's ground, perhaps earthed | the four modules' barriers and the relays' insulation, all reinforced |
| 12 V adapter and its plug | extra-low voltage from a class II adapter | the adapter's own reinforced insulation |
| go/stop button, emergency stop, lamp and buzzer | computer's side, 12 V at most | the same; operate through insulated caps |
| sensor leads and rings | computer's side | bead to ring (basic) and a washer under the ring (supplementary) |
| case of the main board | insulating, or metal joined to protective earth | basic insulation and earth |
| cases of the modules | insulating, closed before power | their case is the only thing between a hand and a rail |
| the amplifier itself | its own matter, and its case is open | the isolating transformer, one hand, and not touching it under power |

## What floats on what

| domain | joined to | highest voltage against the computer's side |
|---|---|---|
| computer's side, 12 V, sensors | USB ground, perhaps earth through the computer | 0 |
| positive rail module | amplifier 0 V; its shunt on the positive rail | 70 V in use; treated as 300 V mains |
| negative rail module | negative rail | 70 V in use; treated as 300 V mains |
| output modules | their channel's output terminal, held at half the module's 3.3 V | rail voltage in a fault; treated as 300 V mains |
| mains side | mains, behind fuse, isolating and variable transformer of the bench | 264 V |

Why mains figures for the amplifier's side: the insulation of a transformer of
fifty years, in a set that has already burnt once, is not counted on.

## Barriers
"""


def _barrier(barrier: Barrier) -> list[str]:
    wanted = barrier.need()
    transients = ", mains transients" if barrier.transients else ""
    lines = [
        f"### {barrier.name[0].upper()}{barrier.name[1:]}",
        "",
        f"{barrier.kind.capitalize()}, working voltage {barrier.working_v:g} V{transients}. "
        f"Requirement: {barrier.clause}.",
        "",
        "| | creepage | clearance | strength, d.c. | source |",
        "|---|---|---|---|---|",
        f"| **needed** | {wanted.creepage_mm:.1f} mm | {wanted.clearance_mm:.1f} mm | {wanted.strength_v:.0f} V "
        "| rules above |",
    ]
    for given in barrier.given():
        lines.append(
            f"| {given.what} | {given.creepage_mm:.1f} mm | {given.clearance_mm:.1f} mm "
            f"| {given.strength_v:.0f} V | {given.source} |"
        )
    return [*lines, ""]


_TEST = """## Testing the barriers of your own board

Before anything is connected, with all pins of each side joined: 500 V d.c.
insulation resistance, at least 100 Mohm (common practice, no source); electric
strength as in the tables only by someone equipped and trained for it. Repeat
the insulation resistance every time a module has been open.
"""

_FAULT_HEAD = """## What one fault does: the relay chain, simulated

Every part of the chain that decides whether the coil carries current, open,
shorted, doubled and halved, in `ngspice` on the drawn circuit (`circuits/single_fault.py`; the
numbers are in `single-faults.csv`). For each: does the relay stay open when it
should, does the chain still close, and which of the independent ways of opening
still open it: the pulses stopping, the enable pin, the alert line, the emergency
stop. "Self-test" names what the test at power-on sees before the relay is ever
closed; "late" is more than 60 ms after the last pulse, but by itself. A fault that leaves the coil held whatever one of them does, and that the
self-test does not see, would be marked **unsafe**.

| part | fault | relay idle | closes | pulses stop low | stop high | enable low | alert | e-stop | self-test sees | result |
|---|---|---|---|---|---|---|---|---|---|---|
"""

_SENSE_HEAD = """
## What one fault does: the sense paths, simulated

Every analogue part of the three kinds of input, open, shorted and (resistors) 10 %
off; `circuits/sense_fault.py`, numbers in `sense-faults.csv`. What a part's loss
does to a filter's speed is not in it.

**Mind this:** a DC offset or HF path that has gone dead reads 0, as a good set
does. Between one calibration or commissioning and the next nothing on this board
notices; the rail currents, the sinks and the other channel remain.

| module | part | fault | reads | told by |
|---|---|---|---|---|
"""

_OTHER = """
## What one fault does: everything else

| part | fault | what is detected, and how fast | what remains safe |
|---|---|---|---|
| shunt | open | rail reads 0 V behind it: `rail-missing`, next scan after its time | amplifier loses the rail; relay opens |
| shunt | short | current reads 0 with voltage there: judged against the other rail and the plan within a stage | alert blind on this rail; software limits on voltage, bias and sink, fuse |
| shunt | drifted | calibration and the two rails' balance; calibration due date | limits move by the same share |
| rail module supply | lost | alert isolator goes low by itself (output low without input supply): latch cuts the pulses, some ms | relay opens |
| I2C, module side or bus | stuck or open | reading missing for 100 ms: `sensor-fault`; bus is clocked free and told | relay opens |
| rail monitor | loses its settings | read back twice a second, written anew, told | limits by software meanwhile |
| alert line | stuck high | self-test moves each threshold at power-on and every hour while open | software limits (12.5 ms) remain |
| alert line | stuck low | cannot arm; when closed: opens | relay opens |
| emitter lead of an output module | off | bias reads 0 against a plan that expects more: stage fails | relay opens at the stage's end; nothing is destroyed by it |
| terminal lead of an output module | off | module drifts to amp 0 V through its dividers: bias and offset read 0 | other channel's limits, rail current and sink remain |
| amp 0 V lead of an output module | off | offset and HF read 0, as a good set does: commissioning's cell and the calibration, nobody in between | rail balance, rail current, sinks and the other channel |
| NTC | open, short | outside its range: `sensor-fault` in 100 ms | relay opens |
| NTC | fallen off | reads cold and does not follow its dissipation: judged within minutes | other sink, bias forecast, rail current |
| NTC lead | touches a rail | 8 mA into clamp; reads hot or missing: `sensor-fault` | board survives (simulated) |
| mains relay, one contact | welded | mirror contact stays open: `relay-fault`, never armed again | second contact in the other pole opens |
| mirror contact or its wire | open | reads "closed": refuses to arm | relay stays open |
| bypass relay | welded | lamp does not limit: rail reads above the stage's window at once | relay opens by rail voltage |
| processor | stalls | pulses stop at once, pump lets go within 60 ms, watchdog resets at 1 s | relay opens without software |
| flash | a bit flips in a program file | CRC of every file at power-on and piecewise after | refuses to arm |
| flash | calibration torn | CRC; the other slot is used, told | works as before, or uncalibrated and says so |
| 12 V | lost | both coils drop | relay opens |
| USB | lost | pulses stop, alert pull-up goes too | relay opens |
| computer | silent | lease ends after three seconds | relay opens |
"""


def page() -> str:
    """Return the page."""
    lines = [_HEAD]
    for barrier in BARRIERS:
        lines += _barrier(barrier)
    lines.append(_TEST)
    return (
        "\n".join(lines) + "\n" + _FAULT_HEAD + _rows(FAULTS) + "\n" + _SENSE_HEAD + _rows(SENSE_FAULTS) + "\n" + _OTHER
    )


def _rows(table: Path) -> str:
    with table.open(encoding="utf-8", newline="") as file:
        return "\n".join("| " + " | ".join(row.values()) + " |" for row in csv.DictReader(file))


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
