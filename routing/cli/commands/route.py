"""Route one model."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from featurize.isolate import start_ahead
from routing.cli.commands.options import (
    BLOCKED,
    Blank,
    ChoicesFile,
    Debug,
    DrawingFile,
    Edges,
    Floor,
    Json,
    Margin,
    Material,
    Model,
    Out,
    Present,
    Processes,
    ShopFile,
    Strict,
    Supplied,
    ThreadColours,
    Threads,
    TimeLimit,
    Wall,
    WorkingSide,
    one_line_errors,
    settle,
)
from routing.jobs.loading import load


def register(app: typer.Typer) -> None:
    app.command()(route)


def route(
    model: Model,
    out: Out = None,
    material: Material = None,
    working_side: WorkingSide = None,
    blank: Blank = None,
    blank_margin: Margin = None,
    allowance: Floor = None,
    wall_allowance: Wall = None,
    thread: Threads = None,
    thread_colour: ThreadColours = None,
    process: Processes = None,
    edge: Edges = None,
    present: Present = None,
    supplied: Supplied = None,
    drawing: DrawingFile = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    as_json: Json = False,
    strict: Strict = None,
    cache: Annotated[
        Path | None,
        typer.Option(envvar="DIEROUTE_CACHE", help="Folder that keeps results; none is kept without it."),
    ] = None,
    papers: Annotated[
        bool,
        typer.Option("--papers/--no-papers", help="All papers, or route.json and plain tables alone."),
    ] = True,
    dry_run: Annotated[
        bool, typer.Option("--dry-run/--no-dry-run", help="Machine the papers on paper, or leave that out.")
    ] = True,
    cheaper: Annotated[
        bool, typer.Option("--cheaper", help="Try changes that make it cheaper: a section and a letter.")
    ] = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Route a die insert: writes route.json, route.csv, the ground stock and the coloured model."""
    with one_line_errors(debug):
        settled = settle(
            model,
            choices,
            material=material,
            working_side=working_side,
            blank=blank,
            blank_margin=blank_margin,
            allowance=allowance,
            wall_allowance=wall_allowance,
            thread=thread,
            thread_colour=thread_colour,
            process=process,
            edge=edge,
            present=present,
            supplied=supplied,
            strict=strict,
            drawing=drawing and str(drawing),
        )
        if cache is None:  # else it may be known
            start_ahead(load)
        from routing.cli import console
        from routing.export.exporters import all_exporters, is_paper, letter, paper_name
        from routing.inputs.shop import load_shop
        from routing.jobs.cache import ResultCache, cached_run
        from routing.jobs.extent import Extent

        target = out or model.with_name(f"{model.stem}-route")
        to_come = [e for e in all_exporters() if is_paper(e) and (cheaper or e is not letter)]
        terminal = console.Answers(silent=as_json, to_come=[paper_name(e) for e in to_come if papers])
        with terminal.progress() as report:
            result = cached_run(
                model,
                target,
                settled,
                load_shop(shop),
                report,
                time_limit_s=time_limit,
                cache=ResultCache(cache.absolute()) if cache else None,
                answered=terminal.answer,
                extent=Extent(papers, dry_run, cheaper),
            )
        if as_json:
            parts = [{"folder": p.folder, "count": p.count, "route": p.route} for p in result.parts]
            content = {"out": str(target), "notes": list(result.notes), "parts": parts}
            typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
        else:
            terminal.finish(result, target)
    if settled.strict and result.blocked:
        raise typer.Exit(BLOCKED)
