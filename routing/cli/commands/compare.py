"""Compare two revisions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from routing.cli.commands.options import (
    ChoicesFile,
    Debug,
    Edges,
    Json,
    Material,
    Present,
    Processes,
    ShopFile,
    Supplied,
    ThreadColours,
    Threads,
    TimeLimit,
    WorkingSide,
    one_line_errors,
    settle,
)

DIFFERS = 1


def register(app: typer.Typer) -> None:
    app.command()(compare)


def compare(
    old: Annotated[Path, typer.Argument(help="STEP file of the earlier revision.", metavar="OLD.step")],
    new: Annotated[Path, typer.Argument(help="STEP file of the later one.", metavar="NEW.step")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="New file for the result as JSON.")] = None,
    material: Material = None,
    working_side: WorkingSide = None,
    thread: Threads = None,
    thread_colour: ThreadColours = None,
    process: Processes = None,
    edge: Edges = None,
    present: Present = None,
    supplied: Supplied = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    as_json: Json = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with status 1 when anything differs.")
    ] = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Say what changed between two revisions: features new, gone, moved or resized, and operations."""
    with one_line_errors(debug):
        settled = settle(
            old,
            choices,
            material=material,
            working_side=working_side,
            thread=thread,
            thread_colour=thread_colour,
            process=process,
            edge=edge,
            present=present,
            supplied=supplied,
        )
        from routing.cli import console, skeleton
        from routing.inputs.shop import load_shop
        from routing.jobs.reports import compare_models

        with console.progress() as report:
            result = compare_models(old, new, settled, load_shop(shop), report, time_limit_s=time_limit)
        content = json.dumps(result, indent=2, ensure_ascii=False)
        if out:
            skeleton.write(out, content + "\n")
        if as_json:
            typer.echo(content)
        else:
            console.show_comparison(result)
    if strict and not result["same"]:
        raise typer.Exit(DIFFERS)
