"""Route a folder of models."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from routing.cli.commands.options import (
    BLOCKED,
    OUR_FAULT,
    ChoicesFile,
    Debug,
    Json,
    Material,
    ShopFile,
    one_line_errors,
    settle,
)

if TYPE_CHECKING:
    from routing.inputs.choices import Choices
    from routing.jobs.batch.batch import Progress
    from routing.jobs.batch.dispatch import Dispatcher
    from routing.jobs.batch.ledger import Record
    from routing.jobs.cache import ResultCache

INTERRUPTED = 130

Folder = Annotated[
    Path, typer.Argument(help="Folder of STEP files.", metavar="FOLDER", exists=True, file_okay=False)
]
Into = Annotated[Path, typer.Option("--out", "-o", help="Folder for the results and the summary.")]
Recursive = Annotated[bool, typer.Option("--recursive", "-r", help="Folders within the folder too.")]
Workers = Annotated[int | None, typer.Option(help="Worker processes; else one for each processor.", min=1)]
FileTimeLimit = Annotated[float, typer.Option(help="Seconds before a file is given up.", min=1)]
MemoryLimit = Annotated[float, typer.Option(help="Megabytes at which a file is given up.", min=100)]
Again = Annotated[bool, typer.Option("--again", help="Do files that failed again, though nothing changed.")]
Address = Annotated[str | None, typer.Option("--cluster", help="Scheduler, such as tcp://host:8786.")]
CacheFolder = Annotated[
    Path | None, typer.Option("--cache", help="Folder of kept results; else the user's cache folder.")
]
NoCache = Annotated[bool, typer.Option("--no-cache", help="Neither use nor keep results.")]


def register(app: typer.Typer) -> None:
    app.command()(batch)


def batch(
    folder: Folder,
    out: Into,
    recursive: Recursive = False,
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
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Route every STEP file of a folder over worker processes; run again, it goes on where it was.

    Status 0: all well; 1: a file is blocked or failed; 2: the folder or an option cannot be used; 3: a
    fault of the program on some file.
    """
    with interruptible(out), one_line_errors(debug):
        from routing.jobs.batch.batch import run_batch

        kept = cache_from(cache, no_cache)
        with (
            open_dispatcher(
                out, workers, time_limit, memory_limit, material, choices, shop, again, cluster, kept
            ) as dispatcher,
            _progress() as show,
        ):
            records = run_batch(dispatcher, folder, recursive=recursive, show=show)
        if as_json:
            typer.echo(json.dumps([asdict(r) for r in records], indent=2))
        else:
            tell(records, out)
    raise typer.Exit(status(records))


def cache_from(folder: Path | None, no_cache: bool) -> ResultCache | None:
    """The cache that the options ask for."""
    from routing.jobs.cache import ResultCache, default_folder

    return None if no_cache else ResultCache((folder or default_folder()).absolute())


@contextmanager
def open_dispatcher(
    out: Path,
    workers: int | None,
    time_limit: float,
    memory_limit: float,
    material: str | None,
    choices: Path | None,
    shop: Path | None,
    again: bool,
    cluster: str | None,
    cache: ResultCache | None,
) -> Iterator[Dispatcher]:
    """A dispatcher with its ledger and its workers; neither outlives the context."""
    from routing.inputs.choices import Choices, load_choices
    from routing.inputs.shop import load_shop
    from routing.jobs.batch.dispatch import Dispatcher, Executor
    from routing.jobs.batch.ledger import Ledger
    from routing.jobs.batch.task import pool
    from routing.jobs.workers.pool import Limits

    def choose(model: Path) -> Choices:
        return settle(model, choices, material=material)

    if choices or material:  # a mistake in these is nobody's file's
        (load_choices(choices) if choices else Choices()).but(material=material)
    limits = Limits(time_limit, memory_limit)
    owned = load_shop(shop)
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger(out))
        executor: Executor
        if cluster is None:
            executor = stack.enter_context(pool(workers or os.cpu_count() or 1, limits))
        else:
            from routing.jobs.batch.cluster import Cluster

            executor = stack.enter_context(Cluster(cluster, limits))
        yield Dispatcher(
            out,
            choose,
            owned,
            ledger,
            executor,
            limits,
            cache,
            cache_in_workers=cluster is None,
            again=again,
        )


@contextmanager
def interruptible(out: Path) -> Iterator[None]:
    """Ctrl-C is a way to stop, not an error."""
    try:
        yield
    except KeyboardInterrupt:
        typer.echo(f"stopped; what is done is in {out}: the same command goes on from there", err=True)
        raise typer.Exit(INTERRUPTED) from None


@contextmanager
def _progress() -> Iterator[Callable[[Progress], None]]:
    """A bar on stderr when that is a terminal, with what goes wrong as it goes wrong; silent otherwise."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar
    from rich.text import Text

    console = Console(stderr=True)
    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False),
    )
    with Bar(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=None)

        def show(at: Progress) -> None:
            for record in at.new if console.is_terminal else ():
                if not record.status.routed:
                    console.print(Text(line(record), style="red"))
            failed = f"{at.failed} failed  " if at.failed else ""
            bar.update(task, total=at.total, completed=at.records, description=failed + ", ".join(at.busy))

        yield show


def line(record: Record) -> str:
    """A record in one line."""
    text = record.message or "; ".join(dict.fromkeys(flag for part in record.parts for flag in part["flags"]))
    kept = " (from the cache)" if record.cached else ""
    return f"{record.status}{kept}  {record.name}" + (f": {text}" if text else "")


def tell(records: list[Record], out: Path) -> None:
    """Prints what is not well, and the count of each status."""
    from collections import Counter

    from routing.jobs.batch.ledger import Status
    from routing.jobs.batch.summary import HTML

    for record in records:
        if record.status is not Status.OK:
            typer.echo(line(record))
    counts = Counter(record.status for record in records)
    tally = ", ".join(f"{counts[s]} {s}" for s in Status if counts[s]) or "no STEP files"
    kept = sum(record.cached for record in records)
    copied = f"; {kept} copied from the cache, their files being unchanged" if kept else ""
    typer.echo(f"{len(records)} files: {tally}{copied}")
    typer.echo(f"written to {out / HTML}")


def status(records: list[Record]) -> int:
    """The exit status of a batch."""
    from routing.jobs.batch.ledger import Status

    found = {record.status for record in records}
    if Status.FAULT in found:
        return OUR_FAULT
    return BLOCKED if found - {Status.OK} else 0
