"""The serial link to the board."""
