"""In which order does the garbage collector meet the program?

MicroPython's collector keeps what it has found and not yet looked into on a
stack of 64 entries. When that overflows it goes over the whole heap once more,
and a collection takes twice as long: 22 ms instead of 12 ms on the emulated
board, two scans lost. The names of a module all wait there at once, and those
of the modules it imports come on top.

It begins with the globals of the function that called for the collection.
Those of this module are few, and hold the modules in a chain.

Source: py/gc.c of MicroPython 1.24 (gc_collect_start, MICROPY_ALLOC_GC_STACK_SIZE),
from memory; figures measured with tests/emulator/soak.py.
"""

import sys

# The two with the most names, which nearly all others import.
FIRST = ("wardenfw.wire", "wardenfw.scale")
# And those that hold most of the others: the package has every module among its names.
LAST = ("wardenfw", "wardenfw.app")

_held = []


def one_by_one():
    """Let the collector finish one module before it finds the next.

    A pair's second half is looked into first, while the first half waits: of a
    chain of pairs that is a single entry.
    """
    modules = sys.modules
    names = [name for name in modules if name not in FIRST and name not in LAST]
    chain = None
    for name in list(LAST) + names + list(FIRST):
        chain = (chain, modules[name])
    _held[:] = [chain]


def collect_by(collect):
    """Call `collect` from here."""
    collect()
