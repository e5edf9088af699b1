"""How converter counts become SI units, and limits become counts.

The scan works on whole counts only: on the board a float costs an allocation,
a small integer does not. Limits are turned into counts once, when a stage is
loaded, and counts into SI ten times a second, when a frame is made.

Every channel has whole steps that are linear in its quantity,
`si = steps * GAIN + OFFSET`: for most they are the counts themselves, for the
temperatures thousandths of a kelvin (`ntc_millicelsius`), for the HF envelope
0.1 mV behind the detector's foot (`peak_steps`). Slopes and jumps are held
against steps, so that a limit means the same volts per second everywhere on a
curved scale. A calibration changes GAIN and OFFSET and nothing else, hence
values, bounds, slopes, jumps and alert thresholds together.

Sources: INA228 SLYS021A table 7-3 and 8-1 (312.5 nV, 195.3125 uV a count);
ADS1115 SBAS444D table 3 (62.5 uV at 2.048 V, 7.8125 uV at 0.256 V); the NTC fit
is the maker's for NTCLE100E3, 10 k, B25/85 = 3977 (doc 29049); dividers and the
detector's foot are those of the sense modules in hardware/.
"""

import math

SHUNT_OHM = 0.010
VSHUNT_LSB_V = 312.5e-9
VBUS_LSB_V = 195.3125e-6
ALERT_LSB_V = 5e-6  # SOVL and SUVL, ADCRANGE 0
ALERT_TOP = 32767
CURRENT_FULL_SCALE_A = 16.0
CURRENT_LSB_A = CURRENT_FULL_SCALE_A / 524288
SHUNT_CAL = int(13107.2e6 * CURRENT_LSB_A * SHUNT_OHM + 0.5)

BIAS_LSB_V = 7.8125e-6
AIN_LSB_V = 62.5e-6
# (270 k + 270 k + 10 k) / 10 k, from the amplifier's 0 V against the terminal: inverted.
OFFSET_RATIO = 55.0
HF_RATIO = 25.0
# The terminal against the converter's ground, read at 4.096 V full scale.
MIDDLE_LSB_V = 125e-6
MIDDLE_V = 1.650

# The envelope detector's foot: with u the held voltage times HF_RATIO, the peak
# at the terminal is u + FOOT_V * u / (|u| + FOOT_U_V). Odd in u, so that noise
# about zero stays about zero.
FOOT_V = 0.172
FOOT_U_V = 0.036
PEAK_STEP_V = 1e-4

NTC_R25_OHM = 10_000.0
NTC_PULLUP_OHM = 10_000.0
ADC_FULL_SCALE = 65535
# ln(R/R25) -> 1/T, and 1/T -> ln(R/R25): the two published fits agree within 0.012 K.
NTC_A1, NTC_B1, NTC_C1, NTC_D1 = 3.354016e-3, 2.569850e-4, 2.620131e-6, 6.383091e-8
NTC_A, NTC_B, NTC_C, NTC_D = -14.6337, 4791.842, -115334.0, -3.730535e6
KELVIN = 273.15
# Beyond these the sensor or its wire is open (below -50 C) or shorted (above
# 160 C), not cold or hot; both lie outside what the bench can meet.
NTC_OPEN_COUNTS = 64560
NTC_SHORT_COUNTS = 985

# A count that no converter can give: the reading is missing.
MISSING = -(1 << 29)
# Wider than any count: an unbounded side of a limit.
UNBOUNDED = 1 << 28

# The history of 100 ms means keeps whole numbers finer than a count.
FINE_PER_COUNT = 16

LINEAR, CELSIUS, PEAK = 0, 1, 2
# In wire.CHANNELS order.
SHAPE = (LINEAR,) * 8 + (CELSIUS,) * 3 + (PEAK,) * 2

_AMPERE = VSHUNT_LSB_V / SHUNT_OHM
_OFFSET = -AIN_LSB_V * OFFSET_RATIO
_CELSIUS = 0.001
_UNCALIBRATED = (
    _AMPERE,
    _AMPERE,
    VBUS_LSB_V,
    -VBUS_LSB_V,
    _OFFSET,
    _OFFSET,
    BIAS_LSB_V,
    BIAS_LSB_V,
    _CELSIUS,
    _CELSIUS,
    _CELSIUS,
    PEAK_STEP_V,
    PEAK_STEP_V,
)
# SI per step and at zero; `calibrate` changes them in place, so that a module
# that has bound the names sees it.
GAIN = list(_UNCALIBRATED)
OFFSET = [0.0] * len(GAIN)
# The same for frames, where every float is an allocation: si = (PARTS * steps +
# ZERO) * GAIN_OF_PART, right to half a part of a step and with one float. A
# frame is the mean of ten scans unless a channel was missing in some.
PARTS = 64
ZERO = [0] * len(GAIN)
GAIN_OF_PART = [g / PARTS for g in GAIN]
GAIN_OF_TEN = [g / (10 * PARTS) for g in GAIN]

_PEAK_PER_COUNT = AIN_LSB_V * HF_RATIO / PEAK_STEP_V
_FOOT = int(FOOT_V / PEAK_STEP_V + 0.5)
_FOOT_U = int(FOOT_U_V / PEAK_STEP_V + 0.5)
# Steps before the foot to a sixteenth of a count, times 128: 125, exactly.
_PEAK_MUL = int(_PEAK_PER_COUNT * 128 / FINE_PER_COUNT + 0.5)


def reset():
    """Go back to what an uncalibrated board says."""
    for i in range(len(GAIN)):
        _set(i, 1.0, 0.0)


def calibrate(entries):
    """Let gain * r + offset be told instead of r, on these channels alone.

    Args:
        entries: as wire.unpack_calibration gives them; checked by calibration.py.
    """
    reset()
    for entry in entries:
        _set(entry[0], entry[3], entry[4])


def _set(channel, gain, offset):
    GAIN[channel] = g = _UNCALIBRATED[channel] * gain
    OFFSET[channel] = offset
    ZERO[channel] = math.floor(offset / g * PARTS + 0.5)
    GAIN_OF_PART[channel] = g / PARTS
    GAIN_OF_TEN[channel] = g / (10 * PARTS)


def ntc_celsius(counts):
    """Return the temperature of a 10 k NTC below 10 k from the converter's reference, uncalibrated.

    Args:
        counts: converter counts of 65535, may be a mean; 0 < counts < 65535.
    """
    x = math.log(counts / (ADC_FULL_SCALE - counts) * (NTC_PULLUP_OHM / NTC_R25_OHM))
    return 1.0 / (NTC_A1 + x * (NTC_B1 + x * (NTC_C1 + x * NTC_D1))) - KELVIN


def _table():
    # Both ends repeat the last count that still is a temperature.
    last = ADC_FULL_SCALE // NTC_STEP - 1
    return tuple(round(ntc_celsius(min(max(i, 1), last) * NTC_STEP) * 1000) for i in range(last + 4))


NTC_STEP = 256
_NTC_TABLE = _table()


def ntc_millicelsius(counts):
    """Return what `ntc_celsius` does, in whole thousandths and without allocating.

    Quadratic interpolation in a table; within 0.01 K of the formula from -30 to
    125 C, within 0.07 K beyond.
    """
    i = counts >> 8
    u = counts & 255
    table = _NTC_TABLE
    y0 = table[i]
    d = table[i + 1] - y0
    # u (u - 256) / 2 of the second difference, both steps rounded down
    return y0 + (d * u + ((table[i + 2] - y0 - 2 * d) * u * (u - NTC_STEP) >> 9) >> 8)


def ntc_ohm(celsius):
    """Return the resistance at a temperature, ohms."""
    i = 1.0 / (celsius + KELVIN)
    return NTC_R25_OHM * math.exp(NTC_A + i * (NTC_B + i * (NTC_C + i * NTC_D)))


def ntc_counts(celsius):
    """Return the (fractional) counts at a temperature."""
    r = ntc_ohm(celsius)
    return ADC_FULL_SCALE * r / (r + NTC_PULLUP_OHM)


def peak_steps(sixteenths):
    """Return an HF reading behind the foot in whole PEAK_STEP_V, without allocating below 48 V.

    Args:
        sixteenths: sixteenths of a count, of one sample or of a mean.
    """
    u = sixteenths * _PEAK_MUL + 64 >> 7
    return u + _FOOT * u // (abs(u) + _FOOT_U)


def peak_counts(steps):
    """Return the (fractional) counts whose `peak_steps` would be `steps`: the foot taken back.

    u^2 + u (FOOT + FOOT_U - v) - v FOOT_U = 0, its positive root, for |v|.
    """
    v = abs(steps)
    b = v - _FOOT - _FOOT_U
    root = math.sqrt(b * b + 4.0 * v * _FOOT_U)
    # The other spelling of the root where this one would subtract two near numbers.
    u = (b + root) / 2 if b > 0 else 2.0 * v * _FOOT_U / (root - b)
    return (u if steps > 0 else -u) / _PEAK_PER_COUNT


def to_si(channel, counts):
    """Return a reading in SI units, calibrated; NaN when it is missing."""
    if counts == MISSING:
        return math.nan
    shape = SHAPE[channel]
    if shape == CELSIUS:
        counts = ntc_celsius(counts) * 1000
    elif shape == PEAK:
        u = counts * _PEAK_PER_COUNT
        counts = u + _FOOT * u / (abs(u) + _FOOT_U)
    return counts * GAIN[channel] + OFFSET[channel]


def _counts(channel, value):
    """Return the (fractional) counts at which a channel says `value`."""
    steps = (value - OFFSET[channel]) / GAIN[channel]
    shape = SHAPE[channel]
    if shape == CELSIUS:
        return ntc_counts(steps / 1000)
    return peak_counts(steps) if shape == PEAK else steps


def count_bounds(channel, low, high):
    """Return the smallest and largest whole count inside [low, high].

    Args:
        low, high: SI units; NaN leaves that side unbounded.
    """
    if SHAPE[channel] == CELSIUS or GAIN[channel] < 0.0:
        # The counts fall as the value rises.
        low, high = high, low
    first = -UNBOUNDED if low != low else math.ceil(_counts(channel, low))
    last = UNBOUNDED if high != high else math.floor(_counts(channel, high))
    return first, last


def fine_per_si(channel):
    """Return how many fine units one SI unit is; negative where counts fall as the value rises."""
    return (FINE_PER_COUNT if SHAPE[channel] == LINEAR else 1) / GAIN[channel]


def alert_counts(channel, amperes):
    """Return the SOVL or SUVL register, signed, for an alert at `amperes` of a rail current, at most full scale."""
    shunt_v = (amperes - OFFSET[channel]) / GAIN[channel] * VSHUNT_LSB_V
    return max(-ALERT_TOP, min(ALERT_TOP, math.floor(shunt_v / ALERT_LSB_V + 0.5)))


def die_celsius(counts):
    """Return the RP2040's own temperature. Source: RP2040 datasheet 4.9.5."""
    return 27.0 - (counts * (3.3 / ADC_FULL_SCALE) - 0.706) / 0.001721
