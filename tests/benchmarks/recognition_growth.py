"""How recognition grows with what it has to find: plates of 100 to 800 holes, openings, pockets or teeth.

python -m tests.benchmarks.recognition_growth [MOST]: for each form a line for each count, with processor
seconds of recognition, beside those of the graph and the mesh that it works on, and how many times as long it
took when the count had doubled: 2 is growth in proportion.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import cadquery as cq

from featurize.brep.build import build_part
from featurize.recognise import recognise

_PITCH_MM, _THICK_MM = 10.0, 12.0


def plate(form: str, count: int) -> Any:
    """A solid with ``count`` features of a form on a square grid."""
    across = int(count**0.5 + 0.999)
    places = [(_PITCH_MM * (k % across), _PITCH_MM * (k // across)) for k in range(count)]
    size = _PITCH_MM * across + 20.0
    middle = (_PITCH_MM * (across - 1)) / 2
    if form == "teeth":
        teeth = [
            cq.Workplane().box(5.0, 5.0, _THICK_MM).translate((x, y, _THICK_MM)).val() for x, y in places
        ]
        low = cq.Workplane().box(size - 15, size - 15, _THICK_MM).translate((middle, middle, 0)).val()
        return low.fuse(*teeth).Solids()[0].wrapped  # type: ignore[union-attr]
    outlines = [_outline(form, x, y) for x, y in places]
    sheet = cq.Workplane().rect(size, size).translate((middle, middle, 0)).wires().val()
    drilled = cq.Solid.extrudeLinear(sheet, outlines, cq.Vector(0, 0, _THICK_MM / 2))
    if form in ("holes", "openings"):
        return drilled.wrapped
    below = cq.Solid.extrudeLinear(sheet, [], cq.Vector(0, 0, -_THICK_MM / 2))
    return drilled.fuse(below).Solids()[0].wrapped


def _outline(form: str, x: float, y: float) -> Any:
    here = cq.Workplane(origin=(x, y, 0))
    return (here.circle(2.5) if form == "holes" else here.rect(5.0, 4.0)).wires().val()


FORMS = ("holes", "openings", "pockets", "teeth")


def main() -> None:
    """Prints seconds and ratios."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 800
    for form in FORMS:
        before = None
        count = max(most // 8, 1)
        while count <= most:
            solid = plate(form, count)
            start = time.process_time()
            part = build_part(solid)
            built = time.process_time()
            recognise(part)
            built, found = built - start, time.process_time() - built
            grown = f", {found / before:4.1f} times as long" if before else ""
            sys.stdout.write(
                f"{form:9} {count:4}, {len(part.faces):5} faces: graph {built:6.2f} s, "
                f"recognition {found:6.2f} s, {found / built:5.2f} of the graph's time{grown}\n"
            )
            sys.stdout.flush()
            before, count = found, 2 * count


if __name__ == "__main__":
    main()
