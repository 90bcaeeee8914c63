"""The command line. Nothing here imports the kernel: help must come at once."""

from __future__ import annotations

import json
import signal
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from routing.choices import Choices

BLOCKED, BAD_INPUT, OUR_FAULT = 1, 2, 3
DIFFERS = 1

app = typer.Typer(
    name="dieroute",
    help="From a die insert's STEP model to a route: what to wire, grind, mill and sink-erode.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Model = Annotated[Path, typer.Argument(help="STEP file (AP203, AP214, AP242).", metavar="MODEL.step")]
Material = Annotated[str | None, typer.Option(help="steel-60hrc, carbide-12 (binder share), ...")]
WorkingSide = Annotated[str | None, typer.Option(help="+z, -x, ... or a vector 0,0.5,1; model coordinates.")]
Blank = Annotated[str | None, typer.Option(help="auto, block, disc or a STEP file.")]
Margin = Annotated[float | None, typer.Option("--blank-margin", help="Blank beyond the part, mm.")]
Floor = Annotated[float | None, typer.Option("--allowance", help="Left on ground floors, mm.")]
Wall = Annotated[float | None, typer.Option("--wall-allowance", help="Left on ground walls, mm.")]
Threads = Annotated[
    list[str] | None,
    typer.Option("--thread", help="F07=M5, 4.2=M5, all=plain; repeatable.", metavar="KEY=SIZE"),
]
Processes = Annotated[
    list[str] | None,
    typer.Option("--process", help="F07=mill or pocket=sink-erode; repeatable.", metavar="KEY=PROCESS"),
]
ChoicesFile = Annotated[
    Path | None, typer.Option("--choices", help="TOML file; else MODEL.choices.toml beside the model.")
]
ShopFile = Annotated[Path | None, typer.Option("--shop", help="TOML file of wires, wheels, cutters, limits.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON on stdout.")]
Out = Annotated[
    Path | None, typer.Option("--out", "-o", help="Folder for the result; else MODEL-route beside the model.")
]
Strict = Annotated[bool | None, typer.Option("--strict", help="Exit with status 1 when a flag is blocking.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of a fault of the program.")]
TimeLimit = Annotated[float, typer.Option(help="Seconds before the job is stopped.", min=1)]


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


@app.command()
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
    process: Processes = None,
    choices: ChoicesFile = None,
    shop: ShopFile = None,
    as_json: Json = False,
    strict: Strict = None,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Route a die insert: writes route.json, route.csv, the ground stock and the coloured model."""
    with _one_line_errors(debug):
        settled = _settle(model, choices).but(
            material=material,
            working_side=working_side,
            blank=blank,
            blank_margin_mm=blank_margin,
            allowance_floor_mm=allowance,
            allowance_wall_mm=wall_allowance,
            threads=_pairs("--thread", thread),
            processes=_pairs("--process", process),
            strict=strict,
        )
        from routing.documents import console
        from routing.job import run_job
        from routing.shop import load_shop

        target = out or model.with_name(f"{model.stem}-route")
        with console.progress() as report:
            result = run_job(model, target, settled, load_shop(shop), report, time_limit_s=time_limit)
        if as_json:
            parts = [{"folder": p.folder, "count": p.count, "route": p.route} for p in result.parts]
            content = {"out": str(target), "notes": list(result.notes), "parts": parts}
            typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
        else:
            console.show(result, target)
    if settled.strict and result.blocked:
        raise typer.Exit(BLOCKED)


@app.command()
def features(
    model: Model,
    working_side: WorkingSide = None,
    thread: Threads = None,
    choices: ChoicesFile = None,
    as_json: Json = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """List what is recognised, without routing it; writes nothing."""
    with _one_line_errors(debug):
        settled = _settle(model, choices).but(working_side=working_side, threads=_pairs("--thread", thread))
        from routing.documents import console
        from routing.job import list_features

        with console.progress() as report:
            parts = list_features(model, settled, report, time_limit_s=time_limit)
        if as_json:
            typer.echo(json.dumps(parts, indent=2, ensure_ascii=False))
        else:
            console.show_features(parts)


@app.command()
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
    choices: ChoicesFile = None,
    as_json: Json = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """List what a person should settle, the most doubtful first; can write a choices file to fill in."""
    with _one_line_errors(debug):
        settled = _settle(model, choices).but(working_side=working_side, threads=_pairs("--thread", thread))
        from routing.documents import console, skeleton
        from routing.reports import list_doubts

        with console.progress() as report:
            parts = list_doubts(model, settled, report, time_limit_s=time_limit)
        if as_json:
            typer.echo(json.dumps(parts, indent=2, ensure_ascii=False))
        else:
            console.show_doubts(parts)
        if target := out or (model.with_name(f"{model.stem}.choices.toml") if write else None):
            skeleton.write(target, skeleton.text(parts))
            typer.echo(f"written to {target}", err=as_json)


@app.command()
def compare(
    old: Annotated[Path, typer.Argument(help="STEP file of the earlier revision.", metavar="OLD.step")],
    new: Annotated[Path, typer.Argument(help="STEP file of the later one.", metavar="NEW.step")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="New file for the result as JSON.")] = None,
    material: Material = None,
    working_side: WorkingSide = None,
    thread: Threads = None,
    process: Processes = None,
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
    with _one_line_errors(debug):
        settled = _settle(old, choices).but(
            material=material,
            working_side=working_side,
            threads=_pairs("--thread", thread),
            processes=_pairs("--process", process),
        )
        from routing.documents import console, skeleton
        from routing.reports import compare_models
        from routing.shop import load_shop

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


def _settle(model: Path, given: Path | None) -> Choices:
    from routing.choices import Choices, choices_beside, load_choices

    path = given or choices_beside(model)
    return load_choices(path) if path else Choices()


def _pairs(option: str, words: list[str] | None) -> dict[str, str]:
    from routing.choices import ChoicesError

    pairs = {}
    for word in words or ():
        key, sign, value = (piece.strip() for piece in word.partition("="))
        if not (key and sign and value):
            raise ChoicesError(f"{option} {word}: write KEY=VALUE, such as F07=M5 or F07=mill.")
        pairs[key] = value
    return pairs


@contextmanager
def _one_line_errors(debug: bool) -> Iterator[None]:
    """What the user can mend ends in one line and status 2, what only we can mend in one line and 3."""
    from featurize.errors import StepError
    from routing.choices import ChoicesError
    from routing.documents.staging import OutputError
    from routing.shop import ShopError

    try:
        yield
    except (StepError, ChoicesError, ShopError, OutputError) as error:
        typer.echo(f"dieroute: {error}", err=True)
        raise typer.Exit(BAD_INPUT) from None
    except Exception as error:
        if debug:
            traceback.print_exc()
        what = " ".join(str(error).split()) or "no message"
        typer.echo(
            f"dieroute: a fault of the program, not of the file: {type(error).__name__}: {what}", err=True
        )
        raise typer.Exit(OUR_FAULT) from None


def _terminated(*_: object) -> NoReturn:
    # An exception, so that the temporary folder and the child go too.
    sys.exit(128 + signal.SIGTERM)


def main() -> None:
    """Entry point of the command."""
    signal.signal(signal.SIGTERM, _terminated)
    app()


if __name__ == "__main__":
    main()
