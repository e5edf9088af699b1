"""Seeded runs whose truth is known, what judges them, and how right it was."""
