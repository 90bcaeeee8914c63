"""Inserts composed at random whose working side is known: it is +z before the part is laid down anyhow.

Five blanks (plate, block, disc, ring, slender punch), a way of holding, a kind of work, and what else a
toolroom puts on the back, the front and round the sides. Every habit has its contrary, as often as we think a
toolroom sees it: threads from above, screw heads from below, pockets and slots in the back. These shares are
our own guess of the trade, no source; every part draws its own about them, so that no two shops are alike.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cadquery as cq
import numpy as np

from tests.support.transforms import mirrored, moved

# Threads as drawn: size, tap drill (ISO 2306, from memory), pitch.
_THREADS = ((4.0, 3.3, 0.7), (5.0, 4.2, 0.8), (6.0, 5.0, 1.0), (8.0, 6.8, 1.25), (10.0, 8.5, 1.5))
# Screws: size, clearance hole (ISO 273, medium), a counterbore for the head (ISO 4762 and room, from memory).
_SCREWS = ((3.0, 3.4, 6.5), (4.0, 4.5, 8.0), (5.0, 5.5, 10.0), (6.0, 6.6, 11.0), (8.0, 9.0, 15.0))
_DOWELS = (3.0, 4.0, 5.0, 6.0, 8.0)
_CELL_MM = 13.0
_TURNS = (
    ((1, 0, 0), 90), ((1, 0, 0), 180), ((1, 0, 0), 270), ((0, 1, 0), 90), ((0, 1, 0), 270), ((0, 0, 1), 90),
    ((1, 1, 0), 180), ((1, 1, 1), 120), ((1, 1, 1), 240), ((0, 0, 1), 0),
)  # fmt: skip


@dataclass(frozen=True)
class Sided:
    """A solid (mm), the unit direction its working side looks in, and what it was made of."""

    solid: Any
    working: tuple[float, float, float]
    blank: str
    has: tuple[str, ...]


@dataclass
class _Bench:
    """The part being made, its footprint from -x to x and -y to y, its top at z and its foot at 0."""

    rng: random.Random
    blank: str
    x: float
    y: float
    z: float
    work: cq.Workplane
    free: list[tuple[float, float]] = field(default_factory=list)
    has: list[str] = field(default_factory=list)
    odds: dict[str, float] = field(default_factory=dict)

    def chance(self, what: str, share: float) -> bool:
        """Whether this part has it: each part draws its own share about the common one, once."""
        if what not in self.odds:
            log_odds = math.log(share / (1 - share)) + self.rng.gauss(0, 0.7)
            self.odds[what] = 1 / (1 + math.exp(-log_odds))
        return self.rng.random() < self.odds[what]

    def size(self, low: float, high: float) -> float:
        return round(self.rng.uniform(low, max(low, high)), 2)

    def places(self, count: int) -> list[tuple[float, float]]:
        taken, self.free = self.free[:count], self.free[count:]
        return taken

    def take(self, tool: cq.Workplane, *, top: bool = True) -> None:
        """Cuts a tool made for the top; for the foot its mirror image."""
        if not top:
            tool = tool.mirror("XY", (0, 0, self.z / 2))
        self.work = self.work.cut(tool)

    @property
    def round(self) -> bool:
        return self.blank in ("disc", "ring")


def sided(seed: int) -> Sided:
    """The insert of a seed, laid down anyhow, every fourth one a mirror image."""
    rng = random.Random(f"sided {seed}")
    bench = _blank(rng)
    for step in (_hold, _work, _back, _front, _sides):
        step(bench)
    solid = max(bench.work.val().Solids(), key=lambda s: s.Volume()).wrapped  # type: ignore[union-attr]
    if seed % 4 == 0:
        solid = mirrored(solid, (1, 1, 0))
    # Most models stand along their axes, whichever.
    turn, angle = rng.choice(_TURNS)
    axis = np.array(turn if rng.random() < 0.7 else [rng.gauss(0, 1) for _ in range(3)])
    axis = axis / np.linalg.norm(axis)
    solid = moved(
        solid, tuple(axis), angle, (rng.randint(-50, 50), rng.randint(-50, 50), rng.randint(-50, 50))
    )
    working = _spun(np.array([0.0, 0.0, 1.0]), axis, math.radians(angle))
    return Sided(
        solid, (float(working[0]), float(working[1]), float(working[2])), bench.blank, tuple(bench.has)
    )


def _spun(v: np.ndarray, axis: np.ndarray, angle: float) -> np.ndarray:
    """Rodrigues' formula."""
    return (
        v * math.cos(angle) + np.cross(axis, v) * math.sin(angle) + axis * (axis @ v) * (1 - math.cos(angle))
    )


def _blank(rng: random.Random) -> _Bench:
    blank = rng.choices(["plate", "block", "disc", "ring", "punch"], [0.42, 0.18, 0.19, 0.14, 0.07])[0]
    if blank in ("plate", "block"):
        x = rng.uniform(35, 110)
        y = x * rng.uniform(0.4, 1.0)
        z = min(x, y) * (rng.uniform(0.18, 0.6) if blank == "plate" else rng.uniform(0.6, 1.6))
        x, y, z = round(x, 1), round(y, 1), round(max(z, 8.0), 1)
        work = cq.Workplane().box(x, y, z, centered=(True, True, False))
    elif blank == "punch":
        x = round(rng.uniform(10, 26), 1)
        y, z = round(x * rng.uniform(0.5, 1.0), 1), round(x * rng.uniform(1.3, 3.5), 1)
        work = cq.Workplane().box(x, y, z, centered=(True, True, False))
    else:
        x = y = round(rng.uniform(30, 90), 1)
        z = round(max(8.0, x * rng.choice([rng.uniform(0.15, 0.6), rng.uniform(0.5, 1.3)])), 1)
        work = cq.Workplane().circle(x / 2).extrude(z)
    bench = _Bench(rng, blank, x / 2, y / 2, z, work)
    inner = 0.0
    if blank == "ring":
        inner = _middle_bore(bench)
    if blank == "punch":  # room for one thing in the middle of either end
        bench.free = [(0.0, 0.0)]
        return bench
    cells = [
        ((i + 0.5) * _CELL_MM - nx * _CELL_MM / 2, (j + 0.5) * _CELL_MM - ny * _CELL_MM / 2)
        for nx, ny in [(int((x - 6) / _CELL_MM), int((y - 6) / _CELL_MM))]
        for i in range(nx)
        for j in range(ny)
    ]
    half = _CELL_MM / 2
    for a, b in cells:
        far = math.hypot(abs(a) + half, abs(b) + half)
        near = math.hypot(max(0.0, abs(a) - half), max(0.0, abs(b) - half))
        if not bench.round or (far < x / 2 - 2 and near > inner):
            bench.free.append((a, b))
    rng.shuffle(bench.free)
    return bench


def _middle_bore(bench: _Bench) -> float:
    """The bore of a ring: straight, with relief below, or shouldered from above; its largest radius."""
    r = bench.size(0.2 * bench.x, 0.5 * bench.x)
    bench.take(cq.Workplane().circle(r).extrude(bench.z))
    how = bench.rng.choices(["straight", "relieved", "shouldered", "tapered"], [0.35, 0.3, 0.2, 0.15])[0]
    bench.has.append(f"{how} bore")
    if how == "straight":
        return r
    wide = r + bench.size(0.5, 3.0)
    if how == "relieved":
        land = bench.size(0.15, 0.5) * bench.z
        bench.take(cq.Workplane().circle(wide).extrude(bench.z - land), top=True)
    elif how == "shouldered":
        deep = bench.size(0.15, 0.6) * bench.z
        bench.take(cq.Workplane(origin=(0, 0, bench.z)).circle(wide).extrude(-deep))
    else:
        land = bench.size(0.15, 0.4) * bench.z
        run = bench.z - land
        wide = r + run * math.tan(math.radians(bench.size(0.5, 1.5)))
        tool = cq.Workplane("XZ").polyline([(0, 0), (wide, 0), (r, run), (0, run)]).close()
        bench.take(tool.revolve(360, (0, 0, 0), (0, 1, 0)))
    return wide


# --- holding -----------------------------------------------------------------------------------------------


def _hold(b: _Bench) -> None:
    shares = [0.45, 0.0, 0.35, 0.2] if b.blank == "punch" else [0.5, 0.25, 0.13, 0.12]
    how = b.rng.choices(["threads", "seats", "heel", "none"], shares)[0]
    if how == "threads":
        _threads(b, b.rng.randint(1, 6), top=b.chance("threads above", 0.06))
    elif how == "seats":
        _seats(b, b.rng.randint(1, 4), top=not b.chance("heads below", 0.15))
    elif how == "heel":
        _heel(b, top=not b.chance("heel above", 0.1))
    for _ in range(2):
        if b.chance("dowels", 0.45):
            _dowels(b, b.rng.randint(1, 2))
            break


def _threads(b: _Bench, count: int, *, top: bool) -> None:
    sizes = [s for s in _THREADS if s[1] < 0.5 * min(b.z, 2 * b.y)] or [_THREADS[0]]
    major, drill, pitch = b.rng.choice(sizes)
    relieved, through = b.chance("relief", 0.65), b.chance("through threads", 0.25)
    depth = min(b.size(1.5, 2.5) * major + 3 * pitch, 0.7 * b.z)
    for x, y in b.places(count):
        tool = _drilled(drill, b.z if through else depth, pointed=not through)
        if relieved:
            over, deep = b.size(0.2, 0.5), b.size(1.5, 2.0) * pitch
            tool = tool.union(cq.Workplane().circle((major + over) / 2).extrude(-deep))
        b.take(tool.translate((x, y, b.z)), top=top)
        b.has.append(f"thread {'above' if top else 'below'}{' through' if through else ''}")


def _drilled(diameter: float, depth: float, *, pointed: bool) -> cq.Workplane:
    """A drilled hole from z = 0 down; ``depth`` is that of the full diameter."""
    r = diameter / 2
    tip = r / math.tan(math.radians(59)) if pointed else 0.0
    outline = [(0.0, 0.0), (r, 0.0), (r, -depth), (0.0, -depth - tip)]
    return cq.Workplane("XZ").polyline(outline).close().revolve(360, (0, 0, 0), (0, 1, 0))


def _seats(b: _Bench, count: int, *, top: bool) -> None:
    sizes = [s for s in _SCREWS if s[0] < 0.6 * b.z] or [_SCREWS[0]]
    size, bore, head = b.rng.choice(sizes)
    sunk = b.chance("countersunk", 0.2)
    deep = min(size + b.size(0.2, 1.0), 0.7 * b.z)
    for x, y in b.places(count):
        tool = cq.Workplane().circle(bore / 2).extrude(-b.z)
        if sunk:  # 90 degrees, twice the screw wide
            cone = cq.Workplane("XZ").polyline([(0, 0), (size, 0), (0, -size)]).close()
            tool = tool.union(cone.revolve(360, (0, 0, 0), (0, 1, 0)))
        else:
            tool = tool.union(cq.Workplane().circle(head / 2).extrude(-deep))
        b.take(tool.translate((x, y, b.z)), top=top)
        b.has.append(f"screw seat {'above' if top else 'below'}")


def _heel(b: _Bench, *, top: bool) -> None:
    """Steps that leave a foot to be clamped."""
    deep, wide = b.size(0.4, 0.8) * b.z, b.size(2.0, 3.0)
    at = cq.Workplane(origin=(0, 0, b.z))
    if b.round:
        b.take(at.circle(b.x + 1).circle(b.x - wide).extrude(-deep), top=top)
    else:
        for side in b.rng.sample((-1, 1), b.rng.randint(1, 2)):
            b.take(at.center(0, side * b.y).rect(2 * b.x + 2, 2 * wide).extrude(-deep), top=top)
    b.has.append(f"heel {'below' if top else 'above'}")


def _dowels(b: _Bench, count: int) -> None:
    d = b.rng.choice(_DOWELS)
    through = b.chance("through dowels", 0.6)
    top = not b.chance("blind dowels below", 0.75)
    for x, y in b.places(count):
        tool = cq.Workplane().circle(d / 2).extrude(-(b.z if through else min(2 * d, 0.5 * b.z)))
        b.take(tool.translate((x, y, b.z)), top=top)
        b.has.append("dowel through" if through else f"dowel {'above' if top else 'below'}")


# --- the work ----------------------------------------------------------------------------------------------


def _work(b: _Bench) -> None:
    if b.blank == "punch":
        b.rng.choice((_punch, _steps, _chisel))(b)
        return
    for kind in b.rng.sample(_WORK, b.rng.choices([0, 1, 2, 3], [0.08, 0.47, 0.3, 0.15])[0]):
        kind(b)


def _openings(b: _Bench) -> None:
    how = b.rng.choices(["straight", "tapered", "relieved"], [0.35, 0.4, 0.25])[0]
    top = not b.chance("relief above", 0.04)
    land = b.size(0.15, 0.4) * b.z
    for x, y in b.places(b.rng.randint(1, 4)):
        w, length, r = b.size(3, 6.5), b.size(5, 8), b.size(0.3, 1.2)
        length = 0.0 if b.chance("round openings", 0.35) else length
        tool = cq.Workplane().placeSketch(_outline(w, length, r)).extrude(-b.z)
        below = cq.Workplane(origin=(0, 0, -land))
        if how == "tapered":
            relief = below.placeSketch(_outline(w, length, r)).extrude(-(b.z - land), taper=-b.size(0.3, 1.0))
            tool = tool.union(relief)
        elif how == "relieved":
            wider = b.size(0.6, 2.0)
            relief = _outline(w + 2 * wider, length and length + 2 * wider, r + wider)
            tool = tool.union(below.placeSketch(relief).extrude(-(b.z - land)))
        b.take(tool.translate((x, y, b.z)), top=top)
        b.has.append(f"{how} opening{'' if top or how == 'straight' else ' upside down'}")


def _outline(width: float, length: float, radius: float) -> cq.Sketch:
    """A rectangle with round corners; a circle for no length."""
    if not length:
        return cq.Sketch().circle(width / 2)
    return cq.Sketch().rect(length, width).vertices().fillet(radius)


def _pockets(b: _Bench, *, top: bool = True, count: int | None = None) -> None:
    for x, y in b.places(count or b.rng.randint(1, 4)):
        w, length, deep = b.size(4, 9), b.size(6, 11), b.size(0.08, 0.4) * b.z
        tool = cq.Workplane().rect(length, w).extrude(-deep)
        if b.chance("round corners", 0.6):
            tool = tool.edges("|Z").fillet(b.size(0.5, 1.8))
        if b.chance("islands", 0.15):
            tool = tool.cut(cq.Workplane().circle(1.2).extrude(-deep))
        elif b.chance("pierced pockets", 0.15):
            tool = tool.union(cq.Workplane().circle(b.size(0.8, 1.8)).extrude(-b.z))
        b.take(tool.translate((x, y, b.z)), top=top)
        b.has.append(f"pocket {'above' if top else 'below'}")


def _slots(b: _Bench, *, top: bool = True, count: int | None = None) -> None:
    for _ in range(count or b.rng.randint(1, 3)):
        along_x = b.rng.random() < 0.5
        reach, across = (b.x, b.y) if along_x else (b.y, b.x)
        w, deep, at = b.size(2, 6), b.size(0.08, 0.4) * b.z, b.size(-0.7, 0.7) * across
        blind = b.chance("blind slots", 0.3)
        length, shift = (reach * b.size(0.6, 1.2), reach) if blind else (2 * reach + 2, 0.0)
        tool = cq.Workplane().rect(length, w).extrude(-deep).translate((shift, at, 0))
        if not along_x:
            tool = tool.rotate((0, 0, 0), (0, 0, 1), 90)
        b.take(tool.translate((0, 0, b.z)), top=top)
        b.has.append(f"slot {'above' if top else 'below'}")


def _steps(b: _Bench, *, top: bool = True) -> None:
    deep, wide = b.size(0.1, 0.45) * b.z, b.size(3, 10)
    along_x = b.rng.random() < 0.5
    across = b.y if along_x else b.x
    tool = cq.Workplane().rect(300, 2 * min(wide, 0.5 * across)).extrude(-deep)
    tool = tool.translate((0, b.rng.choice((-1, 1)) * across, 0))
    if not along_x:
        tool = tool.rotate((0, 0, 0), (0, 0, 1), 90)
    b.take(tool.translate((0, 0, b.z)), top=top)
    b.has.append(f"step {'above' if top else 'below'}")


def _chisel(b: _Bench) -> None:
    """The end of a punch, slanted."""
    low = b.size(0.6, 0.9) * b.z
    outline = [(-b.x, b.z), (b.x, low), (b.x, b.z + 1), (-b.x, b.z + 1)]
    b.take(cq.Workplane("XZ", origin=(0, b.y + 1, 0)).polyline(outline).close().extrude(2 * b.y + 2))
    b.has.append("slanted end above")


def _dish(b: _Bench, *, top: bool = True) -> None:
    """A turned form in the top."""
    for x, y in b.places(b.rng.randint(1, 2)):
        r, deep = b.size(8, 20), b.size(0.8, 2.0)
        b.take(cq.Workplane("XY").sphere(r).translate((x, y, b.z + r - deep)), top=top)
        b.has.append(f"dish {'above' if top else 'below'}")


def _punch(b: _Bench, *, top: bool = True) -> None:
    """A form that stands: the top around it is taken away; below it is a spigot."""
    deep = (b.size(0.1, 0.4) if top else b.size(0.05, 0.15)) * b.z
    around = cq.Workplane().rect(4 * b.x, 4 * b.y).extrude(-deep)
    if b.round or not top:
        core = cq.Workplane().circle(b.size(0.4, 0.7) * min(b.x, b.y)).extrude(-deep)
    else:
        core = cq.Workplane().rect(b.size(0.8, 1.4) * b.x, b.size(0.8, 1.4) * b.y).extrude(-deep)
    b.take(around.cut(core).translate((0, 0, b.z)), top=top)
    b.has.append("standing form above" if top else "spigot below")


def _engraving(b: _Bench, *, top: bool = True) -> None:
    """Strokes like those of figures, some tenths deep."""
    deep = b.size(0.1, 0.5)
    for x, y in b.places(1):
        for n in range(b.rng.randint(2, 5)):
            length, width, slant = b.size(2.0, 3.5), b.size(0.4, 0.8), b.rng.choice((0, 45, 90))
            stroke = cq.Workplane().slot2D(length, width, slant).extrude(-deep)
            b.take(stroke.translate((x - 4.5 + 2.8 * n, y, b.z)), top=top)
        b.has.append(f"engraving {'above' if top else 'below'}")


def _blind_holes(b: _Bench, *, top: bool) -> None:
    d = b.size(2, 8)
    pointed = b.chance("drilled", 0.7)
    for x, y in b.places(b.rng.randint(1, 4)):
        b.take(_drilled(d, b.size(0.2, 0.45) * b.z, pointed=pointed).translate((x, y, b.z)), top=top)
        b.has.append(f"blind hole {'above' if top else 'below'}")


_WORK: list[Callable[[_Bench], None]] = [
    _openings, _openings, _pockets, _slots, _steps, _dish, _punch, _engraving
]  # fmt: skip


# --- what else ---------------------------------------------------------------------------------------------


def _back(b: _Bench) -> None:
    if b.chance("pocket below", 0.1):
        _pockets(b, top=False, count=1)
    if b.chance("slot below", 0.15):
        _slots(b, top=False, count=b.rng.randint(1, 2))
    if b.chance("blind holes below", 0.15):
        _blind_holes(b, top=False)
    if b.chance("step below", 0.05):
        _steps(b, top=False)
    if b.chance("spigot below", 0.06):
        _punch(b, top=False)
    if b.chance("dish below", 0.04):
        _dish(b, top=False)
    if b.chance("mark below", 0.1):
        _engraving(b, top=False)
    if b.chance("chamfered foot", 0.3):
        _broken(b, "<Z", "foot")


def _front(b: _Bench) -> None:
    if b.chance("blind holes above", 0.13):
        _blind_holes(b, top=True)
    if b.chance("lifting thread", 0.06):
        _threads(b, 1, top=True)
    if b.chance("mark above", 0.05):
        _engraving(b, top=True)
    if b.chance("chamfered top", 0.12):
        _broken(b, ">Z", "top")
    if b.chance("rounded top", 0.05):
        _broken(b, ">Z", "top", rounded=True)


def _broken(b: _Bench, face: str, what: str, *, rounded: bool = False) -> None:
    """The outline's edges at one end, some or all of them; where the kernel cannot, they stay sharp."""
    level = 0.0 if face == "<Z" else b.z
    edges = [
        e
        for e in b.work.faces(face).edges().vals()
        if math.isclose(e.BoundingBox().zmax, level, abs_tol=1e-6)
        and (e.Length() > 0.8 * min(b.x, b.y))
        and (b.round or max(abs(e.Center().x) - b.x, abs(e.Center().y) - b.y) > -1e-6)
    ]
    if not b.round and b.rng.random() < 0.4:
        edges = edges[: b.rng.randint(1, 2)]
    try:
        size, on = b.size(0.5, min(2.0, 0.15 * b.z)), b.work.newObject(edges)
        broken = on.fillet(size) if rounded else on.chamfer(size)
    except Exception:  # the kernel's own
        return
    if edges and broken.val().isValid() and len(broken.solids().vals()) == 1:  # type: ignore[union-attr]
        b.work = broken
        b.has.append(f"{'rounded' if rounded else 'chamfered'} {what}")


def _sides(b: _Bench) -> None:
    """What goes in from a side: threads, seats, holes and windows across, pockets, slots, marks, and what
    breaks the upright edges."""
    least = min(b.x, b.y)
    wide = b.size(0.1, 0.25) * b.z
    makers: list[tuple[str, float, Callable[[], cq.Workplane]]] = [
        (
            "cross hole",
            0.15,
            lambda: cq.Workplane().circle(min(b.size(1, 2.5), 0.15 * b.z)).extrude(-3 * b.x),
        ),
        ("threads in a side", 0.15, lambda: _side_thread(b)),
        ("seat in a side", 0.04, lambda: _side_seat(b)),
        ("window across", 0.04, lambda: cq.Workplane().rect(wide, b.size(2, 0.4 * least)).extrude(-3 * b.x)),
        (
            "pocket in a side",
            0.06,
            lambda: cq.Workplane().rect(wide, b.size(2, 0.4 * least)).extrude(-0.2 * least),
        ),
        (
            "slot in a side",
            0.08,
            lambda: cq.Workplane().rect(wide, 3 * max(b.x, b.y)).extrude(-b.size(0.5, 2)),
        ),
        ("mark in a side", 0.08, lambda: cq.Workplane().slot2D(min(2.5, wide), 0.6).extrude(-0.3)),
    ]
    for what, share, make in makers:
        if not b.chance(what, share) or (b.round and what in ("slot in a side", "mark in a side")):
            continue
        tool = make().rotate((0, 0, 0), (0, 1, 0), 90)
        count, level = b.rng.choice((1, 1, 2)) if "thread" in what else 1, b.size(0.35, 0.65) * b.z
        turn = b.rng.uniform(0, 360) if b.round else b.rng.choice((0, 90, 180, 270))
        reach = b.y if turn in (90, 270) and not b.round else b.x
        for k in range(count):
            at = (reach, (0.4 if k else b.size(-0.5, -0.2)) * least, level)
            b.take(tool.translate(at).rotate((0, 0, 0), (0, 0, 1), turn))
        b.has.append(what)
    if b.chance("broken uprights", 0.25) and not b.round:
        size, rounded = b.size(0.5, 3), b.rng.random() < 0.4
        corners = [
            e
            for e in b.work.edges("|Z").vals()
            if abs(abs(e.Center().x) - b.x) + abs(abs(e.Center().y) - b.y) < 1e-6
        ]
        try:
            on = b.work.newObject(corners[: b.rng.randint(1, 4)])
            broken = on.fillet(size) if rounded else on.chamfer(size)
        except Exception:
            return
        if corners and broken.val().isValid():  # type: ignore[union-attr]
            b.work = broken
            b.has.append(f"uprights {'rounded' if rounded else 'chamfered'}")


def _side_thread(b: _Bench) -> cq.Workplane:
    major, drill, pitch = b.rng.choice([t for t in _THREADS if t[1] < 0.4 * b.z] or [_THREADS[0]])
    tool = _drilled(drill, min(2 * major + 2, 0.6 * b.y), pointed=True)
    if b.chance("relief", 0.65):
        tool = tool.union(cq.Workplane().circle(major / 2 + 0.2).extrude(-1.7 * pitch))
    return tool


def _side_seat(b: _Bench) -> cq.Workplane:
    size, bore, head = b.rng.choice([s for s in _SCREWS if s[2] < 0.6 * b.z] or [_SCREWS[0]])
    tool = cq.Workplane().circle(bore / 2).extrude(-3 * b.x)
    return tool.union(cq.Workplane().circle(head / 2).extrude(-size))
