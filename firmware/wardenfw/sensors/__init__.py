"""Register-level drivers, one file per part; each is given its bus."""
