"""Computation on samples and unit facts: levels, plan figures, detectors, verdict."""
