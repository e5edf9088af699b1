"""The sense board as source: what is joined to what, with which parts, and how it is simulated and drawn."""
