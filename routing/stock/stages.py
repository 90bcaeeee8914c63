"""The stock after every step that takes a bulk, in the plan's order.

What is still to leave, stock less part, falls into pieces whose faces tell the features that bound them.
A piece bounded by features of one step leaves whole; one shared with others is split by a region that
the step sweeps. Nothing but these pieces is ever taken, so no body can be smaller than the part; where
the kernel fails the material stays and the body says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.TopAbs import TopAbs_ShapeEnum

from featurize.brep.part import Part
from featurize.brep.planar_path import Segment
from featurize.brep.shapes import each
from featurize.brep.solids import (
    KernelError,
    cut,
    cut_in_turn,
    is_valid,
    prism,
    solids_of,
    volume_of,
)
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Role
from routing.processes.blank import Blank
from routing.processes.mill.levels import (
    ROUGH_FLOOR_MM,
    ROUGH_SLOPE_MM,
    ROUGH_WALL_MM,
    MilledRecess,
    Sides,
    tidy,
)
from routing.processes.protocol import Allowance, Removal
from routing.processes.tools import Cutter

ROUGH = Allowance(ROUGH_FLOOR_MM, ROUGH_WALL_MM)
# What a body may miss of the part or of the next body, as a share of the part.
LOST_SHARE = 1e-6
# Vertices of a rough region are thinned by this, always toward the side that leaves material.
_THIN_MM = 0.04
# A feature's plan is drawn so much wider: its round walls are chords.
_WIDER_MM = 0.02


@dataclass(frozen=True, eq=False)
class StockStep:
    """One step of the plan as stock sees it: ``pieces`` are its features' regions, each with its removal.

    ``toward`` is the unit direction (model) to the tool. ``tools`` are solids that it takes besides, as a
    wheel's passes; with a ``rough`` cutter it clears in levels and ``leaves`` allowances on. Squaring leaves
    what lies ``within`` a solid.
    """

    setup: int
    number: int
    name: str
    process: str
    toward: Array
    pieces: tuple[tuple[Feature, Removal], ...] = ()
    tools: tuple[Any, ...] = ()
    rough: Cutter | None = None
    within: Any | None = None
    leaves: Allowance = ROUGH

    @property
    def features(self) -> list[Feature]:
        return [feature for feature, _ in self.pieces]


@dataclass(frozen=True, eq=False)
class StockBody:
    """``lost_mm3`` is what of the part lies outside this body, ``grown_mm3`` what of it outside the last."""

    setup: int
    step: int
    name: str
    process: str
    solid: Any
    volume_mm3: float
    lost_mm3: float = 0.0
    grown_mm3: float = 0.0
    notes: tuple[str, ...] = ()
    levels_mm: float = 0.0  # slopes are shown in levels so far apart at most


def bodies(
    part: Part,
    blank: Blank,
    steps: Sequence[StockStep],
    source_faces: Sequence[int] | None = None,
    *,
    seen: Sides | None = None,
) -> tuple[StockBody, ...]:
    """The blank, and the stock after each step, each contained in the last.

    ``source_faces`` are the places, as read, of the solid's faces; ``seen`` may know the features' plans.
    """
    seen = seen or Sides(part)
    made = [StockBody(0, 0, "blank", "blank", blank.solid, volume_of(blank.solid))]
    done: set[int] = set()
    for step in steps:
        last = made[-1]
        notes: list[str] = []
        try:
            if step.within is not None:
                (solid,) = _common(last.solid, step.within)
                made.append(replace(_same(last, step), solid=solid, volume_mm3=volume_of(solid)))
                continue
            if step.rough is not None:
                made.append(_roughed(seen, last, blank, step))
                continue
            tools = list(step.tools)
            if any(removal.sweep or removal.everything for _, removal in step.pieces):
                own = {i for f in step.features for i in f.faces}
                left = _pieces(part, last.solid, source_faces)
                for feature, removal in step.pieces:
                    tools += _of_feature(seen, step, blank, feature, removal, own | done, left, notes)
                if len(left) == len({hash(t) for t in tools} & {hash(solid) for solid, _ in left}):
                    made.append(_finished(part, last, step, notes))
                    continue
            if all(removal.everything and not removal.stays for _, removal in step.pieces):
                done |= {i for f in step.features for i in f.faces}
        except Exception as error:  # the kernel's own have many names
            notes.append(f"left as it was: {error}")
            tools = []
        made.append(_less(part, last, step, tools, notes))
    return tuple(made)


def _same(last: StockBody, step: StockStep, notes: Sequence[str] = ()) -> StockBody:
    """A step that took nothing."""
    entries = tuple(dict.fromkeys(notes))
    return StockBody(
        step.setup, step.number, step.name, step.process, last.solid, last.volume_mm3, notes=entries
    )


def _finished(part: Part, last: StockBody, step: StockStep, notes: Sequence[str]) -> StockBody:
    """Every piece leaves whole: what is left is the part."""
    return replace(_same(last, step, notes), solid=part.solid, volume_mm3=volume_of(part.solid))


def _less(
    part: Part, last: StockBody, step: StockStep, tools: Sequence[Any], notes: Sequence[str]
) -> StockBody:
    """The last stage less tools, kept only if it is one valid solid that holds the part."""
    same = _same(last, step, notes)
    if not tools:
        return same
    try:
        solids = _cut_validly(last.solid, tools)
        # What falls off, as a slug does in the wire, is no stock: the body that holds the part stays, and it
        # is no smaller than the part.
        able = [s for s in solids if volume_of(s) > (1 - LOST_SHARE) * part.volume_mm3]
        if not able:
            raise KernelError("nothing that holds the part would be left")
        held = [(volume_of(cut(part.solid, [s])), s) for s in able]
        lost, solid = min(held, key=lambda pair: pair[0])
        grown = volume_of(cut(solid, [last.solid]))
    except Exception as error:  # the kernel's own have many names
        return _same(last, step, (*same.notes, f"left as it was: {error}"))
    if max(lost, grown) > LOST_SHARE * part.volume_mm3:
        return _same(last, step, (*same.notes, "left as it was: the kernel's result does not hold the part"))
    return replace(
        same, solid=solid, volume_mm3=volume_of(solid), lost_mm3=max(0.0, lost), grown_mm3=max(0.0, grown)
    )


def _cut_validly(body: Any, tools: Sequence[Any]) -> list[Any]:
    """The solids of a body less tools; raises KernelError where they are not valid.

    Where tools meet, as a bore and its point, the kernel may fail in one order and not in the other. What is
    not valid must not go on: the next boolean with it may never end.
    """
    for order in (tools, tools[::-1]):
        solids = solids_of(cut_in_turn(body, order))
        if all(is_valid(s) for s in solids):
            return solids
    raise KernelError("the kernel's result is not valid")


def _pieces(part: Part, stock: Any, source_faces: Sequence[int] | None) -> list[tuple[Any, frozenset[int]]]:
    """The solids of stock less part, each with the logical faces of the part that bound it."""
    operation = BRepAlgoAPI_Cut(stock, part.solid)
    if not operation.IsDone():
        raise KernelError("the kernel could not take the part from the stock")
    logical = {place: f.id for f in part.faces for place in f.source}
    owners: dict[int, list[tuple[Any, int]]] = {}
    for k, face in enumerate(each(part.solid, TopAbs_ShapeEnum.TopAbs_FACE)):
        owner = logical.get(source_faces[k] if source_faces is not None else k, -1)
        for image in (face, *operation.Modified(face)):
            owners.setdefault(hash(image), []).append((image, owner))
    found = []
    for solid in solids_of(operation.Shape()):
        own = each(solid, TopAbs_ShapeEnum.TopAbs_FACE)
        bounds = {o for f in own for image, o in owners.get(hash(f), ()) if image.IsSame(f)}
        found.append((solid, frozenset(bounds)))
    return found


def _of_feature(
    seen: Sides,
    step: StockStep,
    blank: Blank,
    feature: Feature,
    removal: Removal,
    shared: set[int],
    pieces: Sequence[tuple[Any, frozenset[int]]],
    notes: list[str],
) -> list[Any]:
    """The solids that leave for one feature; ``shared`` are faces of it, its fellows and what is done."""
    own = set(feature.faces)
    threaded = Role.THREAD in feature.roles.values()
    taken: list[Any] = []
    swept: list[Any] = []
    for solid, bounds in pieces:
        if not bounds & own:
            continue
        if bounds <= shared and not threaded and not removal.in_part:
            taken.append(solid)
            continue
        try:
            if not swept:
                over = _over(seen, blank, feature, step.toward)
                swept = list(removal.sweep() if removal.sweep else over)
            taken += [c for tool in swept for c in _common(solid, tool)]
        except Exception as error:
            notes.append(f"{feature.id} stays full: {error}")
    return _without(taken, removal, feature, notes)


def _without(taken: list[Any], removal: Removal, feature: Feature, notes: list[str]) -> list[Any]:
    """Less what the step does not get at."""
    try:
        stays = list(removal.stays()) if removal.stays and taken else []
        return [s for solid in taken for s in solids_of(cut(solid, stays))] if stays else taken
    except Exception as error:  # the kernel's own have many names
        notes.append(f"{feature.id} is shown without what stays in its corners: {error}")
        return taken


def _over(seen: Sides, blank: Blank, feature: Feature, toward: Array) -> Iterator[Any]:
    """All that stands over a feature's plan, seen from the tool."""
    view, low, plan = seen.plan_of(toward, feature)
    top = blank.extent(toward)[1] - float(seen.part.frame.origin @ toward)
    for polygon in shapely.get_parts(plan.buffer(_WIDER_MM, join_style="mitre")):
        yield _column(view, polygon, low - _WIDER_MM, top + 1)


def _common(a: Any, b: Any) -> list[Any]:
    operation = BRepAlgoAPI_Common(a, b)
    if not operation.IsDone():
        raise KernelError("the kernel could not split what is left")
    return solids_of(operation.Shape())


def _roughed(seen: Sides, last: StockBody, blank: Blank, step: StockStep) -> StockBody:
    """Recesses cleared by levels, with the rough allowances left on."""
    cutter = step.rough
    assert cutter is not None
    floor, wall = step.leaves.floor_mm, step.leaves.wall_mm
    notes = [f"{floor:g} on floors and {wall:g} on walls, cutter {cutter.diameter_mm:g}"]
    top = blank.extent(step.toward)[1] - float(seen.part.frame.origin @ step.toward)
    deep = max(cutter.diameter_mm, 1.0)
    recesses = list(
        seen.grounds(step.toward, step.features, top, deep, cutter.radius_mm, floor, ROUGH_SLOPE_MM)
    )
    tools = [tool for recess in recesses for tool in _cleared(recess, cutter, top, wall)]
    if not tools:
        return _same(last, step, ("no recess lets the rough cutter in",))
    apart = max(recess.slope_step_mm for recess in recesses)
    if apart:
        notes.append(f"slopes in levels {apart:.2g} apart")
    return replace(_less(seen.part, last, step, tools, notes), levels_mm=apart)


def _cleared(ground: MilledRecess, cutter: Cutter, top_mm: float, wall_mm: float) -> Iterator[Any]:
    """What leaves a recess, from its deepest level up."""
    above = None
    levels = zip(ground.levels(cutter.radius_mm, wall_mm), ground.masks, strict=True)
    for level, mask in reversed(list(levels)):
        region = tidy(level.cleared.intersection(mask.buffer(cutter.radius_mm, join_style="mitre")))
        region = region.buffer(-_THIN_MM, join_style="mitre").simplify(_THIN_MM)
        if above is not None and region.symmetric_difference(above).area < 1e-3 * max(region.area, 1e-9):
            continue  # the deeper level has cleared it up to the top
        above = region
        for polygon in shapely.get_parts(region):
            if polygon.geom_type != "Polygon" or polygon.area < cutter.radius_mm**2 / 10:
                continue
            yield _column(ground.view, polygon, level.bottom_mm, top_mm + 1)


def _column(view: Any, polygon: Any, low_mm: float, high_mm: float) -> Any:
    body = _prism(view, polygon.exterior, low_mm, high_mm)
    holes = [_prism(view, r, low_mm - 1, high_mm + 1) for r in polygon.interiors]
    return cut(body, holes) if holes else body


def _prism(view: Any, ring: Any, low_mm: float, high_mm: float) -> Any:
    points = shapely.get_coordinates(ring)[:-1]
    path = [Segment(a, b) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)]
    return prism(view, path, low_mm, high_mm)
