"""List what is recognised."""

from __future__ import annotations

import json

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
    app.command()(features)


def features(
    model: Model,
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
    """List what is recognised, without routing it; writes nothing."""
    with one_line_errors(debug):
        settled = settle(
            model,
            choices,
            working_side=working_side,
            thread=thread,
            thread_colour=thread_colour,
            drawing=drawing and str(drawing),
        )
        from routing.cli import console
        from routing.inputs.shop import load_shop
        from routing.jobs.job import list_features

        with console.progress() as report:
            parts = list_features(model, settled, load_shop(shop), report, time_limit_s=time_limit)
        if as_json:
            typer.echo(json.dumps(parts, indent=2, ensure_ascii=False))
        else:
            console.show_features(parts)
