"""Where the board keeps what must survive a reset: files, read in pieces and written whole.

The only module that opens files. Names are paths from the root of the board's
file system, without a leading slash. A write that is cut short leaves the old
content, the new content or neither: whoever writes reads back, and whoever
reads brings a checksum.
"""

import os

ENOENT = 2
_FOLDER = 0x4000


class Flash:
    def read_into(self, name, offset, buf):
        """Fill `buf` from byte `offset` of a file.

        Returns:
            How many bytes were read, fewer than the buffer at the file's end; -1: no such file.

        Raises:
            OSError: the file is there and cannot be read.
        """
        try:
            with open(name, "rb") as file:
                file.seek(offset)
                return file.readinto(buf)
        except OSError as error:
            return _absent(error)

    def size(self, name):
        """Return a file's length in bytes, -1 when there is no such file."""
        try:
            return os.stat(name)[6]
        except OSError as error:
            return _absent(error)

    def write(self, name, data):
        """Replace a file's content, or make the file.

        Raises:
            OSError: no room, or the flash refuses.
        """
        with open(name, "wb") as file:
            file.write(data)

    def names(self, folder):
        """Return the sorted paths of all files in `folder` and below it, "" for all; empty without such a folder."""
        found = []
        waiting = [folder]
        while waiting:
            at = waiting.pop()
            try:
                entries = os.listdir(at or ".")
            except OSError as error:
                _absent(error)
                continue
            for entry in entries:
                path = at + "/" + entry if at else entry
                if os.stat(path)[0] & _FOLDER:
                    waiting.append(path)
                else:
                    found.append(path)
        found.sort()
        return found


def _absent(error):
    if error.args and error.args[0] == ENOENT:
        return -1
    raise error
