"""Live pages in a browser and in a terminal; a process of its own."""
