"""Proof of a ground stock: exact booleans and distances, and a height grid that shares none of their code.

The stock must be the blank less what its wheels sweep, neither more nor less; and these sweeps must be what
wheels can do, keep off the part and leave nothing that they should have taken.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

import numpy as np
from OCP.TopAbs import TopAbs_ShapeEnum
from scipy.ndimage import minimum_filter

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shapes import each
from featurize.brep.silhouette import View
from featurize.brep.solids import (
    KernelError,
    area_of,
    cut,
    distance_along,
    facets,
    is_closed,
    is_valid,
    solids_of,
    volume_of,
)
from featurize.brep.surfaces import Array, Plane
from featurize.errors import StepError
from featurize.isolate import run_apart
from routing.stock.grid import Columns, columns
from routing.stock.ground import GroundStock, tool_of
from routing.stock.passes import passes
from routing.stock.sweep import Sweep, SweepFault, outliers, sweeps

T = TypeVar("T")

# Largest share of the part that may stand outside the stock ...
MISSING_SHARE = 1e-6
# ... and how much of that (mm3) thicker than what a floor may be off: a cube of a tenth of a millimetre.
GOUGED_MM3 = 1e-3
# What the stock may have over the blank less the wheels' sweeps, or lack of it (mm3): a cube of 0.02 mm.
SAME_MM3 = 1e-5
FLOOR_MM = 5e-4
# The boolean takes seconds; what takes longer will not end.
BOOLEAN_LIMIT_S = 120.0
# Columns of the grid along the longer side: volumes come out within a twentieth of 1 %. What is thinner than
# its cells is for the line of heights of the swept wheel and for the exact boolean to find.
_COLUMNS = 200
_TURN = 0.4142
# Turn between facets of the stock's mesh: on what is rounder than a wheel's corner the chord alone counts.
_ANGLE_DEG = 20.0


@dataclass(frozen=True)
class FloorCheck:
    """``measured_mm`` is the median over points of the floor, ``worst_mm`` the largest miss of them."""

    feature: str
    face: int
    expected_mm: float
    measured_mm: float
    worst_mm: float


@dataclass(frozen=True)
class GridCheck:
    """One side's height grid. ``gouge_mm``: how far the part stands over the stock at worst, 0 for nowhere.

    Only what is three columns wide counts: narrower gouges are the exact boolean's to find.
    """

    side: tuple[float, float, float]
    pitch_mm: float
    stock_mm3: float
    volume_error: float  # relative to the exact volume
    gouge_mm: float
    gouge_place: tuple[float, float, float] | None


@dataclass(frozen=True)
class Proof:
    """All volumes mm3. ``rough_saved`` is the share of the roughing volume no longer cut.

    ``over_mm3`` is what the stock has beyond the blank less the wheels' sweeps, ``short_mm3`` what it lacks;
    None where the kernel could not tell. ``gouged_mm3`` is what of the missing is no mere skin.
    """

    valid: bool
    closed: bool
    solids: int
    shells: int
    blank_mm3: float
    ground_mm3: float
    part_mm3: float
    ground_away_mm3: float
    left_to_mill_mm3: float
    rough_saved: float
    missing_mm3: float
    missing_by: str
    gouged_mm3: float
    over_mm3: float | None
    short_mm3: float | None
    floors: tuple[FloorCheck, ...]
    grids: tuple[GridCheck, ...]
    sweeps: tuple[Sweep, ...]
    outliers: tuple[SweepFault, ...]
    passes: tuple[SweepFault, ...]

    @property
    def faults(self) -> tuple[str, ...]:
        """What does not hold, in words; empty when the stock can be trusted."""
        found = []
        if not (self.valid and self.closed and self.solids == 1):
            found.append("the stock is not one valid closed solid")
        if self.solids == 1 and self.shells > 1:
            found.append("the stock has a closed void")
        if self.missing_mm3 > MISSING_SHARE * self.part_mm3 or self.gouged_mm3 > GOUGED_MM3:
            found.append(f"{self.missing_mm3:.6f} mm3 of the part stand outside the stock")
        for volume, what in ((self.over_mm3, "over"), (self.short_mm3, "missing from")):
            if volume is None or not volume <= SAME_MM3:
                size = "unknown" if volume is None else f"{volume:.6f}"
                found.append(f"{size} mm3 are {what} the blank less what the wheels sweep")
        found += [
            f"floor {f.face} of {f.feature} stands {f.measured_mm:.4f} off, not {f.expected_mm:.4f}"
            for f in self.floors
            if not f.worst_mm <= FLOOR_MM
        ]
        found += [
            f"the grid finds the part {g.gouge_mm:.4f} over the stock at {g.gouge_place}"
            for g in self.grids
            if g.gouge_mm > 2 * tol.MESH_DEFLECTION_MM
        ]
        found += [
            f"the grid's volume is {100 * g.volume_error:.3f} % off"
            for g in self.grids
            if abs(g.volume_error) > 1e-3
        ]
        found += [
            f"{fault}"
            for fault in (*(f for s in self.sweeps for f in s.faults), *self.outliers, *self.passes)
        ]
        return tuple(found)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, with ``holds`` and ``faults``."""
        return {"holds": not self.faults, "faults": list(self.faults), **asdict(self)}


def prove(part: Part, stock: GroundStock) -> Proof:
    """Checks a stock against its part and blank; tells, never raises for a bad stock."""
    ground = volume_of(stock.solid)
    body = facets(stock.solid, angle_deg=_ANGLE_DEG)
    grids, lost = _grids(part, stock, ground, body)
    pieces = _apart(lambda: _missing(part, stock))
    missing, gouged = pieces or (lost, 0.0)
    over, short = _apart(lambda: _beside_sweeps(stock)) or (None, None)
    rough = stock.blank.volume_mm3 - part.volume_mm3
    away = stock.blank.volume_mm3 - ground
    return Proof(
        valid=is_valid(stock.solid),
        closed=is_closed(stock.solid),
        solids=len(solids_of(stock.solid)),
        shells=len(each(stock.solid, TopAbs_ShapeEnum.TopAbs_SHELL)),
        blank_mm3=stock.blank.volume_mm3,
        ground_mm3=ground,
        part_mm3=part.volume_mm3,
        ground_away_mm3=away,
        left_to_mill_mm3=ground - part.volume_mm3,
        rough_saved=away / rough if rough > 1e-9 * stock.blank.volume_mm3 else 0.0,
        missing_mm3=missing,
        missing_by="exact boolean" if pieces else "height grid",
        gouged_mm3=gouged,
        over_mm3=over,
        short_mm3=short,
        floors=tuple(_floors(part, stock)),
        grids=grids,
        sweeps=sweeps(part, stock, body),
        outliers=outliers(part, stock, body),
        passes=passes(part, stock),
    )


def _apart(measure: Callable[[], T]) -> T | None:
    """In a child: where faces cross each other the kernel may die of it."""
    try:
        return run_apart(measure, time_limit_s=BOOLEAN_LIMIT_S)
    except (KernelError, StepError):
        return None


def _missing(part: Part, stock: GroundStock) -> tuple[float, float]:
    """What of the part stands outside the stock, and what of that is thicker than a floor may be off."""
    pieces = [(abs(volume_of(s)), area_of(s)) for s in solids_of(cut(part.solid, [stock.solid]))]
    thick = sum(volume for volume, area in pieces if volume > FLOOR_MM * area / 2)
    return sum(volume for volume, _ in pieces), thick


def _less(body: Any, tool: Any) -> float:
    """The volume of a body outside another, whichever way round its faces look."""
    return abs(volume_of(cut(body, [tool])))


def _beside_sweeps(stock: GroundStock) -> tuple[float, float]:
    """What the stock has over the blank less the wheels' sweeps, and what it lacks of it."""
    tools = [tool_of(stock.blank, c) for c in stock.removed]
    made = cut(stock.blank.solid, tools) if tools else stock.blank.solid
    return _less(stock.solid, made), _less(made, stock.solid)


def _floors(part: Part, stock: GroundStock) -> list[FloorCheck]:
    found = []
    for floor in stock.floors:
        face = part.faces[floor.face]
        assert isinstance(face.surface, Plane)
        normal = face.surface.normal
        points = np.array(floor.points)
        flat = points - np.outer((points - face.surface.origin) @ normal, normal)
        gaps = distance_along(stock.solid, flat, normal)
        misses = np.abs(gaps - floor.offset_mm)
        found.append(
            FloorCheck(
                floor.feature, floor.face, floor.offset_mm, float(np.median(gaps)), float(misses.max())
            )
        )
    return found


def _grids(
    part: Part, stock: GroundStock, exact_mm3: float, body: Array
) -> tuple[tuple[GridCheck, ...], float]:
    """A check from each side ground from (the working side when none), and the worst lost volume."""
    sides: dict[tuple[float, float, float], Array] = {}
    for c in stock.removed:
        sides[tuple(round(float(v), 6) + 0.0 for v in c.view.up)] = c.view.up  # type: ignore[index]
    if not sides:
        z = part.frame.axes[2]
        sides[tuple(round(float(v), 6) + 0.0 for v in z)] = z  # type: ignore[index]
    ours = part.mesh.vertices[part.mesh.triangles]
    checks, lost = [], 0.0
    for name, side in sides.items():
        # Turned, so that no row of columns runs along a wall and miscounts it all in one sense.
        rough = part.frame.axes[int(np.argmin(np.abs(part.frame.axes @ side)))]
        across = np.cross(rough, side)
        view = View.toward(part.frame.origin, side, np.cos(_TURN) * rough + np.sin(_TURN) * across)
        grid = Columns.over(view, body, _COLUMNS)
        left, own = columns(grid, body), columns(grid, ours)
        over = np.subtract(own.top, left.top, out=np.full_like(own.top, -np.inf), where=np.isfinite(own.top))
        # Steep round walls of two meshes part by a chord; what is three columns wide is real.
        if over.max() > 0:
            over = minimum_filter(over, size=3, mode="constant", cval=-np.inf)
        worst = np.unravel_index(int(np.argmax(over)), over.shape)
        gouge = max(0.0, float(over[worst]))
        place = grid.place(worst, float(own.top[worst])) if gouge > 0 else None
        lost = max(lost, float(np.sum(over[(over > 0) & np.isfinite(over)])) * grid.cell_mm2)
        checks.append(
            GridCheck(name, grid.pitch_mm, left.volume_mm3, left.volume_mm3 / exact_mm3 - 1, gouge, place)
        )
    return tuple(checks), lost
