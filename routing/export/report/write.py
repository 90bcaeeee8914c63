"""The report, the sheets of the setups and the packs, from a part that is decided and ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from routing.export.palette import colours
from routing.export.report import html
from routing.export.report.blocks import clean, sizes
from routing.export.report.compose import Composer, Paper, explode_map
from routing.export.report.pdf import pdf
from routing.export.report.setup_sheets import is_machined
from routing.export.viewer.mesh import body_of, packed

PAGE, SHEET = "report.html", "report.pdf"


@dataclass(frozen=True, eq=False)
class Shown:
    """What the page's 3-D view has beside the papers: places of faces as read, and the ground stock."""

    source_faces: Sequence[int]
    ground: Any


def write_papers(paper: Paper, shown: Shown, folder: Path) -> None:
    """Every file: report, a sheet for each setup of a machine, a pack for each reader."""
    made = Composer(paper)
    report = made.report()
    (folder / SHEET).write_bytes(pdf(report))
    (folder / PAGE).write_text(html.page(report, _view(paper, shown)), encoding="utf-8")
    for setup in paper.content["setups"]:
        if is_machined(setup):
            sheet = made.sheet_report(setup)
            stem = folder / f"setup_{setup['number']:02}"
            stem.with_suffix(".pdf").write_bytes(pdf(sheet))
            stem.with_suffix(".html").write_text(html.page(sheet, None), encoding="utf-8")
    for pack in made.packs():
        (folder / f"{pack.stem}.pdf").write_bytes(pdf(pack.report))
        (folder / f"{pack.stem}.html").write_text(html.page(pack.report, None), encoding="utf-8")


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
