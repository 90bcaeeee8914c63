"""Have we made one like it?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from routing.cli.commands.options import (
    Debug,
    Json,
    ShopFile,
    TimeLimit,
    WorkingSide,
    one_line_errors,
    settle,
)
from routing.cli.commands.took import Folder, place_of


def register(app: typer.Typer) -> None:
    app.command()(like)


def like(
    model: Annotated[
        Path | None, typer.Argument(help="STEP file of the part.", metavar="[MODEL.step]", show_default=False)
    ] = None,
    folder: Folder = None,
    words: Annotated[
        str,
        typer.Option(help='Words, sizes (6, d6, M5) and boxes (60x40x20) it must have, as "pocket M5".'),
    ] = "",
    material: Annotated[str, typer.Option(help="A material, or its family: steel, carbide.")] = "",
    count: Annotated[int, typer.Option(help="How many at most.", min=1, max=50)] = 12,
    working_side: WorkingSide = None,
    shop: ShopFile = None,
    as_json: Json = False,
    time_limit: TimeLimit = 600.0,
    debug: Debug = False,
) -> None:
    """Find the jobs of `dieroute serve` that are most like a part, however it is turned or mirrored."""
    with one_line_errors(debug):
        from routing.cli import console
        from routing.inputs.shop import load_shop
        from routing.jobs.errors import SetupError
        from routing.jobs.job import list_features
        from routing.web.likeness import PartShape
        from routing.web.liking import alike, describe_missing
        from routing.web.store import Store

        if model is None and not (words or material):
            raise SetupError("say what is looked for: a MODEL.step, --words or --material.")
        store = Store(place_of(folder), beside=True)
        try:
            shape = None
            if model is not None:
                settled = settle(model, None, working_side=working_side)
                with console.progress() as report:
                    parts = list_features(model, settled, load_shop(shop), report, time_limit_s=time_limit)
                if len(parts) != 1:
                    raise SetupError(f"{model.name} holds {len(parts)} parts: look for one of them.")
                shape = PartShape.of(parts[0], parts[0]["features"])
            describe_missing(store)
            rows = alike(store, shape, words, material, count)["alike"]
        finally:
            store.close()
    if as_json:
        typer.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    for r in rows:
        share = "" if r["share"] is None else f"{r['share']:.0%} alike, "
        quoted = "no estimate" if r["minutes"] is None else f"{r['minutes']:.0f} min"
        taken = ""
        if r["taken_min"] is not None:
            taken = f", {r['taken_min']:.0f} min taken for {r['taken_steps']} steps of {r['quoted_min']:.0f}"
        typer.echo(f"{r['job']} {r['file']}: {share}{r['material']}, {quoted}{taken}")
        for d in r["differences"]:
            typer.echo(f"    {_said(d)}")
    if not rows:
        typer.echo("none")


def _said(d: dict[str, object]) -> str:
    """A difference in a line."""
    many = f"{d['count']} {d['kind']}"
    match d["what"]:
        case "box" | "volume":
            return f"{d['what']} {d['now']}, here {d['was']}"
        case "apart":
            return "bores stand elsewhere"
        case "more":
            return f"{many} more: {d['now']}"
        case "less":
            return f"{many} less: {d['was']}"
    return f"{many}: {d['now']}, here {d['was']}"
