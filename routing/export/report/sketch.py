"""The grinding sketch: a section square to the wheel's travel, with what is ground away and its sizes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.planar_path import Segment
from featurize.brep.surfaces import Array
from routing.export.report.blocks import Block, Pictures, Section, Table, Text, number
from routing.export.report.drawing import Drawing, Item, Line, Words, size_line

if TYPE_CHECKING:
    from featurize.brep.shadow import View
    from routing.processes.surface_grind.cuts import GroundCut
    from routing.stock.ground import GroundStock

_WIDE, _HIGH, _EDGE = 177.0, 62.0, 16.0


@dataclass(frozen=True)
class Floor:
    """A stretch that a wheel leaves: how far it reaches across, and its deepest under the blank's face."""

    letter: str
    features: tuple[str, ...]
    form: str  # "flat", "slant 15°", "R 2"
    width_mm: float
    depth_mm: float
    middle: tuple[float, float]
    wheel_mm: float
    corner_mm: float
    turns_mm: tuple[float, ...] = ()  # where the wheel's axis turns, from the blank's end


def sections(
    stock: GroundStock, blank: Array, sides: Mapping[str, Array], allowance: Mapping[str, float]
) -> Section:
    """``blank`` are its corners (n, 3), ``sides`` the directions of the part's sides by name."""
    if not stock.removed:
        return Section("Grinding sketch", (Text(stock.note or "Nothing is ground but the squared blank."),))
    groups: dict[tuple[float, ...], list[GroundCut]] = {}
    for cut in stock.removed:
        key = tuple(np.round(np.concatenate([cut.view.up, cut.view.along]), 6) + 0.0)
        groups.setdefault(key, []).append(cut)
    blocks: list[Block] = []
    for cuts in groups.values():
        view = cuts[0].view
        drawing, floors = _drawn(cuts, view, blank)
        side, along = _side(view.up, sides), _side(view.along, sides)
        told = f"Ground from {side}, wheel travelling along {along[-1]}"
        blocks.append(Pictures(((drawing, f"{told}; seen along the travel"),)))
        rows = tuple(
            (
                f.letter,
                " ".join(f.features),
                f.form,
                number(f.depth_mm),
                number(f.width_mm),
                number(f.wheel_mm),
                number(f.corner_mm),
                " and ".join(number(mm) for mm in f.turns_mm) or "runs out",
            )
            for f in floors
        )
        turns = f"axis turns, from {_side(-view.along, sides)}"
        head = (
            "at",
            "features",
            "form",
            "depth under the blank",
            "width",
            "wheel width",
            "its corner R",
            turns,
        )
        blocks.append(Table(head, rows, (0.6, 4, 2, 2.4, 1.6, 1.6, 1.6, 2.2)))
    kept = (
        f"{number(allowance['floor'])} stays on floors, {number(allowance['wall'])} on walls, where a cutter "
        "blends with them"
        if any(allowance.values())
        else "sparked out to size"
    )
    said = f"Sizes in mm, as ground: {kept}. Wheels, speeds and chucking as the wheel's maker says."
    return Section("Grinding sketch", (*blocks, Text(said, "note")))


def _side(direction: Array, sides: Mapping[str, Array]) -> str:
    return max(sides, key=lambda name: float(sides[name] @ direction))


def _drawn(cuts: list[GroundCut], view: View, blank: Array) -> tuple[Drawing, list[Floor]]:
    hull = shapely.MultiPoint(view.flat(blank)).convex_hull
    left, low, right, top = hull.bounds
    scale = min((_WIDE - 2 * _EDGE) / (right - left), (_HIGH - 22) / (top - low))
    high = (top - low) * scale + 22

    def paper(points: Any) -> tuple[tuple[float, float], ...]:
        flat = (np.asarray(points) - [left, low]) * scale + [(_WIDE - (right - left) * scale) / 2, 7]
        return tuple((round(float(x), 3), round(float(y), 3)) for x, y in flat)

    gone = shapely.union_all([_polygon(c) for c in cuts]).intersection(hull)
    kept = hull.difference(gone)
    items: list[Item] = [
        Line(paper(p.exterior.coords), 0.35, closed=True, fill="#d9dbde") for p in shapely.get_parts(kept)
    ]
    # Whole by parts: a hull and what is cut from it may touch in lines alone.
    areas = [p for p in shapely.get_parts(gone) if p.geom_type == "Polygon" and p.area > tol.LENGTH_MM]
    items += [Line(paper(p.exterior.coords), 0.15, (0.8, 0.6), closed=True) for p in areas]
    for level, area in enumerate(sorted(areas, key=lambda p: p.bounds[0])):
        x0, _, x1, y1 = area.bounds
        (a, y), (b, _) = paper([(x0, y1), (x1, y1)])
        rise = 3.0 + 4.0 * (level % 2)
        items += [Line(((x, y + 0.5), (x, y + rise + 1)), 0.08) for x in (a, b)]
        items += size_line((a, y + rise), (b, y + rise), number(x1 - x0))
    floors = list(_floors(cuts, top, hull, blank))
    for f in floors:
        ((x, y),) = paper([f.middle])
        narrow = f.width_mm * scale < 3.0  # the top of a rib has its letter in the air
        items.append(Words(x, y + 0.8 if narrow else y - 3.4, f.letter, 7, "middle", bold=True))
    (_, y0), (_, y1) = paper([(left, low), (left, top)])
    (x0, _), (x1, _) = paper([(left, low), (right, low)])
    items += [Line(((x0 - 1, y), (x0 - 7, y)), 0.08) for y in (y0, y1)]
    items += size_line((x0 - 5, y0), (x0 - 5, y1), number(top - low), upright=True)
    items += size_line((x0, y0 - 4), (x1, y0 - 4), number(right - left))
    return Drawing(
        _WIDE, high, tuple(items), "Section of the ground stock, square to the wheel's travel"
    ), floors


def _polygon(cut: GroundCut) -> Any:
    return shapely.make_valid(shapely.Polygon(np.vstack([s.points()[:-1] for s in cut.path])))


def _floors(cuts: list[GroundCut], top: float, hull: Any, blank: Array) -> Iterator[Floor]:
    count = 0
    for cut in cuts:
        end = float(((blank - cut.view.origin) @ cut.view.along).min())
        for s in cut.path:
            met = shapely.get_parts(shapely.LineString(s.points()).intersection(hull))
            whole = [m for m in met if m.geom_type == "LineString" and m.length > tol.LENGTH_MM]
            reach = max(whole, key=lambda m: float(m.length), default=None)
            across = abs(float(s.end[0] - s.start[0]))
            # A wheel's own corner is in the table's last column.
            corner = s.mid is not None and across < cut.corner_mm + tol.LENGTH_MM
            if across < tol.LENGTH_MM or corner or reach is None or reach.bounds[1] > top - tol.LENGTH_MM:
                continue
            at = reach.interpolate(0.5, normalized=True)
            yield Floor(
                chr(97 + count % 26) * (1 + count // 26),
                cut.features,
                _form(s),
                float(reach.bounds[2] - reach.bounds[0]),
                float(top - reach.bounds[1]),
                (float(at.x), float(at.y)),
                cut.wheel.width_mm,
                cut.corner_mm,
                tuple(float(s - end) for s in cut.stops if np.isfinite(s)),
            )
            count += 1


def _form(s: Segment) -> str:
    if s.mid is not None:
        return f"R {number(float(np.linalg.norm(s.start - s.centre())))}"
    run, rise = np.abs(s.end - s.start)
    lean = float(np.degrees(np.arctan2(rise, run)))
    return "flat" if rise < tol.LENGTH_MM else f"slant {number(lean, 2)}°"
