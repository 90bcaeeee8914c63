"""The report, the sheets of the setups and the packs, from a part that is decided and ground."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from featurize.isolate import run_in_parts
from routing.export.palette import colours
from routing.export.report import html
from routing.export.report.blocks import Report, clean, sizes
from routing.export.report.compose import Composer, Paper, explode_map
from routing.export.report.pdf import pdf, prepare
from routing.export.report.setup_sheets import is_machined
from routing.export.viewer.mesh import body_of, packed

PAGE, SHEET = "report.html", "report.pdf"
_LIMIT_S = 300.0  # the exporter's own


@dataclass(frozen=True, eq=False)
class Shown:
    """What the page's 3-D view has beside the papers: places of faces as read, and the ground stock."""

    source_faces: Sequence[int]
    ground: Any


def write_papers(paper: Paper, shown: Shown, folder: Path, more: Callable[[], None]) -> None:
    """Every file: report, a sheet for each setup of a machine, a pack for each reader; what ``more`` writes.

    All that they show is made first, then they are laid out side by side.
    """
    made = Composer(paper)
    whole = made.report()
    sheets = [
        (f"setup_{setup['number']:02}", made.sheet_report(setup))
        for setup in paper.content["setups"]
        if is_machined(setup)
    ]
    packs = [(pack.stem, pack.report) for pack in made.packs()]
    tasks: list[Callable[[], None]] = [
        partial(_write_whole, whole, paper, shown, folder),
        more,
        *(partial(_write_short, report, folder / stem) for stem, report in (*packs, *sheets)),
    ]
    prepare()
    run_in_parts(tasks, time_limit_s=_LIMIT_S)


def _write_whole(report: Report, paper: Paper, shown: Shown, folder: Path) -> None:
    (folder / SHEET).write_bytes(pdf(report))
    (folder / PAGE).write_text(html.page(report, _view(paper, shown)), encoding="utf-8")


def _write_short(report: Report, path: Path) -> None:
    path.with_suffix(".pdf").write_bytes(pdf(report))
    path.with_suffix(".html").write_text(html.page(report, None), encoding="utf-8")


def _view(paper: Paper, shown: Shown) -> dict[str, Any]:
    """What ``page.js`` shows in 3-D."""
    content, subject = paper.content, paper.subject
    source, hexes = [int(s) for s in shown.source_faces], colours()
    return {
        "model": packed(subject.mesh, source_faces=source),
        "axes": subject.frame.tolist(),
        "colours": [(s, hexes[key]) for s, (key, _) in zip(source, subject.faces, strict=True)],
        "edges": [{"place": e["place"], "verdict": e["verdict"]} for e in content["edges"]],
        "explode": explode_map(subject, content, source),
        "features": {str(s): f for s, (_, f) in zip(source, subject.faces, strict=True)},
        "words": {f["id"]: _words(f) for f in content["features"]},
        "bodies": {"ground stock": body_of(shown.ground)},
    }


def _words(feature: Mapping[str, Any]) -> str:
    lines = [f"{feature['id']} {feature['kind']}", *sizes(feature["dims"]), f"process {feature['process']}"]
    return clean("; ".join([*lines, *feature["flags"]]))
