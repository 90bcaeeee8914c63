"""Milling, drilling and thread milling."""
