"""The sounds: what they are, what plays them, and what is said when nothing does."""

from __future__ import annotations

import io
import os
import stat
import sys
import wave
from pathlib import Path

import numpy as np
import pytest

from benchwarden.alerts import sound
from benchwarden.alerts.notice import Notice
from benchwarden.alerts.sound import SoundWay, play, wav

pytestmark = pytest.mark.skipif(os.name != "posix", reason="players are programs on the path")


def player(folder: Path, name: str, script: str) -> None:
    path = folder / name
    path.write_text(f"#!{sys.executable}\n{script}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


def keeps(into: Path) -> str:
    return f"import shutil, sys; shutil.copy(sys.argv[-1], {str(into)!r})"


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine without any player, and without a terminal."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    monkeypatch.setattr(os, "isatty", lambda handle: False)
    return folder


def tones_hz(data: bytes) -> set[int]:
    """Return the frequencies that stand out, by a spectrum of the whole sound."""
    with wave.open(io.BytesIO(data)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        rate_hz, samples = file.getframerate(), np.frombuffer(file.readframes(file.getnframes()), "<i2")
    power = np.abs(np.fft.rfft(samples.astype(float)))
    at_hz = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    loud = at_hz[power > 0.4 * power.max()]
    return {int(round(f, -2)) for f in loud}


def test_urgent_and_quiet_cannot_be_mistaken() -> None:
    urgent, quiet = wav(True), wav(False)
    assert tones_hz(urgent) == {700, 1000}
    assert tones_hz(quiet) == {500, 700}
    assert len(urgent) > 3 * len(quiet)


def test_nothing_clips_and_edges_are_soft() -> None:
    for urgent in (True, False):
        with wave.open(io.BytesIO(wav(urgent))) as file:
            samples = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
        assert np.abs(samples).max() < 32767
        assert samples[0] == samples[-1] == 0


def test_a_player_on_the_path_gets_the_sound_and_is_named(bare: Path, tmp_path: Path) -> None:
    heard = tmp_path / "heard.wav"
    player(bare, "aplay", keeps(heard))
    sent = play(True)
    assert sent.ok
    assert sent.said == "played by aplay"
    assert heard.read_bytes() == wav(True)


def test_a_player_that_fails_gives_way_to_the_next(bare: Path, tmp_path: Path) -> None:
    heard = tmp_path / "heard.wav"
    player(bare, "paplay", "raise SystemExit(1)")
    player(bare, "aplay", keeps(heard))
    assert play(False).said == "played by aplay"
    assert heard.read_bytes() == wav(False)


def test_a_player_that_hangs_is_ended(bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "PLAY_S", 0.5)
    mark = tmp_path / "pid"
    player(bare, "paplay", f"import os, time; open({str(mark)!r}, 'w').write(str(os.getpid())); time.sleep(60)")
    sent = play(True)
    assert not sent.ok
    assert "paplay did not play it" in sent.said
    if mark.exists():
        with pytest.raises(ProcessLookupError):
            os.kill(int(mark.read_text()), 0)


def test_without_a_player_the_terminal_rings(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read, write = os.pipe()
    monkeypatch.setattr(os, "isatty", lambda handle: True)
    real = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: real(write if handle == 2 else handle, data))
    sent = play(True)
    assert sent.ok
    assert "bell" in sent.said
    assert os.read(read, 10) == b"\a"
    os.close(read)
    os.close(write)


def test_without_anything_it_is_said(bare: Path) -> None:
    sent = SoundWay().send(Notice("trip", True, "t", "t", 0.0))
    assert not sent.ok
    assert "no player found" in sent.said
    assert "paplay" in sent.said
