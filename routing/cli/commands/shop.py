"""`dieroute shop`: write a shop file to start from, check one, explain its values."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from routing.cli.commands.options import Debug, Json, one_line_errors

File = Annotated[Path, typer.Argument(help="The shop's TOML file.", metavar="FILE.toml")]


def register(app: typer.Typer) -> None:
    shop = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
    for command in (new, check, explain):
        shop.command()(command)
    app.add_typer(shop, name="shop", help="The shop file: start one, check one, explain its values.")


def new(
    file: File,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
    debug: Debug = False,
) -> None:
    """Write a shop file with every default and what it means."""
    with one_line_errors(debug):
        from routing.inputs.shop.load import write_default

        write_default(file, replace=replace)
    typer.echo(f"written to {file}")


def check(file: File, debug: Debug = False) -> None:
    """Say whether a shop file can be used; what is wrong is told by line and key."""
    with one_line_errors(debug):
        from routing.inputs.shop import load_shop

        load_shop(file)
    typer.echo(f"{file.name} can be used")


def explain(
    key: Annotated[
        str, typer.Argument(help="A key such as rates.wire or rates.wire.slug_min; all without one.")
    ] = "",
    shop: Annotated[
        Path | None, typer.Option("--shop", help="A shop file, whose values are told beside the defaults.")
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Tell each value with its unit, meaning, default and basis."""
    with one_line_errors(debug):
        from dataclasses import asdict

        from routing.inputs.shop.explain import explain as explained

        found = explained(key, shop)
    if as_json:
        typer.echo(json.dumps([asdict(e) for e in found], indent=2, ensure_ascii=False))
        return
    for e in found:
        unit = f" {e.unit}" if e.unit else ""
        default = f"default {e.default}{unit}" if e.default else "no default"
        typer.echo(f"{e.key} = {e.value}{unit} ({default})")
        typer.echo(f"    {e.meaning[:1].upper()}{e.meaning[1:]}.")
        typer.echo(f"    Basis: {e.basis}.")
