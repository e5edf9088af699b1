"""Started by MicroPython after boot.py."""

from wardenfw.app import main

main()
