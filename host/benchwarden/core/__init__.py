"""Plain data and rules shared by every part: channels, units, stages, limits, time."""
