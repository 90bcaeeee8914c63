"""Route whatever is dropped into a folder."""

from __future__ import annotations

from typing import Annotated

import typer

from routing.cli.commands.batch import (
    Address,
    Again,
    CacheFolder,
    FileTimeLimit,
    Folder,
    Into,
    MemoryLimit,
    NoCache,
    Recursive,
    Workers,
    cache_from,
    interruptible,
    line,
    open_dispatcher,
)
from routing.cli.commands.options import ChoicesFile, Debug, Material, ShopFile, one_line_errors

Once = Annotated[bool, typer.Option("--once", help="End when all that is there has been done.")]
Settled = Annotated[float, typer.Option(help="Seconds a file must stay the same before its turn.", min=0)]


def register(app: typer.Typer) -> None:
    app.command()(watch)


def watch(
    folder: Folder,
    out: Into,
    recursive: Recursive = False,
    once: Once = False,
    settled: Settled = 2.0,
    workers: Workers = None,
    time_limit: FileTimeLimit = 600.0,
    memory_limit: MemoryLimit = 4096.0,
    material: Material = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    again: Again = False,
    cluster: Address = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
    debug: Debug = False,
) -> None:
    """Route whatever STEP file is dropped into a folder, once it is all there; ends on Ctrl-C or --once."""
    with interruptible(out), one_line_errors(debug):
        from routing.jobs.batch.watch import Patience
        from routing.jobs.batch.watch import watch as keep_watching

        kept = cache_from(cache, no_cache)
        with open_dispatcher(
            out, workers, time_limit, memory_limit, material, choices, shop, again, cluster, kept
        ) as dispatcher:
            keep_watching(
                dispatcher,
                folder,
                recursive=recursive,
                once=once,
                patience=Patience(settled),
                show=lambda record: typer.echo(line(record)),
            )
