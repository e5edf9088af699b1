"""Do the buffers hold what is written to them? A march over blocks of bytes.

The elements are those of March C- with a block of bytes in the place of a
cell: write 0 upwards; read 0, write 1 upwards; read 1, write 0 upwards; the
same downwards; read 0. "0" is a checkerboard that differs from block to block,
"1" its complement. At power-on the march goes over a whole buffer; later, when
the buffers hold frames and a trip, over one block at a time, which is put back.
Reading and writing a block are loops in C, a cell at a
time would take seconds. Found: cells that are stuck or do not follow and, at power-on, two blocks that are
one and a write that disturbs another block. Not found: what only shows between
cells of one block. Not tested: the rest of the heap, the stack, the program.

Source: March C- after van de Goor, Using March Tests to Test SRAMs, IEEE
Design & Test 10(1), 1993, from memory; IEC 60730-1 annex H, H.2.19.6, from memory.
"""

from array import array

BLOCK_BYTES = 128
_SIZES = {"B": 1, "i": 4, "I": 4}


class RamTest:
    """
    Args:
        buffers: sequence of (name, typecode, buffer), an array.array or, with "B", a bytearray.
    """

    def __init__(self, buffers):
        self._buffers = buffers

    def run(self, power_on, feed):
        """Return "ok" or which buffer does not hold a pattern.

        Args:
            power_on: buffers longer than a block hold nothing but zeros yet.
            feed: keeps the hardware watchdog quiet.
        """
        for name, code, buffer in self._buffers:
            blocks = _blocks(buffer, code)
            if power_on and len(blocks) > 1:
                bad = march(blocks, code)
                for block in blocks:
                    block[:] = array(code, bytes(len(block) * _SIZES[code]))
            else:
                bad = _one_by_one(blocks, code, feed)
            feed()
            if bad >= 0:
                return "%s does not hold a pattern in block %d of %d" % (name, bad, len(blocks))
        return "ok"


def march(blocks, code):
    """Return the number of the first block that does not hold a pattern, -1 when all do; their contents are gone."""
    zero, one = _checkerboards(blocks, code)
    up = range(len(blocks))
    down = range(len(blocks) - 1, -1, -1)
    for i in up:
        blocks[i][:] = zero[i]
    for order, old, new in ((up, zero, one), (up, one, zero), (down, zero, one), (down, one, zero)):
        for i in order:
            if blocks[i] != old[i]:
                return i
            blocks[i][:] = new[i]
    for i in down:
        if blocks[i] != zero[i]:
            return i
    return -1


def _one_by_one(blocks, code, feed):
    for i in range(len(blocks)):
        block = blocks[i]
        kept = array(code, block)
        bad = march([block], code)
        block[:] = kept
        if bad >= 0 or block != kept:
            return i
        if i % 64 == 63:
            feed()
    return -1


def _blocks(buffer, code):
    view = memoryview(buffer)
    step = BLOCK_BYTES // _SIZES[code]
    return [view[at : at + step] for at in range(0, len(view), step)]


def _checkerboards(blocks, code):
    """Return (zero, one): for each block its pattern and the complement; neighbours differ."""
    patterns = (b"\x55\xaa", b"\xaa\x55", b"\x55\x55", b"\xaa\xaa")
    full = [array(code, p * (BLOCK_BYTES // 2)) for p in patterns]
    last = len(blocks[-1]) * _SIZES[code]
    ends = [array(code, (p * (BLOCK_BYTES // 2))[:last]) for p in patterns]
    zero, one = [], []
    for i in range(len(blocks)):
        of = ends if i == len(blocks) - 1 else full
        zero.append(of[(0, 2)[i & 1]])
        one.append(of[(1, 3)[i & 1]])
    return zero, one
