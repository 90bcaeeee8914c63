"""Sink-erosion and its electrodes."""
