"""Serve the page."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from featurize.system import data_folder
from routing.cli.commands.options import Debug, ShopFile, TimeLimit, one_line_errors

TOKEN = "DIEROUTE_TOKEN"


def register(app: typer.Typer) -> None:
    app.command()(serve)


def serve(
    port: Annotated[int, typer.Option(help="0 takes any that is free.", min=0, max=65535)] = 8470,
    folder: Annotated[Path | None, typer.Option(help="Where jobs are kept.", show_default=False)] = None,
    open_to: Annotated[
        str | None,
        typer.Option(help="Address to listen on for other machines too; needs a token.", metavar="HOST"),
    ] = None,
    token: Annotated[
        str | None,
        typer.Option(help="What visitors must show; made up where needed.", envvar=TOKEN),
    ] = None,
    people: Annotated[
        Path | None,
        typer.Option(help='A token for each person: lines of name = "token".', show_default=False),
    ] = None,
    address: Annotated[
        str | None,
        typer.Option(
            help="What browsers open where a proxy stands before this server.", metavar="https://NAME"
        ),
    ] = None,
    workers: Annotated[int, typer.Option(help="Jobs worked on at once.", min=1, max=16)] = 2,
    shop: ShopFile = None,
    size_limit: Annotated[float, typer.Option(help="Largest file taken, MB.", min=0.001, max=200)] = 200.0,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Serve a page for the browser: drop models on it, look, choose, compare. For this machine alone."""
    with one_line_errors(debug):
        from routing.inputs.shop import load_shop
        from routing.web.server import run_server

        load_shop(shop)  # a fault in it is better told now
        run_server(
            folder or data_folder() / "dieroute",
            lambda text: typer.echo(f"dieroute: {text}"),
            port=port,
            open_to=open_to,
            # An empty one in the environment counts as given: whoever set it wants no open door.
            token=os.environ.get(TOKEN) if token is None else token,
            people=people,
            address=address.rstrip("/") if address else None,
            workers=workers,
            shop=shop,
            size_limit_mb=size_limit,
            time_limit_s=time_limit,
            debug=debug,
        )
