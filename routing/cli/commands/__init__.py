"""The commands, each a module with ``register(app)``; none loads the kernel: help must come at once."""

from __future__ import annotations

import typer

from routing.cli.commands import (
    batch,
    cheaper,
    compare,
    doubts,
    dry_run,
    features,
    like,
    route,
    serve,
    shop,
    took,
    watch,
)

# In the order in which help lists them.
COMMANDS = (route, batch, watch, features, doubts, compare, cheaper, dry_run, shop, serve, took, like)


def register_all(app: typer.Typer) -> None:
    for command in COMMANDS:
        command.register(app)
