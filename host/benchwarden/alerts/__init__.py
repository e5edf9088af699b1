"""Tells a person about a run that nobody watches: rules, ways out, and the loop between them.

A process of its own that reads the status file; nothing it does or fails to do reaches the bench.
"""
