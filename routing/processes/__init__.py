"""The processes of the trade, one folder each, and what they share."""
