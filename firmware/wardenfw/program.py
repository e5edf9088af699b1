"""Is the program on the board the one that was installed? Checked against its listing, a piece at a time.

The listing is the file `program.txt`: per file `crc32 size path`, sorted by
path, then `sha256 digest` of all bytes before that line. It is the last file
the installer writes. Whatever the interpreter could import and is not listed
is as wrong as a changed file: `app.py` beside `app.mpy` would run instead of it.
"""

import binascii
import hashlib

LISTING = "program.txt"
NO_LISTING = "no listing: not installed by the installer"
NOT_YET = "not checked yet"
MAX_LISTING = 8192
PIECE = 1024
SHORT_DIGITS = 16
_RUNS = (".py", ".mpy")
# Named in words; more than this many wrong files are only counted.
_NAMED = 3


def parse(data):
    """Return (files, digest) of a listing: {path: (crc32, size)} and 64 hex digits.

    Raises:
        ValueError: it is not a whole, intact listing; says what is wrong.
    """
    end = data.rfind(b"\n", 0, len(data) - 1) + 1
    last = str(data[end:], "ascii").split(" ")
    if len(last) != 2 or last[0] != "sha256" or not last[1].endswith("\n"):
        raise ValueError("listing is cut short")
    digest = str(binascii.hexlify(hashlib.sha256(data[:end]).digest()), "ascii")
    if last[1] != digest + "\n":
        raise ValueError("listing was edited")
    files = {}
    for line in str(data[:end], "ascii").split("\n")[:-1]:
        crc, size, path = line.split(" ", 2)
        files[path] = int(crc, 16), int(size)
    return files, digest


class ProgramCheck:
    """
    Args:
        flash: see flash.Flash.

    Attributes:
        result: "ok", or what the last whole pass found wrong, or NOT_YET.
        digest: of the listing, "" when there is none.
        wrong: of the last whole pass, path -> what is wrong with it.
        passes: whole passes so far.
    """

    def __init__(self, flash):
        self._flash = flash
        self._buf = bytearray(PIECE)
        self._view = memoryview(self._buf)
        self.result = NOT_YET
        self.digest = ""
        self.files = {}
        self.wrong = {}
        self.passes = 0
        self._waiting = None
        self._found = {}
        self._at = 0
        self._crc = 0

    def info(self):
        """Return what an INFO about the program says."""
        return {
            "ok": self.result == "ok",
            "result": self.result,
            "digest": self.digest,
            "files": len(self.files),
            "bytes": sum([size for _, size in self.files.values()]),
            "wrong": self.wrong,
            "passes": self.passes,
        }

    def run(self, feed):
        """Check everything now; `feed()` is called between pieces. Return the result."""
        self._waiting = None
        while not self.step():
            feed()
        return self.result

    def step(self):
        """Check the next piece, at most PIECE bytes; return True when a pass has just ended."""
        try:
            if self._waiting is None:
                return self._begin()
            if self._waiting:
                self._piece(self._waiting[-1])
                return False
            self._look_for_strangers()
        except OSError as error:
            self._end("flash: " + repr(error))
            return True
        self._end("")
        return True

    def _begin(self):
        """Read the listing; return True when there is nothing to go by."""
        self._found = {}
        size = self._flash.size(LISTING)
        self.digest = ""
        self.files = {}
        if size < 0:
            self._end(NO_LISTING)
            return True
        if not 0 < size <= MAX_LISTING:
            self._end("listing has %d bytes" % size)
            return True
        data = bytearray(size)
        n = self._flash.read_into(LISTING, 0, data)
        try:
            self.files, self.digest = parse(bytes(data[:n]))
        except ValueError as error:
            # A number that is none counts as edited, like any other character.
            said = str(error)
            self._end(said if said.startswith("listing") else "listing was edited")
            return True
        self._waiting = sorted(self.files, reverse=True)
        self._at = self._crc = 0
        return False

    def _piece(self, path):
        crc, size = self.files[path]
        if self._at == 0:
            has = self._flash.size(path)
            if has != size:
                self._found[path] = "missing" if has < 0 else "has %d bytes, listed %d" % (has, size)
                self._waiting.pop()
                return
        n = self._flash.read_into(path, self._at, self._buf)
        if n > 0:
            self._crc = binascii.crc32(self._view[:n], self._crc)
            self._at += n
        if n < PIECE or self._at >= size:
            if self._crc & 0xFFFFFFFF != crc or self._at != size:
                self._found[path] = "changed"
            self._waiting.pop()
            self._at = self._crc = 0

    def _look_for_strangers(self):
        for path in self._flash.names(""):
            if path not in self.files and path[path.rfind(".") :] in _RUNS:
                self._found[path] = "not part of the program"

    def _end(self, said):
        self.wrong = self._found
        if not said and self.wrong:
            named = sorted(self.wrong)
            said = ", ".join(["%s %s" % (path, self.wrong[path]) for path in named[:_NAMED]])
            if len(named) > _NAMED:
                said += " and %d more" % (len(named) - _NAMED)
        self.result = said or "ok"
        self.passes += 1
        self._waiting = None
