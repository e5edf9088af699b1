"""Bench monitor firmware: scans the sensors, owns the mains relay, reports to the host."""

VERSION = "0.1.0"
