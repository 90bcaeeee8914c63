"""The commands, each a module with ``register(app)``; none loads the kernel: help must come at once."""

from __future__ import annotations

import typer

from routing.commands import compare, doubts, features, route

# In the order in which help lists them.
COMMANDS = (route, features, doubts, compare)


def register_all(app: typer.Typer) -> None:
    for command in COMMANDS:
        command.register(app)
