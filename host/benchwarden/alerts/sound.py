"""What makes a sound here? Two patterns that cannot be mistaken, played by what the system has."""

from __future__ import annotations

import array
import io
import math
import os
import shutil
import subprocess
import sys
import tempfile
import wave
from dataclasses import dataclass
from pathlib import Path

from benchwarden.alerts.notice import Notice, Sent

RATE_HZ = 22050
PLAY_S = 8.0
# (frequency, hertz, 0 for silence; length, seconds). Urgent: six bursts, up and down.
_URGENT = ((988.0, 0.18), (740.0, 0.18), (0.0, 0.09)) * 4
_QUIET = ((523.0, 0.16), (0.0, 0.05), (659.0, 0.22))
_EDGE_S = 0.008

# Programs that play a file, by name; the first that is there and does it is taken.
_PLAYERS = (("afplay",), ("paplay",), ("pw-play",), ("aplay", "-q"))


def wav(urgent: bool) -> bytes:
    """Return the sound of an urgent or a quiet notice as a WAV file: 16 bit, one channel."""
    samples = array.array("h")
    level = 0.8 if urgent else 0.35
    for frequency_hz, length_s in _URGENT if urgent else _QUIET:
        count = round(RATE_HZ * length_s)
        for i in range(count):
            # Soft edges: a step is heard as a click.
            edge = min(1.0, min(i, count - 1 - i) / (RATE_HZ * _EDGE_S))
            samples.append(round(32767 * level * edge * math.sin(2 * math.pi * frequency_hz * i / RATE_HZ)))
    if sys.byteorder == "big":
        samples.byteswap()
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(samples.tobytes())
    return out.getvalue()


@dataclass(frozen=True)
class SoundWay:
    """Sounds on the host."""

    name: str = "sound"
    patient: bool = False

    def takes(self, notice: Notice) -> bool:
        return notice.reach in ("all", "sound", "host")

    def send(self, notice: Notice) -> Sent:
        """Make the sound of a notice, with the first that can."""
        return play(notice.urgent)


def play(urgent: bool) -> Sent:
    """Make a sound; it is over after a bounded time."""
    if sys.platform == "win32":
        import winsound

        try:
            winsound.PlaySound(wav(urgent), winsound.SND_MEMORY)
        except RuntimeError as error:
            return Sent(False, f"Windows plays no sound ({error})")
        return Sent(True, "played by winsound")
    tried = []
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
        path = Path(folder) / "notice.wav"
        path.write_bytes(wav(urgent))
        for player in _PLAYERS:
            program = shutil.which(player[0])
            if program is None:
                continue
            if _played([program, *player[1:], str(path)]):
                return Sent(True, f"played by {player[0]}")
            tried.append(player[0])
    known = ", ".join(player[0] for player in _PLAYERS)
    why = f"{', '.join(tried)} did not play it" if tried else f"no player found (looked for {known})"
    if _bell():
        return Sent(True, f"the terminal's bell: {why}")
    return Sent(False, f"{why}, and there is no terminal to ring")


def _played(command: list[str]) -> bool:
    quiet = subprocess.DEVNULL
    try:
        done = subprocess.run(command, stdin=quiet, stdout=quiet, stderr=quiet, timeout=PLAY_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def _bell() -> bool:
    try:
        if not os.isatty(2):
            return False
        os.write(2, b"\a")
    except OSError:
        return False
    return True
