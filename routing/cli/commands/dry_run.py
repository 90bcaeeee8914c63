"""Machine a written folder on paper and say what would go wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from routing.cli.commands.options import BAD_INPUT, BLOCKED, Debug, TimeLimit, one_line_errors

Folder = Annotated[Path, typer.Argument(help="A folder that route has written.", metavar="FOLDER")]
Given = Annotated[
    Path | None, typer.Option("--model", help="The customer's STEP file, if it is not beside it.")
]
JsonFile = Annotated[Path | None, typer.Option("--json", help="Write the findings to this file.")]


def register(app: typer.Typer) -> None:
    app.command("dry-run")(dry_run)


def dry_run(
    folder: Folder,
    model: Given = None,
    json_file: JsonFile = None,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Machine the blank on paper from a written folder, and compare it with the model."""
    with one_line_errors(debug):
        from routing.dryrun.check import dry_run as run
        from routing.dryrun.written import FolderError

        try:
            result = run(folder, model, time_limit_s=time_limit)
        except FolderError as error:
            typer.echo(f"dieroute: {error}", err=True)
            raise typer.Exit(BAD_INPUT) from None
        if json_file is not None:
            text = json.dumps(result.as_dict(), indent=2, ensure_ascii=False)
            json_file.write_text(text + "\n", encoding="utf-8")
        for finding in result.findings:
            typer.echo(str(finding))
        blocking = sum(f.blocking for f in result.findings)
        typer.echo(
            f"{blocking} findings block, {len(result.findings) - blocking} do not; {result.seconds:.1f} s"
        )
        if result.blocked:
            raise typer.Exit(BLOCKED)
