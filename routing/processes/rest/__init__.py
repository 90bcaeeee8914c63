"""What a process leaves of a feature, as bodies."""
