"""Is an INA228 whole: its registers, its memory's checksum, its oscillator, its die?

The monitor's oscillator is also the second source that the board's own clock is
held against: both monitors off by the same is the board's clock, one of them off
is that monitor. The oscillator is good for 1 % over temperature and the board's
crystal for 0.01 %; asking the monitor takes half a percent of the time measured.
5 % leaves room for both and still finds a crystal on an overtone or a wrong
divider, which are off by tens of percent. Nothing on the board needs better:
its shortest limit and its lease are counted in periods of the scan.

Source: TI INA228 SLYS021A, section 7.6 (ADC_CONFIG, DIETEMP, DIAG_ALRT) and the
oscillator's tolerance in section 6.5, the latter from memory.
"""

from wardenfw.registers import signed16
from wardenfw.sensors.ina228 import ADC_CONFIG, DIAG_ALRT
from wardenfw.ticks import sleep_us, ticks_diff, ticks_us

SHUNT_TEMPCO = 0x03
DIETEMP = 0x06
CNVRF = 0x0002
MEMSTAT = 0x0001
# One shunt conversion of 4.12 ms, averaged over 16, on its own; then the die, not averaged.
TIME_SHUNT = 2 << 12 | 7 << 9 | 7 << 6 | 7 << 3 | 2
READ_DIE = 4 << 12 | 7 << 9 | 7 << 6 | 7 << 3
EXPECTED_US = 16 * 4120
NEVER = -1
TOLERANCE = 0.05
DIE_US = 5000
DIE_LSB_C = 7.8125e-3
# A chip that has just been switched on is little warmer than the room, one in a closed box some more.
DIE_WITHIN_K = 40.0


def registers(part):
    """Return "ok" or what is wrong with the registers of `part` (Registers).

    Takes the register that only a temperature compensation nobody uses would look at.
    """
    if not part.read(DIAG_ALRT) & MEMSTAT:
        return "its trim memory fails its checksum"
    return part.holds(SHUNT_TEMPCO, 0x3FFF, 0) or "ok"


def conversion_us(parts, feed):
    """Return for each of `parts` (Registers) the time of EXPECTED_US by this board's clock, NEVER if it did not end.

    A part that stops answering counts as one that did not end.
    """
    took = [NEVER] * len(parts)
    begun = [ticks_us()] * len(parts)
    waiting = []
    for i in range(len(parts)):
        try:
            parts[i].read(DIAG_ALRT)
            parts[i].write(ADC_CONFIG, TIME_SHUNT)
            begun[i] = ticks_us()
            waiting.append(i)
        except OSError:
            pass
    feed()
    # Asking all the while would only warm the isolators.
    sleep_us(EXPECTED_US * 3 // 4)
    while waiting:
        for i in list(waiting):
            now = ticks_us()
            try:
                done = parts[i].read(DIAG_ALRT) & CNVRF
            except OSError:
                waiting.remove(i)
                continue
            if done:
                took[i] = ticks_diff(now, begun[i])
            if done or ticks_diff(now, begun[i]) > 2 * EXPECTED_US:
                waiting.remove(i)
        feed()
    return took


def judge_clock(took):
    """Return (clock, monitors): what to say of the board's clock, and of each monitor's oscillator.

    Args:
        took: from `conversion_us`, both monitors.
    """
    said = ["ok", "ok"]
    known = []
    for i in (0, 1):
        if took[i] == NEVER:
            said[i] = "does not end its conversions"
            continue
        off = took[i] / EXPECTED_US - 1.0
        known.append(off)
        if abs(off) > TOLERANCE:
            said[i] = "takes %.1f ms for %.1f ms of conversions" % (took[i] / 1000, EXPECTED_US / 1000)
    if not known:
        return "no rail monitor to compare with", said
    both_wrong = said[0] != "ok" and said[1] != "ok"
    if both_wrong and abs(known[0] - known[-1]) <= TOLERANCE:
        return "off by %+.0f %% against the rail monitors" % (100 * known[0]), ["ok", "ok"]
    return "ok", said


def die_celsius(part):
    """Return the monitor's own temperature; leaves it converting nothing, to be configured anew."""
    part.write(ADC_CONFIG, READ_DIE)
    sleep_us(DIE_US)
    return signed16(part.read(DIETEMP)) * DIE_LSB_C


def judge_die(die_c, ambient_c):
    """Return "ok" or what is wrong.

    Args:
        ambient_c: None when its sensor is missing.
    """
    if ambient_c is not None and abs(die_c - ambient_c) > DIE_WITHIN_K:
        return "its die reads %.0f C, ambient %.0f C" % (die_c, ambient_c)
    if not -20.0 < die_c < 90.0:
        return "its die reads %.0f C" % die_c
    return "ok"
