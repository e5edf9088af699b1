"""Supervised first power-up and burn-in of repaired audio power amplifiers."""

__version__ = "0.1.0"
