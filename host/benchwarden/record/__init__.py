"""What is kept of a run: journal, recovery, recordings, status file."""
