"""Blocks with cuts that may cross one another: the answer key is which cutter left each face.

A cutter is made in the coordinates of the side it comes from: u and v across it, w out of it, nought on the
block's skin. The kernel's boolean history tells what of its skin is left on the part.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, permutations
from typing import Any

import cadquery as cq
import numpy as np
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer, BRepFilletAPI_MakeFillet
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_ListOfShape

from featurize.brep.shapes import EDGE, FACE, SOLID, each, mapped
from featurize.feature import Kind

_OUT = 1.0  # cutters stand out of the block by this, mm
# A wall of which others have left less than this share is as good as gone.
_SLIVER = 0.02
# By name: under which share of its outline a cut is laid open, and what it may be called then.
_LAID_OPEN = {
    **dict.fromkeys(("passage", "through hole", "round-ended through profile"), (0.995, Kind.SLOT)),
    **dict.fromkeys(("pocket", "blind hole", "round-ended pocket"), (0.995, Kind.BLIND_SLOT)),
    "quarter-ended blind slot": (0.9, Kind.BLIND_STEP),
    "round slot": (0.5, Kind.STEP),
}
_QUARTER = 0.26
_OUTLINE_STEPS = 720
# An edge that turns by less than this cuts nobody and is not broken (common practice, no source).
_BLUNT_DEG = 45.0
_ROUND_HOLES = ("through hole", "blind hole")
_ACROSS = ("slot", "V-slot", "round slot")  # swept along the side that they are cut into
_OPENINGS = ("passage 3", "passage 4", "passage 6", "through hole", "round-ended through profile")
Spans = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Cutter:
    """``kinds`` that fit what it cuts while nothing has taken its walls, its name, and the block's axis
    that its outline is swept along."""

    name: str
    kinds: frozenset[Kind]
    solid: Any
    axis: int = 0


@dataclass(eq=False)
class Crossed:
    """A solid; for each of its faces (by place) the cutter it is from, -1 for the block.

    What broke an outward edge is a cutter of its own. A radius or web in an inward corner is its walls', and
    a chamfer on a hole's rim the hole's: it is listed as its countersink.
    """

    solid: Any
    owner: list[int]
    cutters: list[Cutter]
    lost: set[int] = field(default_factory=set)  # cutters of whose walls others have taken one wholly
    in_one: list[set[int]] = field(default_factory=list)  # openings that run into each other
    facets: list[tuple[int, int]] = field(default_factory=list)  # a cutter, and what may be one of its walls
    shared: dict[int, set[int]] = field(default_factory=dict)  # faces that several cutters leave alike

    def faces_of(self, *of: int) -> frozenset[int]:
        return frozenset(f for f, owner in enumerate(self.owner) if owner in of)

    def readings(self, k: int) -> list[tuple[frozenset[int], frozenset[Kind]]]:
        """The faces and kinds that are right for one cutter: openings that run into each other along one
        axis are also one opening, cut along one outline, a facet on a blunt edge is also a wall, and a face
        that two cutters leave is either's."""
        own = [(self.faces_of(k), self.cutters[k].kinds)]
        mine = frozenset(f for f, of in self.shared.items() if k in of)
        own += [(faces, self.cutters[k].kinds) for faces in (own[0][0] | mine, own[0][0] - mine) if mine]
        own += [(self.faces_of(*pair), self.cutters[pair[0]].kinds) for pair in self.facets if k in pair]
        return own + [(self.faces_of(*u), _one(Kind.THROUGH_PROFILE)) for u in self.in_one if k in u]


def crossed(seed: int, *, most: int = 7, broken: float = 0.35) -> Crossed:
    """A block with two to ``most`` cuts; on a share ``broken`` of blocks one edge gets a chamfer or round."""
    rng = random.Random(seed)
    while True:
        spans = (_size(rng, 30, 100), _size(rng, 20, 80), _size(rng, 10, 50))
        cutters = [_placed(rng, spans) for _ in range(rng.randint(2, most))]
        part = _cut(cq.Workplane().box(*spans, centered=False).val().wrapped, cutters)
        # Where cuts have taken a whole side, the part's blank is a smaller one, and cuts are named from that.
        if np.allclose(np.ptp(corners_of(part.solid), axis=0), spans, atol=1e-2):
            break
    return _with_broken_edge(rng, part) if rng.random() < broken else part


def corners_of(solid: Any) -> np.ndarray[Any, Any]:
    """Lowest and highest corner (2, 3) of a solid's box."""
    box = cq.Shape.cast(solid).BoundingBox()
    return np.array([[box.xmin, box.ymin, box.zmin], [box.xmax, box.ymax, box.zmax]])


def _cut(block: Any, cutters: list[Cutter]) -> Crossed:
    arguments, tools = TopTools_ListOfShape(), TopTools_ListOfShape()
    arguments.Append(block)
    for cutter in cutters:
        tools.Append(cutter.solid)
    cut = BRepAlgoAPI_Cut()
    cut.SetArguments(arguments)
    cut.SetTools(tools)
    cut.Build()
    solids = each(cut.Shape(), SOLID)
    solid = max(solids, key=lambda s: float(cq.Shape.cast(s).Volume()))
    faces = mapped(solid, FACE)
    owner = [-1] * faces.Extent()
    lost, shared = set[int](), dict[int, set[int]]()
    for k, cutter in enumerate(cutters):
        for face in each(cutter.solid, FACE):
            places = [p for left in [*cut.Modified(face), face] if (p := faces.FindIndex(left))]
            for place in places:
                if owner[place - 1] not in (-1, k):
                    shared.setdefault(place - 1, {owner[place - 1]}).add(k)
                owner[place - 1] = k
            kept = sum(cq.Face(faces.FindKey(place)).Area() for place in places)
            if kept < _SLIVER * _area_within(block, face):
                lost.add(k)
    part = Crossed(TopoDS.Solid_s(solid), owner, cutters, lost, _in_one(cutters), shared=shared)
    return replace(part, cutters=[_as_laid_open(part, k) for k in range(len(cutters))])


def _in_one(cutters: list[Cutter]) -> list[set[int]]:
    """Openings right through along one axis that run into each other."""
    of = {k: {k} for k, c in enumerate(cutters) if c.name in _OPENINGS}
    for a, b in combinations(of, 2):
        one, other = cutters[a], cutters[b]
        if one.axis == other.axis and each(BRepAlgoAPI_Common(one.solid, other.solid).Shape(), SOLID):
            union = of[a] | of[b]
            of |= dict.fromkeys(union, union)
    return [union for k, union in of.items() if len(union) > 1 and k == min(union)]


def _area_within(block: Any, face: Any) -> float:
    """Area of the wall that a cutter's face leaves in the block by itself."""
    common = BRepAlgoAPI_Common(block, face)
    return sum(cq.Face(f).Area() for f in each(common.Shape(), FACE))


def _as_laid_open(part: Crossed, k: int) -> Cutter:
    """A cutter, with the name besides that its cut has where others have opened it on one side all along: an
    opening is a slot, a hole or pocket a blind slot, a slot of which a curved side is gone a step."""
    cutter = part.cutters[k]
    base = cutter.name.split(" ")[0] if cutter.name[-1].isdigit() else cutter.name
    if base not in _LAID_OPEN:
        return cutter
    least, kind = _LAID_OPEN[base]
    left = _outline_left(part, k)
    # A round corner step is no more than a quarter of a hole.
    quarter = {Kind.BLIND_STEP} if base == "blind hole" and left < _QUARTER else set()
    return replace(cutter, kinds=cutter.kinds | {kind} | quarter) if left < least else cutter


def _outline_left(part: Crossed, k: int) -> float:
    """Share of a cutter's outline within the block, looked at along it, over which a wall of it is left."""
    run = np.eye(3)[part.cutters[k].axis]
    ends = [
        f
        for f in cq.Shape.cast(part.cutters[k].solid).Faces()
        if abs(f.normalAt().dot(cq.Vector(*run))) > 0.999
    ]
    wire = ends[0].outerWire()
    steps = np.arange(_OUTLINE_STEPS) / _OUTLINE_STEPS
    outline = np.array([p.toTuple() for p in wire.positions(steps.tolist())]) * (1 - run)
    covered = np.zeros(_OUTLINE_STEPS, bool)
    for place in part.faces_of(k):
        face = cq.Face(mapped(part.solid, FACE).FindKey(place + 1))
        corners, triangles = face.tessellate(0.01, 0.1)
        flat = np.array([p.toTuple() for p in corners]) * (1 - run)
        gaps = np.linalg.norm(flat[:, None] - outline, axis=2)
        if gaps.min(axis=1).max() > 0.1:
            continue  # a floor
        spots = gaps.argmin(axis=1)
        for triangle in triangles:
            for a, b in combinations([int(spots[v]) for v in triangle], 2):
                way = (b - a + _OUTLINE_STEPS // 2) % _OUTLINE_STEPS - _OUTLINE_STEPS // 2
                covered[(a + np.arange(min(way, 0), max(way, 0) + 1)) % _OUTLINE_STEPS] = True
    low, high = corners_of(part.solid)
    inside = np.all((outline > low - run) & (outline < high + run), axis=1)
    return float(covered[inside].mean())


def _with_broken_edge(rng: random.Random, part: Crossed) -> Crossed:
    """The part with a chamfer or round on one edge, where the kernel can make it."""
    edges = each(part.solid, EDGE)
    for _ in range(4):
        edge = rng.choice(edges)
        round_ = rng.random() < 0.5
        size = _size(rng, 0.2, 2.0)
        maker = (BRepFilletAPI_MakeFillet if round_ else BRepFilletAPI_MakeChamfer)(part.solid)
        try:
            maker.Add(size, TopoDS.Edge_s(edge))
            maker.Build()
            solids = each(maker.Shape(), SOLID)
        except Exception:  # the kernel's exceptions are of many kinds
            continue
        if len(solids) != 1 or not cq.Shape.cast(solids[0]).isValid():
            continue
        name = "round" if round_ else "chamfer"
        kinds = frozenset({Kind.EDGE_ROUND, Kind.FILLET} if round_ else {Kind.CHAMFER})
        faces = mapped(solids[0], FACE)
        beside = {
            part.owner[k] for k, f in enumerate(each(part.solid, FACE)) if mapped(f, EDGE).FindIndex(edge)
        }
        owner = [_breaker(part, edge, beside, solids[0], name)] * faces.Extent()
        shared = {}
        for k, face in enumerate(each(part.solid, FACE)):
            for left in [*maker.Modified(face), face]:
                if not maker.IsDeleted(face) and (place := faces.FindIndex(left)):
                    owner[place - 1] = part.owner[k]
                    if k in part.shared:
                        shared[place - 1] = part.shared[k]
        cutters = [*part.cutters, Cutter(name, kinds, None)]
        # Between walls of such openings it is a wall of the one outline.
        in_one = part.in_one + [union | {len(part.cutters)} for union in part.in_one if beside <= union]
        # A chamfer on an edge so blunt breaks nothing: where it stands on the floor of a wall beside, the
        # same pass cuts it.
        blunt = not round_ and _turn_deg(part.solid, edge) < _BLUNT_DEG
        facets = [(k, len(part.cutters)) for k in beside - {-1}] if blunt else []
        return Crossed(TopoDS.Solid_s(solids[0]), owner, cutters, part.lost, in_one, facets, shared)
    return part


def _turn_deg(solid: Any, edge: Any) -> float:
    """Angle between the outward normals of the two faces at the middle of an edge."""
    beside = [f for f in each(solid, FACE) if mapped(f, EDGE).FindIndex(edge)]
    middle = cq.Edge(edge).positionAt(0.5)
    one, other = (cq.Face(f).normalAt(middle).toTuple() for f in (beside[0], beside[-1]))
    return math.degrees(math.acos(max(-1.0, min(1.0, float(np.dot(one, other))))))


def _breaker(part: Crossed, edge: Any, beside: set[int], broken: Any, name: str) -> int:
    """The cutter that counts what is between the faces of an edge, of the cutters ``beside``, once broken."""
    inward = cq.Shape.cast(broken).Volume() > cq.Shape.cast(part.solid).Volume()
    holes = {k for k in beside if k >= 0 and part.cutters[k].name in _ROUND_HOLES}
    sunk = name == "chamfer" and cq.Edge(edge).geomType() == "CIRCLE"
    own = beside if inward else holes if sunk else set()
    return min(own) if len(own) == 1 else len(part.cutters)


def _size(rng: random.Random, low: float, high: float) -> float:
    return round(rng.uniform(low, high), 2)


def _placed(rng: random.Random, spans: Spans) -> Cutter:
    """A cutter of random form from a random side."""
    order = rng.choice(list(permutations(range(3))))
    u, v, w = (spans[k] for k in order)
    make = rng.choice(_MAKERS)
    name, kinds, work = make(rng, (u, v, w))
    # Local (u, v, w with nought on the skin) to the block's own axes.
    local = work.translate((0, 0, w)).val()
    matrix = [[0.0] * 4 for _ in range(3)]
    for row, k in enumerate(order):
        matrix[k][row] = 1.0
    even = _is_even(order)
    if not even:  # a mirror image would turn the solid inside out: mirror the form in u first
        local = local.mirror("YZ", (u / 2, 0, 0))
        for k in range(3):
            matrix[k][3] += matrix[k][0] * u
            matrix[k][0] *= -1.0
    if rng.random() < 0.5:  # from the opposite side: half a turn about u through the middle
        for k in range(3):
            matrix[k][3] += matrix[k][1] * v + matrix[k][2] * w
            matrix[k][1] *= -1.0
            matrix[k][2] *= -1.0
    origin, out, across = (tuple(matrix[k][row] for k in range(3)) for row in (3, 2, 0))
    placed = local.moved(cq.Location(cq.Plane(origin=origin, xDir=across, normal=out)))
    return Cutter(name, kinds, placed.wrapped, order[0] if name in _ACROSS else order[2])


def _is_even(order: Sequence[int]) -> bool:
    return sum(a > b for k, a in enumerate(order) for b in order[k + 1 :]) % 2 == 0


_Made = tuple[str, frozenset[Kind], cq.Workplane]
_Maker = Callable[[random.Random, Spans], _Made]
_Flat = list[tuple[float, float]]


def _one(kind: Kind, *others: Kind) -> frozenset[Kind]:
    return frozenset((kind, *others))


def _prism(points: _Flat, low: float, high: float) -> cq.Workplane:
    return cq.Workplane(origin=(0, 0, low)).polyline(points).close().extrude(high - low)


def _along_u(points: _Flat, spans: Spans) -> cq.Workplane:
    """A section of (v, w) swept over the whole of u, and a little more."""
    plane = cq.Plane(origin=(-_OUT, 0, 0), xDir=(0, 1, 0), normal=(1, 0, 0))
    return cq.Workplane(plane).polyline(points).close().extrude(spans[0] + 2 * _OUT)


def _spot(rng: random.Random, spans: Spans, radius: float) -> tuple[float, float]:
    u, v = (rng.uniform(radius + 1, max(radius + 1.01, s - radius - 1)) for s in spans[:2])
    return round(u, 2), round(v, 2)


def _polygon(rng: random.Random, spans: Spans, sides: int) -> _Flat:
    radius = _size(rng, 1.5, 0.42 * min(spans[:2]))
    u, v = _spot(rng, spans, radius)
    turn = rng.uniform(0, 2 * math.pi)
    angles = [turn + 2 * math.pi * k / sides for k in range(sides)]
    return [(u + radius * math.cos(a), v + radius * math.sin(a)) for a in angles]


def _rectangle(rng: random.Random, spans: Spans) -> _Flat:
    a, b = (_size(rng, 1.5, 0.45 * s) for s in spans[:2])
    u, v = (_size(rng, 0.5 + s / 2, span - 0.5 - s / 2) for s, span in ((a, spans[0]), (b, spans[1])))
    return [(u - a / 2, v - b / 2), (u + a / 2, v - b / 2), (u + a / 2, v + b / 2), (u - a / 2, v + b / 2)]


def _deep(rng: random.Random, spans: Spans) -> float:
    return -_size(rng, 0.08 * spans[2], 0.75 * spans[2])


def _passage(sides: int) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        points = _rectangle(rng, spans) if sides == 4 else _polygon(rng, spans, sides)
        return f"passage {sides}", _one(Kind.THROUGH_PROFILE), _prism(points, -spans[2] - _OUT, _OUT)

    return make


def _pocket(sides: int) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        points = _rectangle(rng, spans) if sides == 4 else _polygon(rng, spans, sides)
        return f"pocket {sides}", _one(Kind.POCKET), _prism(points, _deep(rng, spans), _OUT)

    return make


def _hole(rng: random.Random, spans: Spans) -> _Made:
    radius = _size(rng, 1, 0.3 * min(spans[:2]))
    u, v = _spot(rng, spans, radius)
    work = cq.Workplane(origin=(u, v, -spans[2] - _OUT)).circle(radius).extrude(spans[2] + 2 * _OUT)
    return "through hole", _one(Kind.HOLE, Kind.THREADED_HOLE, Kind.THROUGH_PROFILE), work


def _blind_hole(rng: random.Random, spans: Spans) -> _Made:
    radius = _size(rng, 1, 0.3 * min(spans[:2]))
    u, v = _spot(rng, spans, radius)
    low = _deep(rng, spans)
    work = cq.Workplane(origin=(u, v, low)).circle(radius).extrude(_OUT - low)
    return "blind hole", _one(Kind.HOLE, Kind.THREADED_HOLE, Kind.POCKET), work


def _obround(through: bool) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        width = _size(rng, 1.5, 0.4 * min(spans[:2]))
        length = _size(rng, 1.3 * width, max(1.4 * width, 0.8 * min(spans[:2])))
        u, v = _spot(rng, spans, length / 2)
        low = -spans[2] - _OUT if through else _deep(rng, spans)
        plan = cq.Workplane(origin=(u, v, low)).slot2D(length, width, rng.uniform(0, 180))
        kind = Kind.THROUGH_PROFILE if through else Kind.POCKET
        return f"round-ended {kind}", _one(kind), plan.extrude(_OUT - low)

    return make


def _ring(rng: random.Random, spans: Spans) -> _Made:
    outer = _size(rng, 3, max(3.5, 0.42 * min(spans[:2])))
    inner = round(outer * rng.uniform(0.55, 0.85), 2)
    u, v = _spot(rng, spans, outer)
    low = -_size(rng, 0.5, 0.5 * spans[2])
    work = cq.Workplane(origin=(u, v, low)).circle(outer).circle(inner).extrude(_OUT - low)
    return "ring groove", _one(Kind.GROOVE), work


def _slot(rng: random.Random, spans: Spans) -> _Made:
    width, low = _size(rng, 1, 0.4 * spans[1]), _deep(rng, spans)
    v = _size(rng, 1, spans[1] - width - 1)
    section = [(v, _OUT), (v, low), (v + width, low), (v + width, _OUT)]
    return "slot", _one(Kind.SLOT), _along_u(section, spans)


def _vee(rng: random.Random, spans: Spans) -> _Made:
    width, low = _size(rng, 1, 0.4 * spans[1]), _deep(rng, spans)
    v = _size(rng, 1, spans[1] - width - 1)
    slope = width / 2 / low * _OUT  # the same flanks, up to above the skin
    section = [(v + slope, _OUT), (v + width / 2, low), (v + width - slope, _OUT)]
    return "V-slot", _one(Kind.SLOT), _along_u(section, spans)


def _half_round(rng: random.Random, spans: Spans) -> _Made:
    radius = _size(rng, 0.8, min(0.25 * spans[1], 0.6 * spans[2]))
    v = _size(rng, radius + 1, spans[1] - radius - 1)
    plane = cq.Plane(origin=(-_OUT, 0, 0), xDir=(0, 1, 0), normal=(1, 0, 0))
    return (
        "round slot",
        _one(Kind.SLOT),
        cq.Workplane(plane).center(v, 0).circle(radius).extrude(spans[0] + 2 * _OUT),
    )


def _blind_slot(ends: str) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        width, low = _size(rng, 2, 0.4 * spans[1]), _deep(rng, spans)
        length = _size(rng, width / 2 + 0.5, max(width / 2 + 0.6, 0.6 * spans[0]))
        v = _size(rng, width / 2 + 1, spans[1] - width / 2 - 1)
        plan = cq.Workplane(origin=(0, 0, low))
        if ends == "flat":
            plan = plan.center(length / 2 - _OUT / 2, v).rect(length + _OUT, width)
        elif ends == "round":
            straight = length - width / 2
            plan = plan.moveTo(-_OUT, v - width / 2).lineTo(straight, v - width / 2)
            plan = (
                plan.threePointArc((length, v), (straight, v + width / 2))
                .lineTo(-_OUT, v + width / 2)
                .close()
            )
        else:  # quarter rounds between the mouth and a flat end
            r = min(width * 0.35, 0.4 * spans[0])
            h = r * math.sqrt(0.5)
            plan = plan.moveTo(-_OUT, v - width / 2).lineTo(0, v - width / 2)
            plan = plan.threePointArc((h, v - width / 2 + r - h), (r, v - width / 2 + r))
            plan = plan.lineTo(r, v + width / 2 - r)
            plan = plan.threePointArc((h, v + width / 2 - r + h), (0, v + width / 2)).lineTo(
                -_OUT, v + width / 2
            )
            plan = plan.close()
        # On a narrow side it may come out at the far end: then it is a slot, whatever its name.
        through = ends != "quarter" and length > spans[0]
        kinds = _one(Kind.SLOT, Kind.BLIND_SLOT) if through else _one(Kind.BLIND_SLOT)
        return f"{ends}-ended blind slot", kinds, plan.extrude(_OUT - low)

    return make


def _step(form: str) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        u, v, _ = spans
        deep = _size(rng, 1, 0.5 * v)
        low = _deep(rng, spans)
        skew = _size(rng, 0.15, 0.9) * deep if form != "square" else 0.0
        if form == "two-sided":
            back = [(u + _OUT, deep), (u / 2, deep + skew), (-_OUT, deep)]
        else:
            back = [(u + _OUT, deep + skew), (-_OUT, deep - skew)]
        points = [(-_OUT, -_OUT), (u + _OUT, -_OUT), *back]
        return f"{form} step", _one(Kind.STEP), _prism(points, low, _OUT)

    return make


def _corner(form: str) -> _Maker:
    def make(rng: random.Random, spans: Spans) -> _Made:
        u, v, _ = spans
        a, b = _size(rng, 1, 0.6 * u), _size(rng, 1, 0.6 * v)
        low = _deep(rng, spans)
        if form == "square":
            work = _prism([(-_OUT, -_OUT), (a, -_OUT), (a, b), (-_OUT, b)], low, _OUT)
        elif form == "three-sided":
            # The same slant beyond the sides.
            work = _prism([(-_OUT, -_OUT), (a + a * _OUT / b, -_OUT), (-_OUT, b + b * _OUT / a)], low, _OUT)
        else:
            radius = min(a, b)
            work = cq.Workplane(origin=(0, 0, low)).circle(radius).extrude(_OUT - low)
        return f"{form} blind step", _one(Kind.BLIND_STEP), work

    return make


_MAKERS: list[_Maker] = [
    *(_passage(n) for n in (3, 4, 6)),
    *(_pocket(n) for n in (3, 4, 6)),
    _hole, _blind_hole, _obround(True), _obround(False), _ring, _slot, _vee, _half_round,
    *(_blind_slot(e) for e in ("flat", "round", "quarter")),
    *(_step(f) for f in ("square", "slanted", "two-sided")),
    *(_corner(f) for f in ("square", "three-sided", "round")),
]  # fmt: skip
