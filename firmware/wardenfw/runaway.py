"""Does a stage feed its own heat? The board's own rule, for when nobody else watches.

A healthy bias that climbs slows down: the sink on its way to an equilibrium bends
it downwards. At a thermal loop gain of one or more it does not (stable if
dP/dTj < 1/Rth, textbook relation). So seven points a window apart are asked: have
the steps gone up, has the later half gained more than the earlier, is the limit
of the stage within reach if it goes on as it has done lately? Windows of seconds
see the junction lead while the sink has not moved yet; in windows up to a minute
the sink must have gone along.

What looks alike is told by its company: rails that rose carry the bias with them, a
reading alone that climbs moves no rail current, a leap of a contact or of the mains
is one step and not six, a hand on the pots needs a stage that allows it, and what
the stage's limit is far above is not yet a danger, however it moves.

Whole numbers in the fine units of `scale`, points out of the guard's history: nothing
in here allocates. Levels are taken from the stage's own limits, so no host can leave
them out. With the test signal on the drop is mostly signal, which a hand may turn up
and which beats with the scan: then the rule keeps still and the limits guard.
"""

from wardenfw import scale, wire
from wardenfw.history import LONG, SHORT
from wardenfw.stage import CHANNEL, FINE_HIGH, KIND

MISSING = scale.MISSING
THERMAL_RUNAWAY = wire.CAUSES.index("thermal-runaway")

POINTS = 7
# Tier of the history and its entries from one point to the next.
WINDOWS = ((SHORT, 3), (SHORT, 6), (SHORT, 10), (LONG, 4), (LONG, 10))
_FRAMES_PER_ENTRY = (1, 10)
N_FAST = 3
# Seconds of half a window.
HALF_S = tuple([(POINTS >> 1) * w[1] * (0.1, 1.0)[w[0]] for w in WINDOWS])
# Bias left, bias right, and the sum of both rail currents for what no bias channel sees.
TRACKS = 3
RAILS = 2
_FIRST_CHANNEL = (6, 7, 0)
# The sum is halved this often, so that its products stay small integers.
_RAIL_SHIFT = 5
# Shares of the stage's limit, in 64ths: from where on, and how much of it in one window.
FROM_64 = (44, 44, 44, 38, 38)
LEAST_64 = min(FROM_64)
RISE_64 = 6
# The later half gains this many 16ths of the earlier one, at most so many times as much.
LATE_16 = (19, 19, 19, 18, 18)
LATE_MOST = 12
# Evaluations in a row.
HELD = 3
# Idle current follows the rails several times over.
CARRIED = 6
# Least share of the drop's own rise that the rail currents show: other pairs and channels draw too.
COMPANY = 16
# Least rise of the sink over the slow windows, thousandths of a kelvin.
WARMER = (0, 0, 0, 20, 50)
# A slope limit that lets the bias pass this share of its limit within its window, in
# 64ths, belongs to a stage in which hands may turn the pots.
HANDS_64 = 38
# Frames after a change before points count.
SETTLE = 30


class Runaway:
    """
    Args:
        history: history.History of fine means.

    Attributes:
        tops: of the stage, see stage.Stage.
        track, window: of the newest finding.
        early, late: what each half of that window gained, fine units.
    """

    def __init__(self, history):
        self._history = history
        self.tops = ()
        self._points = [0] * POINTS
        self._top = [0] * TRACKS
        self._zero = [0] * TRACKS
        self._hands = False
        self._still = True
        self._near = [False] * TRACKS
        self._held = [0] * (TRACKS * len(WINDOWS))
        self._frames = 0
        self.track = self.window = self.early = self.late = 0

    def load(self, stage):
        """Take the levels of another stage; a new stretch begins.

        Args:
            stage: stage.Stage.
        """
        self.tops = tops = stage.tops
        zero, top, fine = self._zero, self._top, scale.FINE_PER_COUNT
        hands = True
        for k in (0, 1):
            channel = _FIRST_CHANNEL[k]
            zero[k] = scale.ZERO[channel] * fine // scale.PARTS
            top[k] = tops[channel] * fine + zero[k]
        zero[RAILS] = (scale.ZERO[0] + scale.ZERO[1]) * fine // scale.PARTS >> _RAIL_SHIFT
        top[RAILS] = ((tops[0] + tops[1]) * fine >> _RAIL_SHIFT) + zero[RAILS]
        for limit in stage.slow:
            channel = limit[CHANNEL]
            if limit[KIND] == wire.RATE and (channel == 6 or channel == 7):
                hands = hands and limit[FINE_HIGH] * 64 > top[channel - 6] * HANDS_64
        self._hands = hands
        self._still = not stage.drive_on
        self.restart()

    def restart(self):
        """What came before is another situation."""
        self._frames = 0
        held = self._held
        for i in range(len(held)):
            held[i] = 0

    def frame(self, means):
        """One more frame is in the history: which tracks are near enough to their limit to be asked?

        Args:
            means: as pushed into the history.
        """
        self._frames += 1
        near, zero, top = self._near, self._zero, self._top
        for k in (0, 1):
            v = means[6 + k]
            near[k] = self._still and v != MISSING and (v + zero[k]) * 64 >= top[k] * LEAST_64
        v, w = means[0], means[1]
        amps = (v + w >> _RAIL_SHIFT) + zero[RAILS]
        near[RAILS] = self._still and v != MISSING and w != MISSING and amps * 64 >= top[RAILS] * LEAST_64

    def step(self, track, window):
        """Ask one track in one window; True when it has run away."""
        i = track * len(WINDOWS) + window
        if self._near[track] and self._climbs(track, window) and self._company(track, window):
            self._held[i] += 1
            if self._held[i] >= HELD:
                self.track, self.window = track, window
                return True
        else:
            self._held[i] = 0
        return False

    def _at(self, track, tier, steps):
        # A method taken by name, not kept: keeping it would allocate.
        history = self._history
        v = history.back(tier, _FIRST_CHANNEL[track], steps)
        if v == MISSING:
            return v
        if track == RAILS:
            w = history.back(tier, 1, steps)
            if w == MISSING:
                return w
            v = v + w >> _RAIL_SHIFT
        return v + self._zero[track]

    def _climbs(self, track, window):
        """Six steps upwards, the later ones larger, the limit within reach?"""
        top = self._top[track]
        tier, entries = WINDOWS[window]
        if self._hands and window < N_FAST:
            return False
        if self._frames < SETTLE + (POINTS - 1) * entries * _FRAMES_PER_ENTRY[tier]:
            return False
        points = self._points
        now = points[0] = self._at(track, tier, 0)
        if now == MISSING or now * 64 < top * FROM_64[window] or top <= 0:
            return False
        for j in range(1, POINTS):
            before = self._at(track, tier, j * entries)
            if before == MISSING or before >= now:
                return False
            points[j] = now = before
        late, early = points[0] - points[3], points[3] - points[6]
        self.late, self.early = late, early
        return (
            (late + early) * 64 >= top * RISE_64
            and late * 16 >= early * LATE_16[window]
            and late <= early * LATE_MOST
            and points[0] + 2 * late >= top
            # A leap is one step: none of the later three makes more than three quarters of what they gain.
            and max(points[0] - points[1], points[1] - points[2], points[2] - points[3]) * 4 <= late * 3
        )

    def _company(self, track, window):
        """Do rails and sink tell the same of the points just found?"""
        tier, entries = WINDOWS[window]
        far = (POINTS - 1) * entries
        mid = far >> 1
        history = self._history
        v0 = history.back(tier, 2, 0) + history.back(tier, 3, 0)
        v3 = history.back(tier, 2, mid) + history.back(tier, 3, mid)
        v6 = history.back(tier, 2, far) + history.back(tier, 3, far)
        if v0 < 1024 or v3 < 1024 or v6 < 1024:
            return False
        points = self._points
        # Thousandths, near enough (1/1024).
        rise = ((points[0] - points[6]) << 10) // max(points[6], 1)
        volts = ((max(v0, v3) - min(v3, v6)) << 4) // (v6 >> 6)
        if rise <= CARRIED * volts:
            return False
        if track < RAILS:
            amps, before = self._at(RAILS, tier, 0), self._at(RAILS, tier, far)
            if amps == MISSING or before == MISSING or before <= 0:
                return False
            if ((amps - before) << 10) // before * COMPANY < rise:
                return False
        if window < N_FAST:
            return True
        return self._warmer(8, far, window, track) or self._warmer(9, far, window, track)

    def _warmer(self, channel, far, window, track):
        """Has a sink that may be this track's gone along, or has it no reading?"""
        if track < RAILS and channel != 8 + track:
            return False
        history = self._history
        tier = WINDOWS[window][0]
        now, before = history.back(tier, channel, 0), history.back(tier, channel, far)
        return now == MISSING or before == MISSING or now - before >= WARMER[window]
