"""The grinding sketch: a section square to the wheel's travel, as ground and as finished, from the zero."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from featurize import tolerances as tol
from routing.export.report.blocks import Block, Pictures, Section, Table, Text, number
from routing.export.report.drawing import Drawing, Item, Line, Words
from routing.export.report.sized_drawing import column, row_below, zero_items

if TYPE_CHECKING:
    from routing.export.ground_rows import GroundRow, Group
    from routing.processes.surface_grind.cuts import GroundCut

_WIDE, _HIGH, _LEFT, _BELOW = 177.0, 60.0, 24.0, 15.0


def by_setup(groups: Sequence[Group], note: str) -> dict[int, Section]:
    """The sketch of each setup that grinds; under 0 why nothing is ground, where that is so."""
    if not groups:
        return {0: Section("Grinding sketch", (Text(note or "Nothing is ground but the squared blank."),))}
    found: dict[int, list[Block]] = {}
    for group in groups:
        setup = group.setup
        text = f"seen along the travel, {group.rows[0].travel}. Zero: {setup.zero.words}."
        blocks = found.setdefault(setup.number, [])
        blocks += [Pictures(((_drawn(group), text),)), table(group.rows)]
    entry = Text(
        "Z as ground has the allowance that stays where a cutter goes on; else it is to size. "
        "Between walls the wheel's corner stands in the foot. Wheels, speeds and chucking as the wheel's "
        "maker says.",
        "note",
    )
    sides = {g.setup.number: g.setup.approach.side for g in groups}
    return {
        n: Section(f"Grinding sketch, setup {n} from {sides[n]}", (*blocks, entry))
        for n, blocks in found.items()
    }


def table(rows: Sequence[GroundRow]) -> Table:
    entries = tuple(
        (
            r.letter,
            " ".join(r.features),
            r.form,
            f"{r.axis} {_from_to(r.ground_mm)}",
            number(r.ground_mm[1] - r.ground_mm[0]),
            "-" if r.finished_mm is None else number(r.finished_mm[1] - r.finished_mm[0]),
            number(r.z_ground_mm),
            "-" if r.z_finished_mm is None else number(r.z_finished_mm),
            r.wheel,
            number(r.dressed_mm),
            _turned(r),
        )
        for r in rows
    )
    head = (
        "at",
        "feature",
        "form",
        "from to, as ground",
        "width ground",
        "finished",
        "Z ground",
        "Z finished",
        "wheel",
        "dressed R",
        "axis turns",
    )
    return Table(head, entries, (0.6, 1.4, 1.6, 2.7, 1.3, 1.4, 1.4, 1.5, 2.2, 1.3, 1.8))


def _turned(row: GroundRow) -> str:
    at = " and ".join(number(mm) for mm in row.turns_mm)
    return f"{row.travel} {at}" if at else "runs out"


def _from_to(pair: tuple[float, float]) -> str:
    return f"{number(pair[0])} to {number(pair[1])}"


def _drawn(group: Group) -> Drawing:
    """The section of the blank, what is ground away dashed, ordinates from the setup's zero."""
    view, hull = group.cuts[0].view, group.hull
    left, low, right, top = hull.bounds
    room = np.array([_WIDE - _LEFT - 10, _HIGH - _BELOW - 6])
    scale = float(np.min(room / (right - left, top - low)))
    high = (top - low) * scale + _BELOW + 6

    def paper(points: Any) -> tuple[tuple[float, float], ...]:
        flat = (np.asarray(points).reshape(-1, 2) - [left, low]) * scale + [_LEFT, _BELOW]
        return tuple((round(float(x), 3), round(float(y), 3)) for x, y in flat)

    gone = shapely.union_all([_polygon(c) for c in group.cuts]).intersection(hull)
    items: list[Item] = [
        Line(paper(p.exterior.coords), 0.35, closed=True, fill="#d9dbde")
        for p in shapely.get_parts(hull.difference(gone))
    ]
    # Whole by parts: a hull and what is cut from it may touch in lines alone.
    areas = [p for p in shapely.get_parts(gone) if p.geom_type == "Polygon" and p.area > tol.LENGTH_MM]
    items += [Line(paper(p.exterior.coords), 0.15, (0.8, 0.6), closed=True) for p in areas]
    for row, spot in zip(group.rows, group.spots, strict=True):
        ((x, y),) = paper(spot)
        narrow = (row.ground_mm[1] - row.ground_mm[0]) * scale < 3.0  # it has its letter in the air
        items.append(Words(x, y + 0.8 if narrow else y - 3.4, row.letter, 7, "middle", bold=True))
    zero = group.setup.zero
    k = int(np.argmax(np.abs(zero.axes[:2] @ view.across)))
    sign = float(np.sign(zero.axes[k] @ view.across))
    at_zero = view.flat(np.array(zero.origin_mm))
    ends = sorted(
        {round(v, 4) for r in group.rows for v in r.ground_mm}
        | {_along(v, at_zero[0], sign) for v in (left, right)}
    )
    across = [(paper((at_zero[0] + sign * v, top))[0], v) for v in ends]
    heights = {round(r.z_ground_mm, 4) for r in group.rows} | {
        round(float(v - at_zero[1]), 4) for v in (low, top)
    }
    up = [(paper((left, at_zero[1] + v))[0], v) for v in sorted(heights)]
    items += row_below(sorted(across), _BELOW)
    items += column(up, _LEFT)
    items += zero_items(paper(at_zero)[0])
    axis = group.rows[0].axis
    items.append(Words(_LEFT - 22, high - 3.5, "Z", 7, bold=True))
    items.append(Words(_LEFT + (right - left) * scale + 2, 3.0, axis, 7, bold=True))
    return Drawing(
        _WIDE, round(float(high), 2), tuple(items), "Section of the ground stock across the travel"
    )


def _along(value: float, zero: float, sign: float) -> float:
    return round(float(sign * (value - zero)), 4) + 0.0


def _polygon(cut: GroundCut) -> Any:
    return shapely.make_valid(shapely.Polygon(np.vstack([s.points()[:-1] for s in cut.path])))
