"""The printed record of a run."""
