"""Say what would make a part cheaper."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from routing.cli.commands.options import (
    Blank,
    ChoicesFile,
    Debug,
    Json,
    Margin,
    Material,
    Model,
    Out,
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


def register(app: typer.Typer) -> None:
    app.command()(cheaper)


def cheaper(
    model: Model,
    out: Out = None,
    material: Material = None,
    working_side: WorkingSide = None,
    blank: Blank = None,
    blank_margin: Margin = None,
    thread: Threads = None,
    thread_colour: ThreadColours = None,
    process: Processes = None,
    present: Present = None,
    supplied: Supplied = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    trials: Annotated[int, typer.Option(help="How many changes are tried at most.", min=1, max=200)] = 16,
    seconds: Annotated[float, typer.Option(help="How long changes are tried in all.", min=1)] = 300.0,
    as_json: Json = False,
    time_limit: TimeLimit = 900.0,
    debug: Debug = False,
) -> None:
    """Try small changes to the model and list those that make it cheaper, with a letter to the customer."""
    with one_line_errors(debug):
        settled = settle(
            model,
            choices,
            material=material,
            working_side=working_side,
            blank=blank,
            blank_margin=blank_margin,
            thread=thread,
            thread_colour=thread_colour,
            process=process,
            present=present,
            supplied=supplied,
        )
        from routing.cli import console
        from routing.inputs.shop import load_shop
        from routing.jobs.cheaper import Budget, list_hints

        target = out or model.with_name(f"{model.stem}-cheaper")
        with console.progress() as report:
            found = list_hints(
                model,
                target,
                settled,
                load_shop(shop),
                report,
                budget=Budget(trials, seconds),
                time_limit_s=time_limit,
            )
        if as_json:
            typer.echo(json.dumps({"out": str(target), "parts": found}, indent=2, ensure_ascii=False))
        else:
            console.show_hints(found, target)
