"""List what a person should settle."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from routing.cli.commands.options import (
    ChoicesFile,
    Debug,
    DrawingFile,
    Json,
    Model,
    ShopFile,
    ThreadColours,
    Threads,
    TimeLimit,
    WorkingSide,
    one_line_errors,
    settle,
)


def register(app: typer.Typer) -> None:
    app.command()(doubts)


def doubts(
    model: Model,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Choices file to write, with an entry to fill in for each doubt."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write MODEL.choices.toml beside the model; never over a file.")
    ] = False,
    working_side: WorkingSide = None,
    thread: Threads = None,
    thread_colour: ThreadColours = None,
    drawing: DrawingFile = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    as_json: Json = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """List what a person should settle, the most doubtful first; can write a choices file to fill in."""
    with one_line_errors(debug):
        settled = settle(
            model,
            choices,
            working_side=working_side,
            thread=thread,
            thread_colour=thread_colour,
            drawing=drawing and str(drawing),
        )
        from routing.cli import console, skeleton
        from routing.inputs.shop import load_shop
        from routing.jobs.reports import list_doubts

        with console.progress() as report:
            parts = list_doubts(model, settled, load_shop(shop), report, time_limit_s=time_limit)
        if as_json:
            typer.echo(json.dumps(parts, indent=2, ensure_ascii=False))
        else:
            console.show_doubts(parts)
        if target := out or (model.with_name(f"{model.stem}.choices.toml") if write else None):
            skeleton.write(target, skeleton.text(parts))
            typer.echo(f"written to {target}", err=as_json)
