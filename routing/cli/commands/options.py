"""What commands share: options, the errors that end in one line, and exit statuses."""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from routing.inputs.choices import Choices

BLOCKED, BAD_INPUT, OUR_FAULT = 1, 2, 3

Model = Annotated[Path, typer.Argument(help="STEP file (AP203, AP214, AP242).", metavar="MODEL.step")]
Material = Annotated[str | None, typer.Option(help="steel-60hrc, carbide-12 (binder %), carbide-12-fine ...")]
WorkingSide = Annotated[str | None, typer.Option(help="+z, -x, ... or a vector 0,0.5,1; model coordinates.")]
Blank = Annotated[str | None, typer.Option(help="auto, block, disc or a STEP file.")]
Margin = Annotated[float | None, typer.Option("--blank-margin", help="Blank beyond the part, mm.")]
Floor = Annotated[float | None, typer.Option("--allowance", help="Left on ground floors, mm.")]
Wall = Annotated[float | None, typer.Option("--wall-allowance", help="Left on ground walls, mm.")]
Threads = Annotated[
    list[str] | None,
    typer.Option("--thread", help="F07=M5, 4.2=M5, all=plain; repeatable.", metavar="KEY=SIZE"),
]
ThreadColours = Annotated[
    list[str] | None,
    typer.Option("--thread-colour", help="#ff8000=thread, #0000ff=M5; repeatable.", metavar="COLOUR=SIZE"),
]
Processes = Annotated[
    list[str] | None,
    typer.Option("--process", help="F07=mill or pocket=sink-erode; repeatable.", metavar="KEY=PROCESS"),
]
Edges = Annotated[
    list[str] | None,
    typer.Option("--edge", help="E12=may-break, F07=keep-sharp; repeatable.", metavar="KEY=VERDICT"),
]
Present = Annotated[
    list[str] | None,
    typer.Option("--present", help="F03: the blank has it already; repeatable.", metavar="FEATURE"),
]
Supplied = Annotated[
    str | None, typer.Option("--supplied", help="hardened or soft: how steel comes into the shop.")
]
ChoicesFile = Annotated[
    Path | None, typer.Option("--choices", help="TOML file; else MODEL.choices.toml beside the model.")
]
ShopFile = Annotated[Path | None, typer.Option("--shop", help="TOML file of wires, wheels, cutters, limits.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON on stdout.")]
Out = Annotated[
    Path | None, typer.Option("--out", "-o", help="Folder for the result; else MODEL-route beside the model.")
]
DrawingFile = Annotated[
    Path | None,
    typer.Option("--drawing", help="The part's drawing, a text PDF or DXF: its callouts settle threads."),
]
Strict = Annotated[bool | None, typer.Option("--strict", help="Exit with status 1 when a flag is blocking.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of a fault of the program.")]
TimeLimit = Annotated[float, typer.Option(help="Seconds before the job is stopped.", min=1)]


# What the choices call an option otherwise, and which options are tables in words.
_CALLED = {
    "allowance": "allowance_floor_mm",
    "blank_margin": "blank_margin_mm",
    "edge": "edges",
    "process": "processes",
    "thread": "threads",
    "thread_colour": "thread_colours",
    "wall_allowance": "allowance_wall_mm",
}
_TABLES = frozenset({"edge", "process", "thread", "thread_colour"})


def settle(model: Path, given: Path | None, **options: Any) -> Choices:
    """The choices in the file given, else beside the model, else the defaults, and over them what the
    options of a command (by its parameters' names) say; None and nothing say nothing."""
    from routing.inputs.choices import Choices, choices_beside, load_choices

    path = given or choices_beside(model)
    words = {
        name: pairs(f"--{name.replace('_', '-')}", value)
        for name, value in options.items()
        if name in _TABLES
    }
    told = {_CALLED.get(name, name): value for name, value in (options | words).items()}
    return (load_choices(path) if path else Choices()).but(**told)


def pairs(option: str, words: list[str] | None) -> dict[str, str]:
    """KEY=VALUE words as a table."""
    from routing.inputs.choices import ChoicesError

    found = {}
    for word in words or ():
        key, sign, value = (piece.strip() for piece in word.partition("="))
        if not (key and sign and value):
            raise ChoicesError(f"{option} {word}: write KEY=VALUE, such as F07=M5 or F07=mill.")
        found[key] = value
    return found


@contextmanager
def one_line_errors(debug: bool) -> Iterator[None]:
    """What the user can mend ends in one line and status 2, what only we can mend in one line and 3."""
    from routing.jobs.errors import MENDABLE, one_line

    try:
        yield
    except typer.Exit:  # told already
        raise
    except Exception as error:
        mendable = isinstance(error, MENDABLE)
        if debug and not mendable:
            traceback.print_exc()
        typer.echo(f"dieroute: {one_line(error)}", err=True)
        raise typer.Exit(BAD_INPUT if mendable else OUR_FAULT) from None
