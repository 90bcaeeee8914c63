"""`dieroute took` and `dieroute rates`: what steps took, and the shop's own factors that come of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from featurize.system import data_folder
from routing.cli.commands.options import Debug, Json, ShopFile, one_line_errors

# Some rows were refused, the others are kept.
SOME_REFUSED = 1
Folder = Annotated[
    Path | None,
    typer.Option(help="Where `dieroute serve` keeps its jobs; it may be running.", show_default=False),
]


def register(app: typer.Typer) -> None:
    app.command()(took)
    app.command()(rates)


def took(
    table: Annotated[
        Path,
        typer.Argument(
            help="CSV: minutes, with job and step or with a traveller's code.", metavar="FILE.csv"
        ),
    ],
    folder: Folder = None,
    who: Annotated[str, typer.Option(help="Whose entries these are.")] = "",
    debug: Debug = False,
) -> None:
    """Keep the minutes that steps really took: good rows are kept, each bad one is told with its cure."""
    with one_line_errors(debug):
        from routing.jobs.errors import SetupError
        from routing.web.store import Store
        from routing.web.taken_csv import enter_table

        try:
            data = table.read_bytes()
        except OSError as error:
            raise SetupError(f"{table} cannot be read ({error.strerror}): check the path.") from error
        store = Store(place_of(folder), beside=True)
        try:
            kept = enter_table(store, data, who)
        finally:
            store.close()
    for row in kept.refused:
        typer.echo(f"dieroute: {table.name}, {row.why}", err=True)
    empty = f", {kept.empty} without minutes" if kept.empty else ""
    refused = f", {len(kept.refused)} refused" if kept.refused else ""
    typer.echo(f"{kept.rows} kept{empty}{refused}")
    if kept.refused:
        raise typer.Exit(SOME_REFUSED)


def rates(
    folder: Folder = None,
    shop: ShopFile = None,
    take: Annotated[
        bool, typer.Option("--take", help="Write them into the --shop file: nothing else does.")
    ] = False,
    who: Annotated[str, typer.Option(help="Who takes them over.")] = "",
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Show what the shop's own minutes are to those estimated, with spread and number of cases."""
    with one_line_errors(debug):
        from dataclasses import asdict

        from routing.inputs.shop import load_shop
        from routing.jobs.errors import SetupError
        from routing.plan.estimate.fit import fit
        from routing.web.store import Store
        from routing.web.taking import take_over

        loaded = load_shop(shop)
        store = Store(place_of(folder), beside=True)
        try:
            fitted = fit([t.case() for t in store.taken.all()], loaded.rates)
            if take:
                if shop is None:
                    raise SetupError("--take writes into a shop file: name it with --shop.")
                if not fitted.cases:
                    raise SetupError(
                        "no minutes are kept yet: enter some with `dieroute took` or on the page."
                    )
                take_over(shop, fitted, who)
                before, after = asdict(loaded.rates.factor), asdict(fitted.factors)
                store.log(who, "rates", None, None, before, after)
        finally:
            store.close()
    if as_json:
        typer.echo(json.dumps(asdict(fitted), indent=2, ensure_ascii=False))
        return
    typer.echo(f"{fitted.cases} steps of {fitted.jobs} batches")
    for e in fitted.effects:
        what = ", ".join(filter(None, (e.process, e.name))) or "every step"
        typer.echo(f"  {what}: times {e.factor:.2f} ({e.low:.2f} to {e.high:.2f}), {e.cases} cases")
    for s in fitted.scatter:
        aside = f", {s.set_aside} steps far out count for little" if s.set_aside else ""
        typer.echo(f"  nine of ten {s.process}: {s.low:.2f} to {s.high:.2f}, {s.jobs} batches{aside}")
    if take and shop is not None:
        typer.echo(f"written into {shop.name}: estimates with this file have them from now on")
    elif fitted.cases:
        typer.echo("nothing is taken over: --take writes them into the --shop file")


def place_of(folder: Path | None) -> Path:
    return folder or data_folder() / "dieroute"
