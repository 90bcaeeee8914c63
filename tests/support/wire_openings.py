"""Random openings of die inserts: a block with one opening right through, of a kind named."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import cadquery as cq

Opening = Callable[[random.Random, float], cq.Workplane]


def _move(rise: float, angle_deg: float) -> float:
    return rise * math.tan(math.radians(angle_deg))


def _lofted(rings: list[tuple[float, list[tuple[float, float]]]]) -> cq.Workplane:
    """The solid between polygons at rising heights, its walls plane."""
    body = None
    for (low, a), (high, b) in zip(rings[:-1], rings[1:], strict=True):
        one = cq.Workplane(origin=(0, 0, low)).polyline(a).close().workplane(offset=high - low)
        piece = one.polyline(b).close().loft(ruled=True)
        body = piece if body is None else body.union(piece)
    assert body is not None
    return body


def _offset(ring: list[tuple[float, float]], out: float) -> list[tuple[float, float]]:
    """A convex ring, against the clock, moved out; lines of neighbours are met again."""
    lines = []
    for (x, y), (u, v) in zip(ring, [*ring[1:], ring[0]], strict=True):
        length = math.hypot(u - x, v - y)
        n = ((v - y) / length, -(u - x) / length)
        lines.append((n, n[0] * x + n[1] * y + out))
    found = []
    for (n, c), (m, d) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        det = n[0] * m[1] - n[1] * m[0]
        found.append(((c * m[1] - d * n[1]) / det, (n[0] * d - m[0] * c) / det))
    return found


def _polygon(rng: random.Random) -> list[tuple[float, float]]:
    """A convex polygon of 3 to 7 corners on an ellipse."""
    n = rng.randint(3, 7)
    turns = [2 * math.pi * (k + rng.uniform(-0.25, 0.25)) / n for k in range(n)]
    a, b = rng.uniform(4, 9), rng.uniform(4, 9)
    return [(a * math.cos(t), b * math.sin(t)) for t in turns]


def _prism(ring: list[tuple[float, float]], z: float) -> cq.Workplane:
    return cq.Workplane().polyline(ring).close().extrude(z)


def straight(rng: random.Random, z: float) -> cq.Workplane:
    body = _prism(_polygon(rng), z)
    return body.edges("|Z").fillet(rng.uniform(0.2, 0.8)) if rng.random() < 0.6 else body


def tapered(rng: random.Random, z: float) -> cq.Workplane:
    ring = _polygon(rng)
    return _lofted([(0, _offset(ring, _move(z, rng.uniform(0.25, 3)))), (z, ring)])


def land_and_relief(rng: random.Random, z: float) -> cq.Workplane:
    ring, land = _polygon(rng), rng.uniform(3, z / 2)
    return _lofted([(0, _offset(ring, _move(z - land, rng.uniform(0.25, 2)))), (z - land, ring), (z, ring)])


def rounded_land_and_relief(rng: random.Random, z: float) -> cq.Workplane:
    """Corners round in the land, cones in the relief."""
    land = rng.uniform(3, z / 2)
    top = cq.Workplane(origin=(0, 0, z - land)).polyline(_polygon(rng)).close().extrude(land)
    top = top.edges("|Z").fillet(rng.uniform(0.3, 0.9))
    below = top.faces("<Z").wires().toPending().workplane()
    return top.union(below.extrude(z - land, taper=-rng.uniform(0.25, 2), combine=False))


def cone_and_straight(rng: random.Random, z: float) -> cq.Workplane:
    """A bore that widens to the top."""
    r, high, angle = rng.uniform(2, 6), rng.uniform(2, z - 3), rng.uniform(1, 12)
    return _turned([(r, 0), (r, z - high), (r + _move(high, angle), z)])


def _turned(profile: list[tuple[float, float]]) -> cq.Workplane:
    points = [(0, profile[0][1]), *profile, (0, profile[-1][1])]
    return cq.Workplane("XZ").polyline(points).close().revolve(360, (0, 0, 0), (0, 1, 0))


def relief_on_one_wall(rng: random.Random, z: float) -> cq.Workplane:
    x, y, land = rng.uniform(4, 9), rng.uniform(3, 7), rng.uniform(3, z - 4)
    move = _move(z - land, rng.uniform(0.5, 8))

    def ring(out: float) -> list[tuple[float, float]]:
        return [(-x, -y), (x + out, -y), (x + out, y), (-x, y)]

    return _lofted([(0, ring(move)), (z - land, ring(0)), (z, ring(0))])


def two_kinks(rng: random.Random, z: float) -> cq.Workplane:
    """A land and two reliefs, the lower one leaning more."""
    ring, a, b = _polygon(rng), rng.uniform(3, z / 3), rng.uniform(3, z / 3)
    first, second = sorted((rng.uniform(0.25, 2), rng.uniform(2.2, 5)))
    middle = _offset(ring, _move(b, first))
    low = _offset(middle, _move(z - a - b, second))
    return _lofted([(0, low), (z - a - b, middle), (z - a, ring), (z, ring)])


def reliefs_of_two_heights(rng: random.Random, z: float) -> cq.Workplane:
    """Two walls that begin to lean at different heights."""
    x, y = rng.uniform(4, 8), rng.uniform(3, 7)
    high, low = rng.uniform(0.6, 0.85) * z, rng.uniform(0.2, 0.5) * z
    a, b = rng.uniform(0.5, 4), rng.uniform(0.5, 4)

    def ring(h: float) -> list[tuple[float, float]]:
        right, up = _move(max(0.0, high - h), a), _move(max(0.0, low - h), b)
        return [(-x, -y), (x + right, -y), (x + right, y + up), (-x, y + up)]

    return _lofted([(h, ring(h)) for h in (0, low, high, z)])


def keyways_and_cone(rng: random.Random, z: float) -> cq.Workplane:
    """A bore with straight keyways right through and a lead-in cone."""
    r, high, angle = rng.uniform(4, 6), rng.uniform(3, z - 4), rng.uniform(2, 12)
    body = _turned([(r, 0), (r, z - high), (r + _move(high, angle), z)])
    wide, deep, n = rng.uniform(1.5, 0.8 * r), r + rng.uniform(0.8, 3), rng.choice((1, 2, 3, 4))
    for k in range(n):
        key = cq.Workplane().box(deep, wide, z, centered=(False, True, False))
        body = body.union(key.rotate((0, 0, 0), (0, 0, 1), 360 * k / n))
    return body


def d_shape(rng: random.Random, z: float) -> cq.Workplane:
    r = rng.uniform(3, 7)
    flat = cq.Workplane().box(40, 40, 3 * z).translate((-20 + rng.uniform(0.1, 0.8) * r, 0, 0))
    return cq.Workplane().circle(r).extrude(z).intersect(flat)


def hexagon(rng: random.Random, z: float) -> cq.Workplane:
    r = rng.uniform(3, 8)
    ring = [(r * math.cos(math.pi * k / 3), r * math.sin(math.pi * k / 3)) for k in range(6)]
    if rng.random() < 0.5:
        return _prism(ring, z)
    high = rng.uniform(2, z / 2)
    return _lofted([(0, ring), (z - high, ring), (z, _offset(ring, _move(high, rng.uniform(2, 10))))])


def ellipse(rng: random.Random, z: float) -> cq.Workplane:
    return cq.Workplane().ellipse(rng.uniform(5, 9), rng.uniform(2.5, 6)).extrude(z)


def closed_spline(rng: random.Random, z: float) -> cq.Workplane:
    n, wave, phase = rng.randint(7, 12), rng.uniform(0, 0.25), rng.uniform(0, 6)
    points = []
    for k in range(n):
        t = 2 * math.pi * k / n
        r = rng.uniform(4, 5) * (1 + wave * math.cos(3 * t + phase))
        points.append((1.4 * r * math.cos(t), r * math.sin(t)))
    return cq.Workplane().spline(points, periodic=True).close().extrude(z)


KINDS: dict[str, Opening] = {
    f.__name__: f
    for f in (
        straight,
        tapered,
        land_and_relief,
        rounded_land_and_relief,
        cone_and_straight,
        relief_on_one_wall,
        two_kinks,
        reliefs_of_two_heights,
        keyways_and_cone,
        d_shape,
        hexagon,
        ellipse,
        closed_spline,
    )
}


def insert(kind: str, seed: int, *, upright: bool = False) -> cq.Workplane:
    """A block with one opening off its middle, the working side up, or turned and moved in space."""
    rng = random.Random(f"{kind} {seed}")
    z = rng.uniform(14, 26)
    body = KINDS[kind](rng, z).translate((rng.uniform(-2, 2), rng.uniform(-2, 2), 0))
    block = cq.Workplane().box(rng.uniform(50, 60), rng.uniform(42, 48), z, centered=(True, True, False))
    made = block.cut(body)
    if upright:
        return made
    axis = (rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(-1, 1))
    return made.rotate((0, 0, 0), axis, rng.uniform(0, 360)).translate((rng.uniform(-50, 50), 7.0, -3.0))
