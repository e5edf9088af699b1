"""Is the amplifier oscillating, or is it a telephone, a transmitter, a click, the test signal?

A sequential test per output channel: logarithms of likelihood ratios are summed, for
oscillation of this channel against everything else, and TRIP is their sum's limit.
What each hypothesis brings or lacks:

- Oscillation makes both halves of its output stage conduct, so both rail currents rise
  with the level, by similar amounts, at once, every time (`hf_company`); it is in one
  channel, the other gets crosstalk; it starts when rails come up or parts get warm. A
  weak one at class A currents may draw next to nothing: it burns nothing either, and is
  told as a warning. Where the same bad parts are in both channels, both go up, and only
  a current that stays up with them tells.
- A transmitter reaches both channels, perhaps unequally; it takes nothing from the
  rails; it keys squarely, and is there with the mains off as well. Rectified in the set
  it may move offset or bias a little, so these alone never trip.
- A telephone sends one slot in eight (GSM: 577 us every 4.615 ms, 3GPP TS 45.002, from
  memory): minima of a frame stay at the baseline, and the current where it was.
- A click is one frame, mostly on both channels.
- The test signal clips on both channels, or on the one that is turned up further; its
  level goes with the drive, and so does the current, which then says little.
- While mains, transformer or limiter move, the current says nothing.

Where neither current nor bias can tell (missing, too noisy, no edge seen), only an HF
that is steady, strictly on one side and came with the rails or grew slowly trips, after
a minute.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

from benchwarden.analysis import hf_channel as weigh
from benchwarden.analysis.hf_channel import CROSSTALK, HfChannel, Stay, side_evidence
from benchwarden.analysis.hf_company import QuietDraw, company_at
from benchwarden.analysis.hf_events import Coincidence, EventLog, HfEvent
from benchwarden.analysis.hf_frames import Frames, Means, joined
from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, HF, SIDES, SINK, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

# Wald's limit ln((1 - beta) / alpha), for one wrong trip in 5000 look-alikes of the kind
# that the likelihoods describe; their caps are for those they do not describe.
TRIP = 8.5
# Current within this time of an edge is its company.
_WINDOW_S = 1.5
_SHORT_S = 2.0
_BEFORE_S = 4.0
_FEWEST_BEFORE = 3
# Feedback finds its point, reservoirs are full (2 to 5 s in loudspeaker protection;
# common practice, no source).
_SETTLED_S = 4.0
_STILL_S = 2.0
_QUIET_BEFORE_S = 5.0
_WITH_POWER_S, _RISING_SHARE = 2.5, 0.9
# Oscillation goes on until the reservoirs are empty.
_EMPTY_S, _EMPTY_SHARE = 10.0, 0.05
_UNPOWERED_S = 120.0
# With the test signal a level on one side has to be plain: volts, share of the rail.
_PLAIN_V, _PLAIN_SHARE, _GROSS_SHARE, _GROSS_S = 1.0, 0.03, 0.15, 5.0
# Clipping on two channels may differ by this much.
_BOTH_CLIP = 0.3
_FAR_SHARE, _FAR_S = 0.2, 10.0
_TOLD_S, _TOLD_DRIVEN_S, _TOLD_DRIVEN_V = 5.0, 20.0, 0.3


class Hf:
    """Watches both HF envelopes together with the set's own currents, one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._channels = (HfChannel(), HfChannel())
        self._draws = (QuietDraw(), QuietDraw())
        self._coincidences = (Coincidence(0), Coincidence(1))
        self._log = EventLog()
        period_s = 1.0 / facts.rate_hz
        self._window_s, self._before_s = max(_WINDOW_S, 3.0 * period_s), max(_BEFORE_S, 5.0 * period_s)
        self._recent: deque[Second] = deque(maxlen=4 if facts.rate_hz >= 2.0 else 8)
        self._quiet_s = 0.0
        self._busy = False
        self._drive = False
        self._told: list[Finding] = []

    @property
    def events(self) -> list[HfEvent]:
        """What was up under power, in order of its end; what still is comes last."""
        lasting = [self._event(k, self._recent[-1].last_s, self._drive) for k in (0, 1) if self._recent]
        return [*self._log.events, *(e for e in lasting if e is not None)]

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        drive = now.drive
        if now.gap or drive != self._drive or now.drive_s < 3.0:
            self._drive = drive
            self._interrupted(second)
            return []
        self._recent.append(second)
        mean, high = second.mean, second.high
        loud = False
        for k in (0, 1):
            value = mean[HF[k]]
            if value != value:
                continue
            base = self._channels[k].bases[drive]
            if base.base_v != base.base_v:
                base.start(value if not drive else self._start_driven_v(k, value))
            if high[HF[k]] > base.limit_v:
                loud = True
            else:
                base.quiet(value, high[HF[k]])
        calm = now.mains and now.still_s > _STILL_S and now.mains_s > _SETTLED_S
        if now.mains:
            self._coincidences[0].spent(mean[SINK[0]], drive)
            self._coincidences[1].spent(mean[SINK[1]], drive)
        if loud or self._busy:
            return self._active(second, now, calm)
        if calm:
            self._draws[drive].quiet(mean)
        else:
            self._unsettled(now)
        self._quiet_s += now.dt_s
        return []

    def _start_driven_v(self, k: int, value_v: float) -> float:
        idle_v = self._channels[k].bases[False].base_v
        return min(value_v, idle_v + 0.02) if idle_v == idle_v else value_v

    def _interrupted(self, second: Second) -> None:
        """The stream is cut here: what was up is over, as far as anybody can tell."""
        self._recent.clear()
        self._busy = False
        for k in (0, 1):
            self._over(k, second.t_s, not second.drive_on)
        for draw in self._draws:
            draw.interrupted()

    def _unsettled(self, now: Situation) -> None:
        for draw in self._draws:
            # What rules while reservoirs charge is not what rules after.
            if now.mains and now.mains_s < _SETTLED_S:
                draw.forget()
            else:
                draw.interrupted()

    def _active(self, second: Second, now: Situation, calm: bool) -> list[Finding]:
        """Judge a second in which something is or was up."""
        if not calm:
            self._unsettled(now)
        self._draws[now.drive].interrupted()
        if not now.mains:
            self._without_mains(second, now)
            return []
        self._told = []
        if now.drive and self._both_clip(second):
            self._interrupted(second)
            return self._clipping(second, now)
        if self._lasting(second, now):
            self._quiet_s = 0.0
        else:
            seconds = self._recent
            bases = [c.bases[now.drive] for c in self._channels]
            frames = Frames.of(
                seconds,
                [b.base_v for b in bases],
                [b.limit_v for b in bases],
                [c.stay is not None for c in self._channels],
                1.0 / self._facts.rate_hz,
            )
            pending = [self._finished(k, frames, second, now, calm) for k in (0, 1)]
            for k in (0, 1):
                self._staying(k, frames, second, now, calm)
            up = bool(frames.up[:, frames.t_s >= second.first_s].any())
            self._quiet_s = 0.0 if up else self._quiet_s + now.dt_s
            self._busy = up or any(pending)
        found = [self._decided(k, second, now) for k in (0, 1)]
        return [f for f in found if f is not None] + self._told

    def _without_mains(self, second: Second, now: Situation) -> None:
        """Take note of HF that needs no amplifier."""
        empty = now.off_s > _EMPTY_S and not now.alive_v > _EMPTY_SHARE * self._facts.rail_v
        for k, channel in enumerate(self._channels):
            base = channel.bases[now.drive]
            if empty and second.high[HF[k]] > base.limit_v:
                channel.unpowered_s = second.t_s
                base.accept(second.mean[HF[k]])
        self._interrupted(second)
        self._quiet_s = 0.0

    def _both_clip(self, second: Second) -> bool:
        """Tell whether both outputs are up by comparable amounts."""
        rises = [second.mean[HF[k]] - self._channels[k].bases[True].base_v for k in (0, 1)]
        limits = [c.bases[True].limit_v - c.bases[True].base_v for c in self._channels]
        return min(rises) > _BOTH_CLIP * max(rises) and min(rises) > 0.5 * min(limits) and max(rises) > max(limits)

    def _clipping(self, second: Second, now: Situation) -> list[Finding]:
        for k, channel in enumerate(self._channels):
            channel.bases[True].accept(second.mean[HF[k]])
        k = 0 if second.mean[HF[0]] >= second.mean[HF[1]] else 1
        level = second.mean[HF[k]]
        if level < _TOLD_DRIVEN_V or now.drive_s < _TOLD_DRIVEN_S:
            return []
        why = f"{level:.2f} V above 100 kHz on both outputs with the test signal: clipping or worse"
        return [warning(second.t_s, "oscillation", SIDES[k], why)]

    def _lasting(self, second: Second, now: Situation) -> bool:
        """Take in a second that is like the ones before; tell whether it was."""
        rises = []
        for k, channel in enumerate(self._channels):
            stay, base = channel.stay, channel.bases[now.drive]
            rise = second.mean[HF[k]] - base.base_v
            if stay is None:
                if second.high[HF[k]] > base.limit_v:
                    return False
            elif (
                second.t_s - stay.since_s < weigh.HOLD_S + 2.0
                or not second.low[HF[k]] > base.limit_v
                or not abs(rise - stay.excess_v) < 0.15 * stay.excess_v
            ):
                return False
            rises.append(rise)
        for k, channel in enumerate(self._channels):
            stay = channel.stay
            if stay is None:
                continue
            stay.level(rises[k], second.mean[HF[k]], second.high[HF[k]])
            self._place(k, second.mean[HF[k]], rises[k], rises[1 - k], now.drive)
            stay.held = True
            stay.last = None
            self._steady(channel, stay, now)
        return any(c.stay is not None for c in self._channels)

    def _place(self, k: int, level_v: float, rise_v: float, other_v: float, drive: bool) -> None:
        """Take in what both levels' rises say about where the source is."""
        channel = self._channels[k]
        channel.news = True
        channel.level_v, channel.rise_v = level_v, rise_v
        noise = 2.0 * self._channels[1 - k].bases[drive].spread_v
        channel.ratio = (max(other_v, 0.0) + noise) / max(rise_v, 1e-6)
        channel.side = side_evidence(channel.ratio if other_v == other_v else math.nan)

    @staticmethod
    def _steady(channel: HfChannel, stay: Stay, now: Situation) -> None:
        steady = stay.held and (stay.even or stay.gradual) and channel.side >= weigh.STRICT
        stay.steady_s = stay.steady_s + now.dt_s if steady else 0.0

    def _finished(self, k: int, frames: Frames, second: Second, now: Situation, calm: bool) -> bool:
        """Weigh every stay that has ended; return whether one still waits for the frames after it."""
        channel = self._channels[k]
        channel.fade(second.t_s)
        n = len(frames.t_s)
        short: list[tuple[float, float]] = []
        waits = False
        for first, stop in frames.runs(k):
            end_s = float(frames.t_s[stop - 1])
            if end_s <= channel.counted_s + 1e-9 or stop == n:
                continue
            waits = n - stop < 3 and float(frames.t_s[-1]) - end_s < 1.0
            if waits:
                break
            short += self._weigh_end(k, frames, first, stop, now, calm)
            channel.counted_s = end_s
        if short:
            total = sum(evidence for evidence, _ in short)
            channel.add(min(max(total, weigh.BURST_LEAST), max(most for _, most in short)))
        return waits

    def _weigh_end(
        self, k: int, frames: Frames, first: int, stop: int, now: Situation, calm: bool
    ) -> list[tuple[float, float]]:
        """Weigh a stay that is over, from frame first to stop (not included).

        Returns:
            Evidence of a short one and the most that it may count; nothing for one that lasted.
        """
        channel, t_s = self._channels[k], frames.t_s
        start_s, end_s = float(t_s[first]), float(t_s[stop - 1])
        stay = channel.stay
        lasted = stay is not None and end_s - stay.since_s > _SHORT_S
        newest = max(first, int((t_s < end_s - 1.0).sum())) if lasted else first
        during = frames.part(newest, stop)
        after = frames.down(end_s, end_s + self._window_s)
        before = frames.down(start_s - self._window_s, start_s) if first > 0 and not lasted else None
        refs = [m for m in (before, after) if m is not None]
        rise = self._rises(during, refs, now.drive)
        self._place(k, during.hf_v[k], rise[k], rise[1 - k], now.drive)
        alone = not rise[1 - k] > CROSSTALK * rise[k]
        draw = self._draws[now.drive]
        company = company_at(self._facts, draw, during, refs, frames.spread_a) if calm else None
        short: list[tuple[float, float]] = []
        if company is not None:
            channel.risen_a = company.rise_a
            if lasted:
                channel.add(company.evidence(k, (rise[0], rise[1]), alone, weigh.EDGE_LEAST, weigh.EDGE_MOST))
            else:
                if self._facts.unit.shunt_position == "before-reservoir":
                    # Behind the shunts the reservoirs answer first: only the bias is quick.
                    company = replace(company, rise_a=math.nan)
                most = weigh.BURST_MOST if alone else weigh.BURST_BOTH_MOST
                if stop - first == 1 and not alone and frames.period_s < 0.5:
                    most = weigh.CLICK_MOST
                raw = company.evidence(k, (rise[0], rise[1]), alone, -weigh.BURST_RAW, weigh.BURST_RAW)
                short.append((raw, most))
        if stay is not None and lasted:
            channel.add(min(max(stay.live + stay.pairs, weigh.EDGE_LEAST), weigh.EDGE_MOST))
        if stay is None:
            channel.stay = Stay(
                start_s - frames.period_s, self._recent[-1].mean[SINK[k]], None, False, False, now.drive
            )
            channel.stay.level(rise[k], during.hf_v[k], float(frames.high[HF[k], first:stop].max()))
        self._over(k, end_s, now.drive)
        return short

    def _rises(self, during: Means, refs: list[Means], drive: bool) -> list[float]:
        rises = []
        for k, channel in enumerate(self._channels):
            quiet = [r.hf_v[k] for r in refs if r.hf_v[k] == r.hf_v[k]]
            rises.append(during.hf_v[k] - (sum(quiet) / len(quiet) if quiet else channel.bases[drive].base_v))
        return rises

    def _over(self, k: int, end_s: float, drive: bool) -> None:
        """End the present stay of a channel and write it down."""
        channel = self._channels[k]
        event = self._event(k, end_s, drive)
        channel.stay = None
        if event is None:
            return
        self._log.add(event)
        # What is on both outputs and moves no current needs no looking into.
        if channel.side > 0.0 or channel.earlier > 0.0:
            words = self._coincidences[k].happened(event)
            if words:
                self._told.append(warning(end_s, "oscillation", f"hf_{SIDES[k]}_v", words))

    def _event(self, k: int, end_s: float, drive: bool) -> HfEvent | None:
        """Return the present stay of a channel as an event up to end_s, None if there is none."""
        stay = self._channels[k].stay
        if stay is None or not stay.seconds:
            return None
        return HfEvent(SIDES[k], stay.since_s, end_s, stay.peak_v, stay.sum_v / stay.seconds, stay.sink_c, drive)

    def _staying(self, k: int, frames: Frames, second: Second, now: Situation, calm: bool) -> None:
        """Begin or continue the stay that the newest frame is part of, if it is."""
        channel, runs, n = self._channels[k], frames.runs(k), len(frames.t_s)
        if not runs or runs[-1][1] != n:
            return
        first = runs[-1][0]
        if channel.stay is None:
            channel.stay = self._begun(k, frames, first, now, calm)
        stay, base = channel.stay, channel.bases[now.drive]
        start = max(first, int((frames.t_s < second.first_s).sum()))
        here = frames.part(start, n)
        rise = [here.hf_v[i] - c.bases[now.drive].base_v for i, c in enumerate(self._channels)]
        self._place(k, here.hf_v[k], rise[k], rise[1 - k], now.drive)
        stay.level(rise[k], here.hf_v[k], float(frames.high[HF[k], start:n].max()))
        stay.held = float((frames.low[HF[k], start:n] > base.limit_v).mean()) >= 0.75
        bare = all(v != v for v in (*here.rail_a, here.bias_v[k]))
        stay.mute = bare and now.still_s > _STILL_S
        alone = not rise[1 - k] > CROSSTALK * rise[k]
        apart_s = here.t_s - stay.since_s
        if calm and stay.before is not None and apart_s <= weigh.HOLD_S:
            stay.sofar = here if stay.sofar is None else joined(stay.sofar, here)
            company = company_at(
                self._facts, self._draws[now.drive], stay.sofar, [stay.before], frames.spread_a, apart_s
            )
            if company is not None:
                most = weigh.EDGE_MOST + min(apart_s, weigh.HOLD_MOST)
                # What grew before it was up had its current before.
                since = (
                    stay.sofar.hf_v[0] - stay.before.hf_v[0],
                    stay.sofar.hf_v[1] - stay.before.hf_v[1],
                )
                stay.begin(company, company.evidence(k, since, alone, weigh.EDGE_LEAST, most, once=True), apart_s)
                channel.risen_a = company.rise_a
        if calm and not now.drive and stay.last is not None:
            stay.pairs = min(max(stay.pairs + self._pair(k, stay.last, here, rise, frames.spread_a), -3.0), 5.0)
        stay.last = here
        self._steady(channel, stay, now)

    def _begun(self, k: int, frames: Frames, first: int, now: Situation, calm: bool) -> Stay:
        channel = self._channels[k]
        start_s = float(frames.t_s[first]) - frames.period_s
        before = frames.down(start_s - self._before_s, start_s + 1e-9) if calm else None
        if before is not None and before.n < _FEWEST_BEFORE:
            before = None
        ago_s = now.t_s - start_s
        # At full rails a lift is the mains' own step, which means nothing.
        rising = now.alive_v < _RISING_SHARE * self._facts.rail_v
        raised = min(now.mains_s, now.unlifted_s if rising else math.inf) - ago_s < _WITH_POWER_S
        return Stay(
            start_s,
            self._recent[-1].mean[SINK[k]],
            before,
            with_power=raised and self._quiet_s >= _QUIET_BEFORE_S,
            unpowered=start_s - channel.unpowered_s < _UNPOWERED_S,
            driven=now.drive,
        )

    def _pair(self, k: int, last: Means, here: Means, rise: list[float], frame_a: float) -> float:
        """Return what a change of level from one second to the next says, 0 if it hardly changed."""
        change_v = here.hf_v[k] - last.hf_v[k]
        if not abs(change_v) > max(0.05, 0.15 * rise[k]):
            return 0.0
        up, down = (here, last) if change_v > 0.0 else (last, here)
        company = company_at(self._facts, self._draws[False], up, [down], frame_a)
        if company is None:
            return 0.0
        change = (up.hf_v[0] - down.hf_v[0], up.hf_v[1] - down.hf_v[1])
        alone = not change[1 - k] > CROSSTALK * change[k]
        return company.evidence(k, change, alone, weigh.PAIR_LEAST, weigh.PAIR_MOST)

    def _decided(self, k: int, second: Second, now: Situation) -> Finding | None:
        """Return what is to be said of a channel after this second, None if nothing."""
        channel = self._channels[k]
        if not channel.news:
            return None
        channel.news = False
        if channel.score >= TRIP and (not now.drive or self._plain_in_drive(k, channel, second)):
            why = self._why(k, channel, second)
            channel.earlier = 0.0
            return trip(second.t_s, "oscillation", SIDES[k], why)
        stay = channel.stay
        if stay is None:
            return None
        up_s = second.t_s - stay.since_s
        rail = now.alive_v if now.alive_v == now.alive_v else self._facts.rail_v
        shown = f"{channel.level_v:.2f} V above 100 kHz on the {SIDES[k]} output for {up_s:.0f} s"
        alone = channel.ratio < CROSSTALK
        if now.drive:
            if alone and stay.held and channel.rise_v > _GROSS_SHARE * rail and up_s >= _GROSS_S:
                return trip(second.t_s, "oscillation", SIDES[k], f"{shown}, with the test signal, on this side only")
            if up_s >= _TOLD_DRIVEN_S and channel.rise_v > _TOLD_DRIVEN_V:
                return warning(second.t_s, "oscillation", SIDES[k], f"{shown} with the test signal: clipping or worse")
            return None
        unmoved = channel.earlier + stay.live + stay.pairs < -1.0
        plain = stay.held and channel.side > weigh.WEAKER and not stay.unpowered
        if plain and not unmoved and channel.rise_v > _FAR_SHARE * rail and up_s >= _FAR_S:
            return trip(second.t_s, "oscillation", SIDES[k], f"{shown}: no transmitter couples that much")
        if up_s < _TOLD_S or stay.told:
            return None
        stay.told = True
        return warning(second.t_s, "oscillation", SIDES[k], self._doubt(channel, stay, shown))

    def _plain_in_drive(self, k: int, channel: HfChannel, second: Second) -> bool:
        """Tell a level on one side from one channel that clips and another that does not."""
        if not channel.ratio < CROSSTALK:
            return False
        own, other = second.mean[BIAS[k]], second.mean[BIAS[1 - k]]
        driven_alone = own > 3.0 * max(other, self._facts.target_v)
        share = _GROSS_SHARE if driven_alone else _PLAIN_SHARE
        return channel.rise_v > max(_PLAIN_V, share * self._facts.rail_v)

    def _why(self, k: int, channel: HfChannel, second: Second) -> str:
        stay = channel.stay
        what = f"{channel.level_v:.2f} V above 100 kHz on the {SIDES[k]} output"
        if stay is None and channel.bursts > 1:
            what = (
                f"{channel.bursts} bursts, the last of {channel.level_v:.2f} V, above 100 kHz on the {SIDES[k]} output"
            )
        parts = []
        moved = channel.earlier if stay is None else max(channel.earlier, stay.live, stay.pairs)
        if moved >= 2.0 and channel.risen_a > 0.0:
            parts.append(f"both rail currents rise with it, by {channel.risen_a * 1e3:.1f} mA")
        elif moved >= 2.0:
            parts.append("the bias drop rises with it")
        if channel.side >= weigh.STRICT:
            parts.append("the other output is quiet")
        if stay is not None and stay.with_power:
            parts.append("it came with the rails")
        if stay is not None and stay.gradual:
            parts.append(f"it has grown for {second.t_s - stay.since_s:.0f} s")
        return f"{what}: {', '.join(parts)}" if parts else what

    @staticmethod
    def _doubt(channel: HfChannel, stay: Stay, shown: str) -> str:
        if stay.unpowered:
            return f"{shown}; it was there without mains: a transmitter nearby"
        still = stay.live + stay.pairs < -1.0
        if not stay.held:
            return f"{shown}, down again within each frame{', rail current unmoved' if still else ''}: a telephone?"
        if not channel.ratio < CROSSTALK:
            return f"{shown}, on both outputs{', rail current unmoved' if still else ''}: a transmitter nearby?"
        if still:
            return f"{shown}, this side only, rail current unmoved: a weak oscillation, or a transmitter nearby?"
        return f"{shown}, this side only; the rail current cannot tell: oscillation?"
