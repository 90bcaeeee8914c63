"""The command line. Nothing here imports the kernel: help must come at once."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from featurize import system
from routing.cli.commands import register_all

app = typer.Typer(
    name="dieroute",
    help="From a die insert's STEP model to a route: what to wire, grind, mill and sink-erode.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"dieroute {version('dieroute')}")
        raise typer.Exit


@app.callback()
def _common(
    _version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None: ...


register_all(app)


def main() -> None:
    """Entry point of the command."""
    system.speak_utf8()
    system.on_terminate(sys.exit)  # an exception, so that the temporary folder and the child go too
    app()
