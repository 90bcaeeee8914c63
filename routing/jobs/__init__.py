"""The whole job, batches, caches and the processes that work."""
