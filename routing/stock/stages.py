"""The stock after every step that takes a bulk, in the plan's order.

What is still to leave, stock less part, falls into pieces whose faces tell the features that bound them.
A piece bounded by features of one step leaves whole; one shared with others is split by a region that
the step sweeps. Nothing but these pieces is ever taken, so no body can be smaller than the part; where
the kernel fails the material stays and the body says so.

The pieces are found once and then followed: a step changes only those that it takes from. Their volumes,
the part's and the body's must add up; only where they do not are whole bodies held against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common

from featurize.brep.part import Part
from featurize.brep.planar_path import Segment
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
from routing.stock.pieces import LOST_SHARE, LeftPiece, adds_up, left_after, pieces_of

ROUGH = Allowance(ROUGH_FLOOR_MM, ROUGH_WALL_MM)
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
    left: list[LeftPiece] | None = None  # of the last body, as far as they are known
    for step in steps:
        last = made[-1]
        notes: list[str] = []
        taken: list[tuple[int, Any]] = []
        try:
            if step.within is not None:
                (solid,) = _common(last.solid, step.within)
                made.append(replace(_same(last, step), solid=solid, volume_mm3=volume_of(solid)))
                left = None
                continue
            if step.rough is not None:
                body, left = _roughed(seen, last, left, blank, step, source_faces)
                made.append(body)
                continue
            if any(removal.sweep or removal.everything for _, removal in step.pieces):
                own = {i for f in step.features for i in f.faces}
                left = pieces_of(part, last.solid, source_faces) if left is None else left
                for feature, removal in step.pieces:
                    taken += _of_feature(seen, step, blank, feature, removal, own | done, left, notes)
                if len({n for n, solid in taken if solid is left[n].solid}) == len(left):
                    made.append(_finished(part, last, step, notes))
                    left = []
                    continue
            if all(removal.everything and not removal.stays for _, removal in step.pieces):
                done |= {i for f in step.features for i in f.faces}
        except Exception as error:  # the kernel's own have many names
            notes.append(f"left as it was: {error}")
            made.append(_same(last, step, notes))
            continue
        if left is not None and taken and not step.tools:
            body, left = _less_pieces(part, last, step, left, taken, notes)
        else:
            tools = [*step.tools, *(solid for _, solid in taken)]
            body, left = _less(part, last, left, step, tools, notes, source_faces)
        made.append(body)
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
    part: Part,
    last: StockBody,
    left: list[LeftPiece] | None,
    step: StockStep,
    tools: Sequence[Any],
    notes: Sequence[str],
    source_faces: Sequence[int] | None,
) -> tuple[StockBody, list[LeftPiece] | None]:
    """The last stage less tools, kept only if it is one valid solid that holds the part.

    With it what of its pieces is known; ``left`` are those of the last.
    """
    same = _same(last, step, notes)
    if not tools:
        return same, left
    try:
        solids = _cut_validly(last.solid, tools)
        able = _able(part, solids)
        if len(able) == 1:
            body = replace(same, solid=able[0][1], volume_mm3=able[0][0])
            after = pieces_of(part, body.solid, source_faces)
            if adds_up(part, body.volume_mm3, after):
                grown = volume_of(cut(body.solid, [last.solid]))
                if grown <= LOST_SHARE * part.volume_mm3:
                    return replace(body, grown_mm3=max(0.0, grown)), after
        return _checked(part, last, same, solids), None
    except Exception as error:  # the kernel's own have many names
        return _same(last, step, (*same.notes, f"left as it was: {error}")), left


def _able(part: Part, solids: Sequence[Any]) -> list[tuple[float, Any]]:
    """Those that may hold the part, as they are no smaller, with their volumes.

    The part is whole, so that it is in one of what a cut leaves.
    """
    return [(v, s) for s in solids if (v := volume_of(s)) > (1 - LOST_SHARE) * part.volume_mm3]


def _checked(part: Part, last: StockBody, same: StockBody, solids: Sequence[Any]) -> StockBody:
    """Of a cut's solids the one that holds the part; raises KernelError where none does.

    What falls off, as a slug does in the wire, is no stock: the body that holds the part stays, and it is no
    smaller than the part.
    """
    able = _able(part, solids)
    if not able:
        raise KernelError("nothing that holds the part would be left")
    held = [(volume_of(cut(part.solid, [s])), s) for _, s in able]
    lost, solid = min(held, key=lambda pair: pair[0])
    grown = volume_of(cut(solid, [last.solid]))
    if max(lost, grown) > LOST_SHARE * part.volume_mm3:
        raise KernelError("the kernel's result does not hold the part")
    return replace(
        same, solid=solid, volume_mm3=volume_of(solid), lost_mm3=max(0.0, lost), grown_mm3=max(0.0, grown)
    )


def _less_pieces(
    part: Part,
    last: StockBody,
    step: StockStep,
    left: list[LeftPiece],
    taken: Sequence[tuple[int, Any]],
    notes: Sequence[str],
) -> tuple[StockBody, list[LeftPiece] | None]:
    """The last stage less pieces, or parts of them by their places in ``left``; what is left then."""
    same = _same(last, step, notes)
    try:
        after = left_after(left, taken)
        whole = {n for n, solid in taken if solid is left[n].solid}
        tools = [left[n].solid for n in sorted(whole)] + [solid for n, solid in taken if n not in whole]
        solids = _cut_validly(last.solid, tools, apart=len(tools) == len(whole))
        able = _able(part, solids)
        known = adds_up(part, sum(map(volume_of, solids)), after)
        if known and len(able) == 1 and adds_up(part, last.volume_mm3, left):
            body = replace(same, solid=able[0][1], volume_mm3=able[0][0])
        else:
            body = _checked(part, last, same, solids)
        return body, after if known and len(solids) == 1 else None
    except Exception as error:  # the kernel's own have many names
        return _same(last, step, (*same.notes, f"left as it was: {error}")), left


def _cut_validly(body: Any, tools: Sequence[Any], *, apart: bool = False) -> list[Any]:
    """The solids of a body less tools; raises KernelError where they are not valid.

    Tools that are ``apart`` go at once. Where tools meet, as a bore and its point, the kernel may fail in one
    order and not in the other. What is not valid must not go on: the next boolean with it may never end.
    """
    if apart:
        solids = solids_of(cut(body, tools))
        if all(is_valid(s) for s in solids):
            return solids
    for order in (tools, tools[::-1]):
        solids = solids_of(cut_in_turn(body, order))
        if all(is_valid(s) for s in solids):
            return solids
    raise KernelError("the kernel's result is not valid")


def _of_feature(
    seen: Sides,
    step: StockStep,
    blank: Blank,
    feature: Feature,
    removal: Removal,
    shared: set[int],
    pieces: Sequence[LeftPiece],
    notes: list[str],
) -> list[tuple[int, Any]]:
    """The solids that leave for one feature, each with the place of its piece.

    ``shared`` are faces of the feature, of its fellows and of what is done.
    """
    own = set(feature.faces)
    threaded = Role.THREAD in feature.roles.values()
    taken: list[tuple[int, Any]] = []
    swept: list[Any] = []
    for n, piece in enumerate(pieces):
        bounds = piece.bounds
        if not bounds & own:
            continue
        if bounds <= shared and not threaded and not removal.in_part:
            taken.append((n, piece.solid))
            continue
        try:
            if not swept:
                over = _over(seen, blank, feature, step.toward)
                swept = list(removal.sweep() if removal.sweep else over)
            taken += [(n, c) for tool in swept for c in _common(piece.solid, tool)]
        except Exception as error:
            notes.append(f"{feature.id} stays full: {error}")
    return _without(taken, removal, feature, notes)


def _without(
    taken: list[tuple[int, Any]], removal: Removal, feature: Feature, notes: list[str]
) -> list[tuple[int, Any]]:
    """Less what the step does not get at."""
    try:
        stays = list(removal.stays()) if removal.stays and taken else []
        return [(n, s) for n, solid in taken for s in solids_of(cut(solid, stays))] if stays else taken
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


def _roughed(
    seen: Sides,
    last: StockBody,
    left: list[LeftPiece] | None,
    blank: Blank,
    step: StockStep,
    source_faces: Sequence[int] | None,
) -> tuple[StockBody, list[LeftPiece] | None]:
    """Recesses cleared by levels, with the rough allowances left on; with the body what ``_less`` gives."""
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
        return _same(last, step, ("no recess lets the rough cutter in",)), left
    apart = max(recess.slope_step_mm for recess in recesses)
    if apart:
        notes.append(f"slopes in levels {apart:.2g} apart")
    body, left = _less(seen.part, last, left, step, tools, notes, source_faces)
    return replace(body, levels_mm=apart), left


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
