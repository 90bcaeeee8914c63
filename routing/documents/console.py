"""The route on a terminal: the result on stdout, progress on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from routing.documents import table
from routing.documents.palette import HEX
from routing.documents.result import JobResult, PartResult

_SEVERITY = {"blocking": "bold red", "warning": "yellow", "note": "dim"}


@contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
    """A report that draws a bar on stderr when that is a terminal, and is silent otherwise."""
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda text, share: bar.update(task, description=text, completed=share)


def show(result: JobResult, target: Path, console: Console | None = None) -> None:
    """Prints the route table, the flags and the summary of every part."""
    console = console or Console()
    for part in result.parts:
        _show_part(part, console)
    for note in result.notes:
        console.print(Text(note, style="yellow"))
    console.print(Text(f"written to {target}"))


def _show_part(part: PartResult, console: Console) -> None:
    route = part.route
    about = route["part"]
    box = " x ".join(f"{side:g}" for side in about["box_mm"])
    title = f"{about['name']}  {box} mm  {about['material']}  working side {about['working_side']}"
    console.print(Text(title + (f"  {part.count} pieces" if part.count > 1 else ""), style="bold"))
    console.print(_table(route))
    for flag in route["flags"]:
        where = f" {flag['feature']}" if flag["feature"] else ""
        line = f"{flag['severity']}{where} {flag['code']}: {flag['message']}"
        console.print(Text(line, style=_SEVERITY.get(flag["severity"], "")))
    for line in summary(route):
        console.print(Text(line))


def _table(route: dict[str, Any]) -> Table:
    shown = ("feature", "kind", "size", "process", "operations", "from", "why")
    grid = Table(*shown, header_style="bold", expand=False)
    for row in table.rows(route):
        chip = Text.assemble(("  ", f"on {HEX.get(row['process'], HEX['blank'])}"), " ", row["process"])
        grid.add_row(*(chip if c == "process" else Text(row[c]) for c in shown))
    return grid


def summary(route: dict[str, Any]) -> list[str]:
    """Operations, setups, stock and estimate, a line each."""
    operations, stock, estimate = route["operations"], route["stock"], route["estimate"]
    setups = len({o["setup"] for o in operations})
    lines = [f"{len(operations)} operations in {setups} setups"]
    removed = stock["blank_mm3"] - stock["part_mm3"]
    if removed > 0:
        ground = (stock["blank_mm3"] - stock["ground_mm3"]) / removed
        lines.append(
            f"ground stock: {ground:.0%} of what leaves the blank is ground away, {stock['ground_file']}"
        )
    if estimate:
        words = (f"{k.replace('_', ' ')} {v:g}" for k, v in estimate.items() if isinstance(v, int | float))
        lines.append(f"estimate, not a promise: {', '.join(words)}")
    return lines
