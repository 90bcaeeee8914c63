"""The customer's drawing beside the model: read, matched to features, asked about where it is in doubt."""
