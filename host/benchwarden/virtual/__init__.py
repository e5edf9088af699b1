"""The virtual bench: real firmware on modelled parts, amplifier and mains."""
