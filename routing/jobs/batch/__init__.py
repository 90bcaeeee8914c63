"""Many files: over worker processes or a cluster, resumed after a kill, cached."""
