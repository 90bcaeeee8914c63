"""The command line."""

from routing.cli.app import main

__all__ = ["main"]
