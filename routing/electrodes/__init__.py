"""Electrodes for sink-erosion: their bodies, how many of each, what they cost, how deep they burn."""
