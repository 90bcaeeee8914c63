"""Blank, ground stock, proof and files of the stock."""
