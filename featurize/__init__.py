"""STEP in, machining features out. Knows geometry and nothing of processes."""
