"""The papers for people: the report, a sheet for each setup, a pack for each reader, the drawings.

They share what they show, which is made once: all of them are written here.
"""

from __future__ import annotations

from collections.abc import Hashable
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from routing.export.work import Work

ORDER = 90
PAGE, PAPER = "report.html", "report.pdf"
FILES = (
    PAGE,
    PAPER,
    "setup_[0-9][0-9].pdf",
    "setup_[0-9][0-9].html",
    "pack_*.pdf",
    "pack_*.html",
    "drawing*.dxf",
)


def depends(work: Work) -> Hashable:
    """All that is told: the papers show nothing but the route file, the part, its stock and what holds it."""
    from routing.export.route_json import text

    fixtures = repr([s.held.fixtures for s in work.plan.setups])
    return (
        text(work.content),
        str(work.shop.toolroom),
        work.shop.toolroom.page,
        work.shop.general.projection,
        work.choices.date,
        fixtures,
    )


def prepare() -> None:
    """Loads the libraries and the type of the papers, none of them the kernel's."""
    import_module("ezdxf")
    pdf = import_module("routing.export.report.pdf")
    pdf.prepare()


def write(work: Work, folder: Path) -> dict[str, Any]:
    from routing.export.fixture_bodies import solid_of
    from routing.export.ground_rows import groups
    from routing.export.report import drawing_sections, drawings, sketch
    from routing.export.report.compose import Paper
    from routing.export.report.gallery import Gallery
    from routing.export.report.pictures import subject_of
    from routing.export.report.write import Shown, write_papers
    from routing.export.viewer.mesh import mesh_of

    subject = subject_of(work.solid.solid, mesh_of(work.solid.solid), work.faces, work.content)
    fixtures = {s.number: [(f.name, solid_of(f)) for f in s.held.fixtures] for s in work.plan.setups}
    gallery = Gallery(work.content, subject, folder, fixtures)
    part = drawings.of_part(gallery, first_angle=work.shop.general.projection == "first")
    paper = Paper(
        work.content,
        gallery,
        sketch.by_setup(groups(work.plan, work.stock), work.stock.note),
        None if part is None else part.section,
        str(work.shop.toolroom),
        work.choices.date,
        work.shop.toolroom.page,
        drawing_sections.drawing(work.content, folder),
    )
    shown = Shown(work.solid.source_faces, work.stock.solid)
    write_papers(paper, shown, folder, partial(drawings.write, gallery, part, folder))
    return {}
