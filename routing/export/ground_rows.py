"""What a wheel leaves, floor by floor: as ground and as finished, in the zero of the setup that grinds it.

The cuts are those of the ground stock, setups and zeros the plan's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.planar_path import Segment
from featurize.brep.surfaces import Array
from routing.export.numbers import rounded
from routing.plan.plan import Plan, Setup
from routing.processes.protocol import Stage
from routing.processes.surface_grind.cuts import GroundCut
from routing.stock.ground import GroundFloor, GroundStock


@dataclass(frozen=True)
class GroundRow:
    """One floor. Lengths mm, places from the setup's zero: ``axis`` ("X" or "Y") is across the travel.

    ``ground_mm`` is between what walls the wheel leaves it, ``finished_mm`` where its face is in the end,
    None where no face is. ``dressed_mm`` is the radius that the wheel is dressed to: of a round its own, else
    the corner that it must not pass. ``turns_mm`` is where the wheel's axis stops along ``travel`` before
    what stands in its way, empty where it runs out of the blank.
    """

    setup: int
    letter: str
    features: tuple[str, ...]
    form: str  # "flat", "slant 15°", "R 2"
    axis: str
    travel: str
    ground_mm: tuple[float, float]
    finished_mm: tuple[float, float] | None
    z_ground_mm: float
    z_finished_mm: float | None
    wheel: str
    dressed_mm: float
    turns_mm: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Group:
    """The cuts of one setup along one travel, and their rows; ``hull`` (shapely) is the blank seen so."""

    setup: Setup
    cuts: tuple[GroundCut, ...]
    rows: tuple[GroundRow, ...]
    spots: tuple[Array, ...]  # middle (2,) of each row's floor, in the view
    hull: Any


def groups(plan: Plan, stock: GroundStock) -> list[Group]:
    """In the order of the setups."""
    found = []
    for setup in plan.setups:
        own = {p.feature for s in setup.steps if s.stage == Stage.GRIND for p in s.passes}
        cuts = [c for c in stock.removed if own & set(c.features) and _faces(setup, c)]
        ways: dict[tuple[float, ...], list[GroundCut]] = {}
        for cut in cuts:
            ways.setdefault(tuple(np.round(np.abs(cut.view.along), 6) + 0.0), []).append(cut)
        for same in ways.values():
            found.append(_group(setup, same, stock.floors, plan))
    return found


def _faces(setup: Setup, cut: GroundCut) -> bool:
    """Whether the wheel of a cut comes from the side that is up; slanted faces are cut from it too."""
    return float(cut.view.up @ setup.zero.axes[2]) > 0.5


def _group(setup: Setup, cuts: Sequence[GroundCut], floors: Sequence[GroundFloor], plan: Plan) -> Group:
    rows: list[GroundRow] = []
    spots: list[Array] = []
    for cut in cuts:
        for s, reach, deep, spot in _stretches(cut, plan):
            letter = _letter(len(rows))
            rows.append(_row(setup, letter, cut, s, reach, deep, _floor_of(cut, s, floors), plan))
            spots.append(spot)
    return Group(setup, tuple(cuts), tuple(rows), tuple(spots), _blank_hull(plan, cuts[0]))


def _letter(n: int) -> str:
    return chr(97 + n % 26) * (1 + n // 26)


def _blank_hull(plan: Plan, cut: GroundCut) -> Any:
    """The squared blank in the view of a cut (shapely)."""
    blanks = plan.job.blanks
    assert blanks is not None
    return shapely.MultiPoint(cut.view.flat(blanks.squared.corners)).convex_hull


def _stretches(cut: GroundCut, plan: Plan) -> Iterator[tuple[Segment, tuple[float, float], float, Array]]:
    """Pieces of the path that are floors: their reach across with their corners, depth, and a middle."""
    hull = _blank_hull(plan, cut)
    left, _, right, top = hull.bounds
    count = len(cut.path)
    for n, s in enumerate(cut.path):
        if abs(float(s.end[0] - s.start[0])) < tol.LENGTH_MM or _is_corner(s, cut):
            continue
        parts = shapely.get_parts(shapely.LineString(s.points()).intersection(hull))
        met = max(parts, key=lambda m: float(m.length), default=None)
        if met is None or met.length < tol.LENGTH_MM or met.bounds[1] > top - tol.LENGTH_MM:
            continue
        ends = [met.bounds[0], met.bounds[2]]
        for other in (cut.path[n - 1], cut.path[(n + 1) % count]):
            if _is_corner(other, cut):
                ends += [float(other.start[0]), float(other.end[0])]
        spot = met.interpolate(0.5, normalized=True)
        reach = max(left, min(ends)), min(right, max(ends))
        yield s, reach, float(met.bounds[1]), np.array([spot.x, spot.y])


def _is_corner(s: Segment, cut: GroundCut) -> bool:
    """Whether a piece is what the wheel's own corner leaves."""
    if s.mid is None:
        return False
    return float(np.linalg.norm(s.start - s.centre())) < cut.corner_mm + tol.LENGTH_MM


def _floor_of(cut: GroundCut, s: Segment, floors: Sequence[GroundFloor]) -> GroundFloor | None:
    """The flat face of the part that a straight piece is ground in front of."""
    if s.mid is not None:
        return None
    run = (s.end - s.start) / s.length_mm
    for floor in (
        f for f in floors if f.feature.partition(".")[0] in {c.partition(".")[0] for c in cut.features}
    ):
        flat = cut.view.flat(np.array(floor.points)) - s.start
        along, off = flat @ run, np.abs(flat[:, 0] * run[1] - flat[:, 1] * run[0])
        near = (along > -tol.SURFACE_MM) & (along < s.length_mm + tol.SURFACE_MM)
        if near.any() and float(np.abs(off[near] - floor.offset_mm).max()) < tol.SURFACE_MM / 2:
            return floor
    return None


def _row(
    setup: Setup,
    letter: str,
    cut: GroundCut,
    s: Segment,
    reach: tuple[float, float],
    deep: float,
    floor: GroundFloor | None,
    plan: Plan,
) -> GroundRow:
    zero, view = setup.zero, cut.view
    k = int(np.argmax(np.abs(zero.axes[:2] @ view.across)))
    sign = float(np.sign(zero.axes[k] @ view.across))
    shift = float(zero.local(view.origin)[k])
    low, high = sorted(shift + sign * v for v in reach)
    z = float(zero.local(view.solid(np.array([0.0, deep])))[2])
    finished = z_finished = None
    features = cut.features
    if floor is not None:
        local = zero.local(plan.job.cloud([floor.face]))
        finished = rounded(float(local[:, k].min())), rounded(float(local[:, k].max()))
        z_finished = rounded(float(local[:, 2].min()))
        features = (floor.feature.partition(".")[0],)
    radius = cut.corner_mm if s.mid is None else float(np.linalg.norm(s.start - s.centre()))
    return GroundRow(
        setup.number,
        letter,
        features,
        _form(s),
        "XY"[k],
        "YX"[k],
        (rounded(low), rounded(high)),
        finished,
        rounded(z),
        z_finished,
        str(cut.wheel),
        rounded(radius),
        _turns(setup, cut),
    )


def _turns(setup: Setup, cut: GroundCut) -> tuple[float, ...]:
    """Where the wheel's axis stops, from the setup's zero along the travel."""
    k = 1 - int(np.argmax(np.abs(setup.zero.axes[:2] @ cut.view.across)))
    ends = (cut.view.origin + s * cut.view.along for s in cut.stops if np.isfinite(s))
    return tuple(sorted(rounded(float(setup.zero.local(end)[k])) for end in ends))


def _form(s: Segment) -> str:
    if s.mid is not None:
        return f"R {float(np.linalg.norm(s.start - s.centre())):.4g}"
    run, rise = np.abs(s.end - s.start)
    lean = float(np.degrees(np.arctan2(rise, run)))
    return "flat" if rise < tol.LENGTH_MM else f"slant {lean:.4g}°"
