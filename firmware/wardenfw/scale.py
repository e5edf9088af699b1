"""How converter counts become SI units, and limits become counts.

The scan works on whole counts only: on the board a float costs an allocation,
a small integer does not. Limits are turned into counts once, when a stage is
loaded, and counts into SI ten times a second, when a frame is made.

Every channel but the temperatures is linear, `si = (counts - ZERO) * GAIN`.

Sources: INA228 SLYS021A table 7-3 and 8-1 (312.5 nV, 195.3125 uV a count);
ADS1115 SBAS444D table 3 (125 uV at 4.096 V, 7.8125 uV at 0.256 V); the NTC fit
is the maker's for NTCLE100E3, 10 k, B25/85 = 3977 (doc 29049); dividers are
those of the sense modules in hardware/.
"""

import math

SHUNT_OHM = 0.010
VSHUNT_LSB_V = 312.5e-9
VBUS_LSB_V = 195.3125e-6
ALERT_LSB_V = 5e-6  # SOVL and SUVL, ADCRANGE 0
CURRENT_FULL_SCALE_A = 16.0
CURRENT_LSB_A = CURRENT_FULL_SCALE_A / 524288
SHUNT_CAL = int(13107.2e6 * CURRENT_LSB_A * SHUNT_OHM + 0.5)

BIAS_LSB_V = 7.8125e-6
AIN_LSB_V = 125e-6
OFFSET_MID_V = 1.650
OFFSET_RATIO = 52.0
HF_RATIO = 20.0

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

_OFFSET_ZERO = int(OFFSET_MID_V / AIN_LSB_V + 0.5)
_AMPERE = VSHUNT_LSB_V / SHUNT_OHM
_OFFSET = AIN_LSB_V * OFFSET_RATIO
_HF = AIN_LSB_V * HF_RATIO

# In wire.CHANNELS order; gain 0 marks a temperature.
GAIN = (
    _AMPERE,
    _AMPERE,
    VBUS_LSB_V,
    -VBUS_LSB_V,
    _OFFSET,
    _OFFSET,
    BIAS_LSB_V,
    BIAS_LSB_V,
    0.0,
    0.0,
    0.0,
    _HF,
    _HF,
)
ZERO = (0, 0, 0, 0, _OFFSET_ZERO, _OFFSET_ZERO, 0, 0, 0, 0, 0, 0, 0)

# The history of 100 ms means keeps whole numbers finer than a count: this many
# to a count, or to a kelvin for the temperatures.
FINE_PER_COUNT = 16
FINE_PER_KELVIN = 1000


def ntc_celsius(counts):
    """Return the temperature of a 10 k NTC below 10 k from the converter's reference.

    Args:
        counts: converter counts of 65535, may be a mean; 0 < counts < 65535.
    """
    x = math.log(counts / (ADC_FULL_SCALE - counts) * (NTC_PULLUP_OHM / NTC_R25_OHM))
    return 1.0 / (NTC_A1 + x * (NTC_B1 + x * (NTC_C1 + x * NTC_D1))) - KELVIN


def _table():
    # Both ends repeat the last count that still is a temperature.
    last = ADC_FULL_SCALE // NTC_STEP - 1
    return tuple(round(ntc_celsius(min(max(i, 1), last) * NTC_STEP) * FINE_PER_KELVIN) for i in range(last + 4))


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


def to_si(channel, counts):
    """Return a reading in SI units; NaN when it is missing."""
    if counts == MISSING:
        return math.nan
    gain = GAIN[channel]
    if gain == 0.0:
        return ntc_celsius(counts)
    return (counts - ZERO[channel]) * gain


def count_bounds(channel, low, high):
    """Return the smallest and largest whole count inside [low, high].

    Args:
        low, high: SI units; NaN leaves that side unbounded.
    """
    gain = GAIN[channel]
    if gain == 0.0:
        # The counts fall as the temperature rises.
        first = -UNBOUNDED if high != high else math.ceil(ntc_counts(high))
        last = UNBOUNDED if low != low else math.floor(ntc_counts(low))
        return first, last
    if gain < 0.0:
        low, high = high, low
    first = -UNBOUNDED if low != low else math.ceil(low / gain + ZERO[channel])
    last = UNBOUNDED if high != high else math.floor(high / gain + ZERO[channel])
    return first, last


def fine_per_si(channel):
    """Return how many fine units one SI unit is; negative where counts fall as the value rises."""
    gain = GAIN[channel]
    return FINE_PER_KELVIN if gain == 0.0 else FINE_PER_COUNT / gain


def alert_counts(amperes):
    """Return the SOVL register for an alert at `amperes`, at most full scale."""
    return min(32767, int(amperes * SHUNT_OHM / ALERT_LSB_V + 0.5))


def die_celsius(counts):
    """Return the RP2040's own temperature. Source: RP2040 datasheet 4.9.5."""
    return 27.0 - (counts * (3.3 / ADC_FULL_SCALE) - 0.706) / 0.001721
