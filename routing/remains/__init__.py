"""What a process would leave of a feature, as bodies."""
