"""Wire erosion."""
