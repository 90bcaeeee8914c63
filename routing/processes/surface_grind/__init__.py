"""Surface grinding."""
