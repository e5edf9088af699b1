"""Relay pins forced open before anything else is imported; wardenfw/board.py has the same numbers."""

from machine import Pin

for _number in (14, 15, 16):  # RELAY_ENABLE, RELAY_PULSE, BYPASS
    Pin(_number, Pin.OUT, value=0)
