"""The wire's outlines as DXF, with start holes, lead-ins, slugs and a legend, and what the route says of it.

One drawing for each direction of the wire, in millimetres, in the part's own frame: x and y as the route
file's ``wire.cuts`` tells. Outlines are polylines of lines and arcs at their own height.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.work import Work
from routing.processes.flags import Flag, Severity

if TYPE_CHECKING:
    from featurize.brep.shadow import View
    from featurize.brep.surfaces import Array
    from routing.processes.wire.outline import Outline
    from routing.processes.wire.paths import Path as WirePath
    from routing.processes.wire.paths import Shadows

ORDER = 30
STEM = "wire_profiles"
FILES = (f"{STEM}*.dxf",)
_AXES = "xyz"
_TEXT_MM = 1.0
_SEVERITY = {
    "start-hole-none": Severity.BLOCKING,
    "start-hole-tight": Severity.WARNING,
    "wire-lead-blocked": Severity.WARNING,
    "wire-part-falls": Severity.WARNING,
    "slug": Severity.NOTE,
}
# Colours by meaning, from the format's standard table of 255.
_COLOURS = {"outline": 7, "low": 8, "lead": 3, "start": 1, "notes": 9, "frame": 251}


def write(work: Work, folder: Path) -> dict[str, Any]:
    """One drawing for each direction; {} where nothing is wired."""
    from featurize.brep.solids import facets
    from routing.processes.protocol import Stage
    from routing.processes.wire.paths import Shadows, paths
    from routing.processes.wire.verdict import WireVerdict

    wired = [
        (p.task.feature, p.task.verdict, step.approach)
        for step in work.plan.steps
        if step.stage == Stage.WIRE
        for p in step.passes
        if isinstance(p.task.verdict, WireVerdict)
    ]
    if not wired:
        return {}
    blank = facets(work.stock.blank.solid).reshape(-1, 3)
    shadows = Shadows(work.part)
    by_file: dict[str, list[WirePath]] = {}
    missed: list[Flag] = []
    for feature, verdict, approach in wired:
        mine = paths(work.plan.job, feature, verdict, approach, blank, shadows)
        if not mine:
            said = f"{feature.id}: its walls give no outline across the wire: draw the path by hand."
            missed.append(Flag("wire-no-outline", Severity.WARNING, feature.id, said))
        for path in mine:
            by_file.setdefault(_file(work, path.view), []).append(path)
    for name, made in by_file.items():
        draw(made, folder / name, _title(work, made[0].view), _outlines(shadows, blank, made[0].view))
    every = [(name, p) for name, made in by_file.items() for p in made]
    flags = missed + [
        Flag(code, _SEVERITY[code], p.feature, said) for _, p in every for code, said in p.faults
    ]
    _mark(work.content, flags)
    return _told(every, flags)


def _mark(content: dict[str, Any], flags: Sequence[Flag]) -> None:
    """The flags' codes at their features."""
    for feature in content["features"]:
        codes = [f.code for f in flags if f.feature == feature["id"]]
        feature["flags"] = list(dict.fromkeys([*feature["flags"], *codes]))


def _file(work: Work, view: View) -> str:
    side = work.part.frame.side_of(view.along)
    return f"{STEM}.dxf" if side == "+z" else f"{STEM}_{side[1] if side else 'slanted'}.dxf"


def _title(work: Work, view: View) -> str:
    return f"{work.solid.name}: {_axis_words(work, view)}; mm"


def _axis_words(work: Work, view: View) -> str:
    side = work.part.frame.side_of
    x, y, z = side(view.across) or "slanted", side(view.up) or "slanted", side(view.along) or "slanted"
    return f"seen from {z}, drawing X along the part's {x}, Y along its {y}"


def _outlines(shadows: Shadows, blank: Array, view: View) -> dict[str, Any]:
    """Corners (n, 2) of what is drawn behind: the blank's hull and the part's shadow."""
    import shapely

    hull = shapely.convex_hull(shapely.multipoints(view.flat(blank)))
    rings = [p.exterior for p in shapely.get_parts(shadows.across(view)) if p.geom_type == "Polygon"]
    return {
        "BLANK": [shapely.get_coordinates(hull)[:-1]],
        "PART": [shapely.get_coordinates(shapely.simplify(r, 1e-3))[:-1] for r in rings],
    }


def layers(path: WirePath) -> list[tuple[str, Outline, float, str]]:
    """(layer, outline, height, colour) of a path, highest first: one layer for each outline.

    A straight wall is the PROFILE, beside tapered walls the LAND; tapered ones have TOP and BOTTOM.
    """
    walls = path.cut.walls
    found: list[tuple[str, Outline, float, str]] = []
    for n, wall in enumerate(walls, 1):
        mark = f"_{n}" if sum(w.straight == wall.straight for w in walls) > 1 else ""
        if wall.straight:
            kind = "PROFILE" if all(w.straight for w in walls) else "LAND"
            found.append((f"{path.name}_{kind}{mark}", wall.top, wall.high_mm, "outline"))
            continue
        found.append((f"{path.name}_TOP{mark}", wall.top, wall.high_mm, "outline"))
        found.append((f"{path.name}_BOTTOM{mark}", wall.bottom, wall.low_mm, "low"))
    return found


def draw(made: Sequence[WirePath], target: Path, title: str, behind: dict[str, Any]) -> None:
    """Writes one drawing (DXF R2010, the same bytes for the same part)."""
    import ezdxf
    import numpy as np
    from ezdxf import units

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no date and no random id
    try:
        document = ezdxf.new("R2010")
        document.units = units.MM
        space = document.modelspace()

        def layer(name: str, colour: str) -> dict[str, Any]:
            if name not in document.layers:
                document.layers.add(name, color=_COLOURS[colour])
            return {"layer": name}

        for name, rings in behind.items():
            for ring in rings:
                space.add_lwpolyline(ring, close=True, dxfattribs=layer(name, "frame"))
        for path in made:
            for name, outline, height, colour in layers(path):
                _outline(space, outline, height, layer(name, colour))
            lead = layer(f"{path.name}_LEAD", "lead")
            space.add_lwpolyline(path.lead.way, dxfattribs=lead)
            if path.lead.out is not None:
                space.add_lwpolyline(path.lead.out, dxfattribs=lead)
            start = layer(f"{path.name}_START", "start")
            space.add_point(path.lead.start, dxfattribs=start)
            if path.hole is not None and path.hole.diameter_mm is not None:
                space.add_circle(path.hole.circle.centre, path.hole.diameter_mm / 2, dxfattribs=start)
            note = {**layer(f"{path.name}_NOTES", "notes"), "height": _TEXT_MM}
            space.add_text(path.name, dxfattribs=note).set_placement(tuple(path.lead.start + _TEXT_MM))
        corner = np.vstack(behind["BLANK"])
        at = np.array([corner[:, 0].max() + 10 * _TEXT_MM, corner[:, 1].max()])
        words = {**layer("LEGEND", "notes"), "height": _TEXT_MM}
        for line in _legend(made, title):
            space.add_text(line, dxfattribs=words).set_placement(tuple(at))
            at = at - np.array([0.0, 1.8 * _TEXT_MM])
        table = {**layer("START_HOLES", "start"), "height": _TEXT_MM}
        for cells in _start_table(made):
            at = at - np.array([0.0, 1.8 * _TEXT_MM])
            for k, cell in enumerate(cells):
                space.add_text(cell, dxfattribs=table).set_placement(
                    tuple(at + np.array([12.0 * _TEXT_MM * k, 0]))
                )
        document.saveas(target)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _outline(space: Any, outline: Outline, height_mm: float, attributes: dict[str, Any]) -> None:
    if outline.is_circle:
        (x, y), radius = outline.centres[0], float(outline.radii[0])
        space.add_circle((x, y, height_mm), radius, dxfattribs=attributes)
        return
    bulges = [*outline.bulges, *(() if outline.closed else (0.0,))]
    rows = [(x, y, b) for (x, y), b in zip(outline.points, bulges, strict=True)]
    space.add_lwpolyline(
        rows, format="xyb", close=outline.closed, dxfattribs={**attributes, "elevation": height_mm}
    )


def _travel(path: WirePath) -> str:
    if not path.cut.closed:
        return "from the drawn start to the drawn end"
    return "against the clock" if path.cut.opening else "with the clock"


def _legend(made: Sequence[WirePath], title: str) -> Iterator[str]:
    from routing.processes.wire.slugs import CAUTION

    yield title
    yield "Outlines are the finished walls: the wire runs in the air, LEFT of the travel by its offset."
    yield "Outline heights are their elevations, from the part's lowest point along the wire."
    for path in made:
        wire = path.wire
        yield (
            f"{path.name}: wire {wire.diameter_mm:g}, offset {wire.corner_mm:.4g} (radius + "
            f"{wire.gap_mm:g} gap of the last pass), travel {_travel(path)}"
        )
        for name, outline, height, _ in layers(path):
            yield f"   {name}: at {height:.3f}, {len(outline.bulges)} pieces"
        stray = max(w.deviation_mm for w in path.cut.walls)
        yield f"   outline {f'within {stray:g} of the model' if stray else 'exact'}; met {path.lead.rule}"
        if path.slug is not None:
            s = path.slug
            yield f"   slug about {s.mass_g:.3g} g (estimate), {s.fall}"
        for _, said in path.faults:
            yield f"   {said}"
    yield from CAUTION.splitlines()
    yield "Estimates and proposals: prove every path on the machine before it cuts."


def _start_table(made: Sequence[WirePath]) -> Iterator[tuple[str, ...]]:
    if not any(path.hole for path in made):
        return
    yield "start hole", "X", "Y", "diameter", "inscribed", "height", "by"
    for path in made:
        if path.hole is None:
            continue
        x, y = path.hole.circle.centre
        d = path.hole.diameter_mm
        cells = (x, y, d, path.hole.inscribed_mm, path.hole.height_mm)
        yield path.name, *("none" if c is None else f"{c:.3f}" for c in cells), path.hole.how


def _told(every: Sequence[tuple[str, WirePath]], flags: Sequence[Flag]) -> dict[str, Any]:
    from routing.export.numbers import rounded, vector
    from routing.export.route_json import plain
    from routing.processes.wire.slugs import CAUTION

    cuts, starts = [], []
    for file, path in every:
        view, lead = path.view, path.lead
        cuts.append(
            {
                "name": path.name,
                "feature": path.feature,
                "file": file,
                "x": vector(view.across, 9),
                "y": vector(view.up, 9),
                "from": vector(view.along, 9),
                "wire_mm": rounded(path.wire.diameter_mm),
                "gap_mm": rounded(path.wire.gap_mm),
                "offset_mm": rounded(path.wire.corner_mm),
                "offset_side": "left",
                "travel": _travel(path),
                "outlines": [
                    {
                        "layer": name,
                        "height_mm": rounded(height),
                        "closed": outline.closed,
                        "length_mm": rounded(float(outline.lengths.sum())),
                        "area_mm2": rounded(abs(outline.area_mm2)) if outline.closed else None,
                    }
                    for name, outline, height, _ in layers(path)
                ],
                "deviation_mm": rounded(max(w.deviation_mm for w in path.cut.walls)),
                "lead_mm": [vector(p) for p in lead.way],
                "out_mm": None if lead.out is None else [vector(p) for p in lead.out],
                "meets": lead.rule,
                "slug": None if path.slug is None else plain(path.slug),
            }
        )
        if path.hole is not None:
            hole = path.hole
            starts.append(
                {
                    "name": path.name,
                    "feature": path.feature,
                    "file": file,
                    "x_mm": rounded(hole.circle.centre[0]),
                    "y_mm": rounded(hole.circle.centre[1]),
                    "inscribed_mm": rounded(hole.inscribed_mm),
                    "diameter_mm": None if hole.diameter_mm is None else rounded(hole.diameter_mm),
                    "height_mm": rounded(hole.height_mm),
                    "by": hole.how,
                    "problem": hole.problem,
                }
            )
    return {
        "wire": {"cuts": cuts, "start_holes": starts, "caution": CAUTION.replace("\n", " ")},
        "flags": [plain(f) for f in flags],
    }
