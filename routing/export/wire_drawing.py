"""The wire's drawing (DXF): every pass as two outlines at its two heights, with its leads and start point.

Millimetres, in the zero of the setup; outlines are polylines of lines and arcs whose elevation is their Z.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.dxf_file import drawing
from routing.export.wire_sheet import PlacedPath, layers, start_hole, travel

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.surfaces import Array
    from routing.processes.wire.outline import Outline

_TEXT_MM = 1.0
# Colours by meaning, from the format's standard table of 255.
_COLOURS = {"upper": 7, "lower": 8, "lead": 3, "start": 1, "notes": 9, "frame": 251}


def draw(
    made: Sequence[PlacedPath], target: Path, title: Sequence[str], behind: Mapping[str, Sequence[Array]]
) -> None:
    """Writes one drawing (DXF R2010, the same bytes for the same part).

    ``behind`` are closed lines (n, 2) by layer, to see where things are.
    """
    import numpy as np

    with drawing(target) as document:
        space = document.modelspace()

        def layer(name: str, colour: str) -> dict[str, Any]:
            if name not in document.layers:
                document.layers.add(name, color=_COLOURS[colour])
            return {"layer": name}

        for name, rings in behind.items():
            for ring in rings:
                space.add_lwpolyline(ring, close=True, dxfattribs=layer(name, "frame"))
        for placed in made:
            for leg in placed.path.legs:
                ruled, lead, (upper, lower) = leg.ruled, leg.lead, layers(leg)
                way = layer(f"{leg.name}_LEAD", "lead")
                for height, name, colour, outline, lines in (
                    (ruled.high_mm, upper, "upper", ruled.upper, (lead.upper, lead.out_upper)),
                    (ruled.low_mm, lower, "lower", ruled.lower, (lead.lower, lead.out_lower)),
                ):
                    z = placed.z(height)
                    _outline(space, placed.outline(outline), z, layer(name, colour))
                    for line in lines:
                        if line is not None:
                            space.add_lwpolyline(placed.flat(line), dxfattribs={**way, "elevation": z})
            start = placed.flat(placed.path.legs[0].lead.start)
            mark, top = layer(f"{placed.path.name}_START", "start"), placed.z(placed.path.span_mm[1])
            space.add_point((*start, top), dxfattribs=mark)
            hole = placed.path.hole
            if hole is not None and hole.diameter_mm is not None:
                space.add_circle((*start, top), hole.diameter_mm / 2, dxfattribs=mark)
            note = {**layer(f"{placed.path.name}_NOTES", "notes"), "height": _TEXT_MM}
            space.add_text(placed.path.name, dxfattribs=note).set_placement(tuple(start + _TEXT_MM))
        corner = np.vstack(behind["BLANK"])
        at = np.array([corner[:, 0].max() + 10 * _TEXT_MM, corner[:, 1].max()])
        words = {**layer("LEGEND", "notes"), "height": _TEXT_MM}
        for text in (*title, *_legend(made)):
            space.add_text(text, dxfattribs=words).set_placement(tuple(at))
            at = at - np.array([0.0, 1.8 * _TEXT_MM])
        table = {**layer("START_HOLES", "start"), "height": _TEXT_MM}
        for cells in _start_table(made):
            at = at - np.array([0.0, 1.8 * _TEXT_MM])
            for k, cell in enumerate(cells):
                place = at + np.array([12.0 * _TEXT_MM * k, 0])
                space.add_text(cell, dxfattribs=table).set_placement(tuple(place))


def _outline(space: Any, outline: Outline, z_mm: float, attributes: dict[str, Any]) -> None:
    bulges = [*outline.bulges, *(() if outline.closed else (0.0,))]
    rows = [(x, y, b) for (x, y), b in zip(outline.points, bulges, strict=True)]
    space.add_lwpolyline(
        rows, format="xyb", close=outline.closed, dxfattribs={**attributes, "elevation": z_mm}
    )


def _legend(made: Sequence[PlacedPath]) -> Iterator[str]:
    from routing.processes.wire.slugs import CAUTION

    yield "Outlines are the finished walls: the wire runs in the air, LEFT of the travel by its offset."
    yield "A pass is two outlines with the same corners: the wire is the line through both, piece by piece."
    yield "Elevations are Z from the setup's zero. Offsets are the last trim's: earlier cuts stand off more."
    for placed in made:
        path, wire = placed.path, placed.path.wire
        yield (
            f"{path.name}: wire {wire.diameter_mm:g}, offset {wire.corner_mm:.4g} (radius + "
            f"{wire.gap_mm:g} gap of the last trim), travel {travel(path)}"
        )
        for leg in path.legs:
            made_, r = leg.made, leg.ruled
            yield (
                f"   {made_.number}. {leg.name}: Z {placed.z(r.high_mm):.3f} to {placed.z(r.low_mm):.3f}, "
                f"angle {made_.angle_deg:.3f}, {len(made_.speeds)} cuts, the last {made_.trims} trims; "
                f"met {leg.lead.rule}"
            )
        stray = path.cut.deviation_mm
        yield f"   outlines {f'within {stray:.4f} of the model' if stray else 'exact'}"
        if path.slug is not None:
            yield f"   slug about {path.slug.mass_g:.3g} g (estimate), {path.slug.fall}"
        for _, text in path.faults:
            yield f"   {text}"
    yield from CAUTION.splitlines()
    yield "Estimates and proposals: prove every path on the machine before it cuts."


def _start_table(made: Sequence[PlacedPath]) -> Iterator[tuple[str, ...]]:
    holes = [hole for placed in made if (hole := start_hole(placed))]
    if not holes:
        return
    yield "start hole", "X", "Y", "from Z", "to Z", "diameter", "inscribed", "by"
    keys = ("x_mm", "y_mm", "from_z_mm", "to_z_mm", "diameter_mm", "inscribed_mm")
    for hole in holes:
        cells = ("none" if hole[k] is None else f"{hole[k]:.3f}" for k in keys)
        yield hole["name"], *cells, hole["by"]
