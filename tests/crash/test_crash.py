"""A run's writer is killed at random moments, and its disk fills up; what was acknowledged stays."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from kill_writer import WRITER, kill_many

pytestmark = [pytest.mark.crash, pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX kill and limits")]


def test_ten_kills_lose_nothing_acknowledged(tmp_path: Path) -> None:
    tally = kill_many(tmp_path / "run", kills=10, seed=10)
    assert tally.acknowledged > 0
    assert tally.kills_in_merges == 3


@pytest.mark.slow
def test_a_hundred_kills_lose_nothing_acknowledged(tmp_path: Path) -> None:
    tally = kill_many(tmp_path / "run", kills=100, seed=100)
    assert tally.acknowledged > 0
    assert tally.kills_in_merges == 33


def check_filled(output: bytes, seen: str) -> None:
    told = json.loads(output.splitlines()[-1])
    assert told["stored"] == [True, False], "once on the reserve, then no more"
    assert seen in told["messages"][0]
    assert "space kept in reserve" in told["messages"][0]
    assert f"ends with frame {told['durable']} and stays readable up to there" in told["messages"][1]
    assert f"{told['waiting']} newer frames" in told["messages"][1]
    assert told["durable"] > 1000
    assert told["whole"], "what is read while the disk is full is what was acknowledged"
    assert told["readable_while_full"] == told["durable"]
    assert told["waiting"] > 0
    # Room was made: what waited in memory has followed.
    assert told["after"] == told["durable"] + told["waiting"]
    assert (told["gaps"], told["damage"], told["closed"]) == (0, 0, True)


def mount_namespace() -> list[str]:
    """Return a command prefix under which a small file system can be mounted for one process only.

    A user namespace gives that without privileges; where the system forbids
    those, the superuser's own mount namespace does.
    """
    unshare = shutil.which("unshare")
    if unshare is None:
        return []
    for prefix in (["-Urm"], ["-m"]):
        for sudo in ([], ["sudo", "-n"]):
            command = [*sudo, unshare, *prefix]
            if sudo and shutil.which("sudo") is None:
                continue
            trial = [*command, "mount", "-t", "tmpfs", "-o", "size=1m", "none", "/mnt"]
            if subprocess.run(trial, capture_output=True, check=False).returncode == 0:
                return command
    return []


def test_a_really_full_disk(tmp_path: Path) -> None:
    """ENOSPC from the system: a 6 MB tmpfs in a namespace of its own."""
    prefix = mount_namespace()
    if not prefix:
        pytest.skip("no file system can be mounted here, not even in a user namespace")
    inner = 'mount -t tmpfs -o size=6m none "$1" && shift && exec "$@"'
    run = tmp_path / "disk" / "run"
    run.parent.mkdir()
    command = [*prefix, "sh", "-c", inner, "sh", str(run.parent), sys.executable, str(WRITER), str(run), "1", "--fill"]
    done = subprocess.run(command, capture_output=True, check=False, env={**os.environ, "TMPDIR": str(tmp_path)})
    assert done.returncode == 0, done.stderr.decode()
    check_filled(done.stdout, "the disk is full")


def test_a_file_size_limit(tmp_path: Path) -> None:
    """EFBIG, as quotas and limits give it: everywhere, without privileges."""
    command = [sys.executable, str(WRITER), str(tmp_path / "run"), "2", "--fill", "--limit"]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    told = json.loads(done.stdout.splitlines()[-1])
    # The reserve is another file: giving it up helps a full disk, not a limit on one file.
    assert told["stored"][-1] is False
    assert "the disk takes no more" in told["messages"][-1]
    assert told["durable"] > 1000
    assert told["whole"]
    assert told["readable_while_full"] == told["durable"]
    assert told["after"] == told["durable"] + told["waiting"]
    assert (told["gaps"], told["damage"], told["closed"]) == (0, 0, True)
