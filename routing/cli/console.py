"""The route on a terminal: the result on stdout, progress on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from routing.export import table
from routing.export.palette import colours
from routing.jobs.result import JobResult, PartResult

# Columns from which the reasons fit beside the rest.
_WIDE = 140
_FEW = 6
_SEVERITY = {"blocking": "bold red", "warning": "yellow", "note": "dim"}


def _console() -> Console:
    """Standard output; wide enough for a table where no terminal sets the width."""
    console = Console()
    return console if console.is_terminal else Console(width=_WIDE)


@contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
    """A report that draws a bar on stderr when that is a terminal, and is silent otherwise."""
    with _bar() as bar:
        yield _report(bar)


def _bar() -> Progress:
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    console = Console(stderr=True)
    return Progress(*columns, console=console, transient=True, disable=not console.is_terminal)


def _report(bar: Progress) -> Callable[[str, float], None]:
    task = bar.add_task("", total=1.0)
    return lambda text, share: bar.update(task, description=text, completed=share)


class Answers:
    """A job's answers on stdout: the plan as soon as it stands, then what the papers add to it."""

    def __init__(
        self, console: Console | None = None, *, silent: bool = False, to_come: Sequence[str] = ()
    ) -> None:
        self._console = console or _console()
        self._silent, self._to_come = silent, to_come
        self._told: dict[str, list[dict[str, Any]]] = {}  # flags shown, by part
        self._bar = _bar()

    @contextmanager
    def progress(self) -> Iterator[Callable[[str, float], None]]:
        with self._bar:
            yield _report(self._bar)

    def answer(self, part: PartResult) -> None:
        """Prints the plan of a part once, and what papers are to come."""
        if self._silent or part.folder in self._told:
            return
        self._bar.stop()  # two consoles on one terminal write over each other
        self._show(part)
        if self._to_come:
            self._console.print(Text(f"papers to come: {', '.join(self._to_come)}", style="dim"))
        self._console.file.flush()
        self._bar.start()

    def _show(self, part: PartResult) -> None:
        self._told[part.folder] = list(part.route["flags"])
        _show_part(part, self._console)

    def finish(self, result: JobResult, target: Path) -> None:
        """Prints what was not told before, and where the files are."""
        for part in result.parts:
            entry = self._told.get(part.folder)
            if entry is None:
                self._show(part)
            else:
                _show_flags([flag for flag in part.route["flags"] if flag not in entry], self._console)
        flagged = {flag["message"] for part in result.parts for flag in part.route["flags"]}
        for note in result.notes:
            if note not in flagged:
                self._console.print(Text(note, style="yellow"))
        self._console.print(Text(f"written to {target}"))


def show_features(parts: Sequence[dict[str, Any]], console: Console | None = None) -> None:
    """Prints what was recognised in every part."""
    console = console or _console()
    for part in parts:
        grid = Table(
            "feature", "kind", "size", "opens to", "faces", title=Text(part["name"]), header_style="bold"
        )
        for f in part["features"]:
            faces = " ".join(str(face["index"]) for face in f["faces"])
            grid.add_row(f["id"], f["kind"], Text(table.size(f)), " ".join(f["opens_to"]), faces)
        console.print(grid)
        _show_flags(part["flags"], console)


def _show_part(part: PartResult, console: Console) -> None:
    route = part.route
    about = route["part"]
    box = " x ".join(f"{side:g}" for side in about["box_mm"])
    title = f"{about['name']}  {box} mm  {about['material']}  working side {about['working_side']}"
    console.print(Text(title + (f"  {part.count} pieces" if part.count > 1 else ""), style="bold"))
    columns = ("feature", "kind", "size", "process", "operations", "from")
    if console.width >= _WIDE:
        console.print(_table(route, *columns, "why"))
    else:
        console.print(_table(route, *columns))
        for row in table.rows(route):
            if row["why"]:
                console.print(Text(f"{row['feature']} {row['process']}: {row['why']}"))
    if steps := table.step_rows(route):
        console.print(_steps(steps))
    for setups, words in table.zeros(route):
        console.print(Text(f"zero of setup {setups}: {words}"))
    _show_doubts(route["doubts"], console)
    _show_flags(route["flags"], console)
    for line in summary(route):
        console.print(Text(line))


def _show_flags(flags: Sequence[dict[str, Any]], console: Console) -> None:
    for flag in flags:
        where = f" {flag['feature']}" if flag["feature"] else ""
        line = f"{flag['severity']}{where} {flag['code']}: {flag['message']}"
        console.print(Text(line, style=_SEVERITY.get(flag["severity"], "")))


def show_doubts(parts: Sequence[dict[str, Any]], console: Console | None = None) -> None:
    """Prints what a person should settle in every part."""
    console = console or _console()
    for part in parts:
        console.print(Text(f"{part['name']}  {len(part['doubts'])} to settle", style="bold"))
        _show_doubts(part["doubts"], console)


def _show_doubts(doubts: Sequence[dict[str, Any]], console: Console) -> None:
    for d in doubts:
        # Few answers are worth a line; any kind at all is not.
        answers = f" ({', '.join(d['answers'])})" if len(d["answers"]) <= _FEW else ""
        line = f"settle {d['feature']} {d['confidence']:.2f}: {d['question']}{answers}"
        console.print(Text(line, style="cyan"))


def show_comparison(result: dict[str, Any], console: Console | None = None) -> None:
    """Prints what changed from one revision to the next."""
    console = console or _console()
    title = f"{result['old']} to {result['new']}"
    if result["same"]:
        console.print(Text(f"{title}: no change"))
    for name, columns in (
        ("features", ("what", "kind", "old", "new", "detail")),
        ("operations", ("what", "stage", "process", "from_side", "old", "new", "detail")),
        ("edges", ("old", "new", "was", "now", "reason")),
    ):
        grid = Table(
            *(c.replace("_side", "") for c in columns), title=Text(f"{title}: {name}"), header_style="bold"
        )
        for row in result[name]:
            grid.add_row(*(Text(_cell(row[c])) for c in columns))
        if result[name]:
            console.print(grid)


def show_hints(parts: Sequence[dict[str, Any]], folder: Path, console: Console | None = None) -> None:
    """Prints what would make each part cheaper, by money."""
    console = console or _console()
    for part in parts:
        money, drawn = part["currency"], f"{part['minutes']:.0f} min, {part['cost']:.0f} {part['currency']}"
        title = f"{part['part']}: {drawn} as drawn (an estimate)"
        columns = ("no.", "change", f"less {money}", "from to", "less min")
        grid = Table(*columns, title=Text(title), header_style="bold")
        for n, hint in enumerate(part["hints"], 1):
            cost, minutes = hint["cost"], hint["minutes"]["value"]
            span = f"{cost['low']:.0f} to {cost['high']:.0f}"
            grid.add_row(*map(Text, (str(n), hint["text"], f"{cost['value']:.0f}", span, f"{minutes:.0f}")))
        console.print(grid if part["hints"] else Text(f"{title}: nothing that was tried makes it cheaper"))
        counts = ", ".join(f"{part[k]} {k}" for k in ("tried", "failed", "refused", "idle", "untried"))
        console.print(Text(f"{counts}. {part['note']}", style="dim"))
    console.print(Text(f"Letter in {folder}"))


def _cell(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)


def _table(route: dict[str, Any], *columns: str) -> Table:
    grid = Table(*columns, box=SIMPLE_HEAD, header_style="bold", padding=(0, 1, 0, 0))
    for column in grid.columns:
        column.no_wrap = column.header in ("feature", "kind", "process", "from")
    hexes = colours()
    for row in table.rows(route):
        chip = Text.assemble(("  ", f"on {hexes.get(row['process'], hexes['blank'])}"), " ", row["process"])
        grid.add_row(*(chip if c == "process" else Text(row[c]) for c in columns))
    return grid


def _steps(rows: Sequence[dict[str, str]]) -> Table:
    """The plan: every step with its tools; how a setup is held beside its first."""
    grid = Table(*table.STEP_COLUMNS, box=SIMPLE_HEAD, header_style="bold", padding=(0, 1, 0, 0))
    for column in grid.columns:
        column.no_wrap = column.header in ("setup", "step", "side")
    for row in rows:
        if row["held by"] and grid.row_count:
            grid.add_section()
        grid.add_row(*(Text(row[c]) for c in table.STEP_COLUMNS))
    return grid


def summary(route: dict[str, Any]) -> list[str]:
    """Operations, setups, stock and estimate, a line each."""
    operations, stock, estimate = route["operations"], route["stock"], route["estimate"]
    setups = len({o["setup"] for o in operations})
    lines = [f"{len(operations)} operations in {setups} setups"]
    if held := route.get("setups"):
        words = (f"{s['number']} {s['held_by']}{' (weak)' if s['grade'] == 'weak' else ''}" for s in held)
        lines.append(f"held by: {', '.join(words)} (an estimate)")
    removed = stock["blank_mm3"] - stock["part_mm3"]
    if stock["note"]:
        lines.append(f"{stock['ground_file']}: {stock['note']}")
    elif removed > 0:
        ground = (stock["blank_mm3"] - stock["ground_mm3"]) / removed
        lines.append(f"{stock['ground_file']}: {ground:.0%} of what leaves the blank is ground away")
    if roughing := stock.get("roughing"):
        before, after = (
            roughing[body]["cutting_mm"] + roughing[body]["air_mm"] for body in ("block", "ground")
        )
        lines.append(
            f"roughing with a {roughing['cutter_mm']:g} cutter: path {before / 1000:.1f} m on the block, "
            f"{after / 1000:.1f} m on the ground stock, {roughing['path_saved']:.0%} saved (an estimate)"
        )
    spans = [
        f"{estimate[name]:.0f} {unit} ({estimate[name + '_low']:.0f} to {estimate[name + '_high']:.0f})"
        for name, unit in (("minutes", "min"), ("cost", estimate["currency"]))
    ]
    lines.append(f"{', '.join(spans)}: {estimate['note']}")
    return lines
