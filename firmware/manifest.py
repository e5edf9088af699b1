"""What is installed on the board, in MicroPython's manifest format.

For MicroPython 1.24 or newer on RP2040. The package goes on compiled
(`mpy-cross -O3 -march=armv6m`), boot.py and main.py as text: compiling on the
board leaves the heap in pieces, and a collection then takes 18 ms instead of
10 ms (emulated), longer than a scan's period.
"""

metadata(description="Bench monitor firmware", version="0.1.0")  # type: ignore # noqa: F821
package("wardenfw", opt=3)  # type: ignore # noqa: F821
module("boot.py", opt=0)  # type: ignore # noqa: F821
module("main.py", opt=0)  # type: ignore # noqa: F821
