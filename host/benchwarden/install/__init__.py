"""Putting the firmware on a board: what to copy, where to, in which order, and the proof that it is there."""
