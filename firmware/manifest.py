"""What is installed on the board: MicroPython 1.24 or newer for RP2040, `manifest.py` format."""

metadata(description="Bench monitor firmware", version="0.1.0")  # type: ignore # noqa: F821
package("wardenfw")  # type: ignore # noqa: F821
module("boot.py")  # type: ignore # noqa: F821
module("main.py")  # type: ignore # noqa: F821
