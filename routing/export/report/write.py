"""Both files of the report, from a part that is decided and ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.palette import colours
from routing.export.report import html, sketch
from routing.export.report.blocks import clean, sizes
from routing.export.report.compose import compose, directions, explode_map
from routing.export.report.pdf import pdf
from routing.export.report.pictures import subject_of
from routing.export.viewer.mesh import body_of, mesh_of, packed

if TYPE_CHECKING:
    from routing.stock.ground import GroundStock


def write_report(
    content: Mapping[str, Any],
    solid: Any,
    faces: Sequence[tuple[str, str]],
    source_faces: Sequence[int],
    stock: GroundStock,
    page: Path,
    paper: Path,
    *,
    toolroom: str = "",
) -> None:
    """``content`` is the route file's, ``faces`` (palette key, label) of each face of the solid.

    ``source_faces`` has their places in the file as read, ``toolroom`` the name for the title block.
    """
    mesh = mesh_of(solid)
    subject = subject_of(mesh, faces, content)
    blank = mesh_of(stock.blank.solid).positions
    grinding = sketch.sections(stock, blank, directions(subject), content["stock"]["allowance_mm"])
    report = compose(content, subject, grinding, toolroom)
    paper.write_bytes(pdf(report))
    source, hexes = [int(s) for s in source_faces], colours()
    view = {
        "model": packed(mesh, source_faces=source),
        "axes": subject.frame.tolist(),
        "colours": [(s, hexes[key]) for s, (key, _) in zip(source, subject.faces, strict=True)],
        "edges": [{"place": e["place"], "verdict": e["verdict"]} for e in content["edges"]],
        "explode": explode_map(subject, content, source),
        "features": {str(s): f for s, (_, f) in zip(source, subject.faces, strict=True)},
        "words": {f["id"]: _words(f) for f in content["features"]},
        "bodies": {"ground stock": body_of(stock.solid)},
    }
    page.write_text(html.page(report, view), encoding="utf-8")


def _words(feature: Mapping[str, Any]) -> str:
    said = [f"{feature['id']} {feature['kind']}", *sizes(feature["dims"]), f"process {feature['process']}"]
    return clean("; ".join([*said, *feature["flags"]]))
