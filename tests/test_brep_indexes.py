"""What is fetched in bulk or found by place is what asking the kernel, or all pairs, one by one gives."""

from __future__ import annotations

from collections.abc import Callable

import cadquery as cq
import numpy as np
import pytest
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepGProp import BRepGProp
from OCP.gp import gp_Pnt, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.TopLoc import TopLoc_Location

from featurize.brep import elementary
from featurize.brep.build import build_part
from featurize.brep.coincident import coincident_surfaces
from featurize.brep.point_grid import PointGrid
from featurize.brep.surfaces import Cone, Cylinder, Freeform, Plane, Sphere, Surface, Torus
from featurize.brep.surfaces_at import NormalTable, normals_at, same_line, same_surface
from featurize.brep.triangulation import mesh_settings, triangles_of, triangulate


def _bodies() -> dict[str, cq.Workplane]:
    placed = cq.Location(cq.Vector(3, -7, 11), cq.Vector(1, 2, 3), 40)
    plain = {
        "plate": cq.Workplane().box(30, 20, 8).faces(">Z").workplane().cboreHole(4, 8, 3),
        "cone": cq.Workplane(obj=cq.Solid.makeCone(5, 2, 9)),
        "ball": cq.Workplane().sphere(6).cut(cq.Workplane().box(4, 4, 20)),
        "ring": cq.Workplane(obj=cq.Solid.makeTorus(9, 2)),
    }
    moved = {f"{name}, moved": cq.Workplane(obj=b.val().moved(placed)) for name, b in plain.items()}
    return plain | moved


@pytest.mark.parametrize("name", list(_bodies()))
def test_elementary_surfaces_as_the_kernel_has_them(name: str) -> None:
    for face in _bodies()[name].faces().vals():
        adaptor = BRepAdaptor_Surface(face.wrapped, True)
        u = np.linspace(adaptor.FirstUParameter(), adaptor.LastUParameter(), 5)[1:-1]
        v = np.linspace(adaptor.FirstVParameter(), adaptor.LastVParameter(), 5)[1:-1]
        uv = np.array([(a, b) for a in u for b in v])
        placed = np.repeat(elementary.placement(adaptor)[None], len(uv), axis=0)
        found = elementary.sampled(adaptor.GetType(), placed, uv)
        for (a, b), point, normal in zip(uv, found.points, found.normals, strict=True):
            p, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
            adaptor.D1(float(a), float(b), p, du, dv)
            square = du.Crossed(dv).Normalized()
            np.testing.assert_allclose(point, [p.X(), p.Y(), p.Z()], atol=1e-12)
            np.testing.assert_allclose(normal, [square.X(), square.Y(), square.Z()], atol=1e-12)


@pytest.mark.parametrize("name", list(_bodies()))
def test_triangles_as_the_kernel_has_them(name: str) -> None:
    solid = _bodies()[name].val().wrapped
    faces = [f.wrapped for f in cq.Shape.cast(solid).Faces()]
    triangulate(solid, faces, mesh_settings(0.01))
    for face, found in zip(faces, triangles_of(faces), strict=True):
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        assert found is not None
        nodes = [mesh.Node(i + 1).Transformed(place.Transformation()) for i in range(mesh.NbNodes())]
        np.testing.assert_allclose(found.nodes, [(n.X(), n.Y(), n.Z()) for n in nodes], atol=1e-12)
        np.testing.assert_array_equal(
            found.corners + 1, [mesh.Triangle(i + 1).Get() for i in range(mesh.NbTriangles())]
        )
        assert found.uv.tolist() == [[t.X(), t.Y()] for t in map(mesh.UVNode, range(1, mesh.NbNodes() + 1))]


@pytest.mark.parametrize("name", list(_bodies()))
def test_volume_as_the_kernel_sums_it(name: str) -> None:
    solid = _bodies()[name].val().wrapped
    whole = GProp_GProps()
    BRepGProp.VolumeProperties_s(solid, whole, 1e-6)
    assert build_part(solid).volume_mm3 == pytest.approx(whole.Mass(), rel=2e-6)


def _surfaces(rng: np.random.Generator, count: int) -> list[Surface]:
    """Surfaces on few places, axes and radii, so that many coincide or nearly do."""

    def place() -> np.ndarray:
        return rng.integers(0, 2, 3) * 10.0 + rng.choice([0.0, 0.004, 0.05], 3)

    def axis() -> np.ndarray:
        lean = rng.normal(size=3) * rng.choice([0.0, 1e-4, 1e-2])
        leaning = np.eye(3)[rng.integers(3)] * rng.choice([-1.0, 1.0]) + lean
        return np.asarray(leaning / np.linalg.norm(leaning))

    make: list[Callable[[], Surface]] = [
        lambda: Plane(place(), axis()),
        lambda: Cylinder(place(), axis(), float(rng.integers(1, 3)), bool(rng.integers(2))),
        lambda: Cone(place(), axis(), 30.0, True),
        lambda: Sphere(place(), 2.0, False),
        lambda: Torus(place(), axis(), 5.0, 1.0, True),
        Freeform,
    ]
    return [make[int(rng.integers(len(make)))]() for _ in range(count)]


@pytest.mark.parametrize("seed", range(5))
def test_alike_misses_none(seed: int) -> None:
    surfaces = _surfaces(np.random.default_rng(seed), 200)
    found = coincident_surfaces(surfaces)
    same = 0
    for i, a in enumerate(surfaces):
        for j, b in enumerate(surfaces):
            near = getattr(b, "origin", getattr(b, "centre", getattr(b, "apex", np.zeros(3))))
            coaxial = (
                isinstance(a, Cylinder)
                and isinstance(b, Cylinder)
                and same_line(a.origin, a.axis, b.origin, b.axis)
            )
            if same_surface(a, b, near) or coaxial:
                same += i != j
                assert j in found[i]
    assert same > 20


def _outside(s: Surface, p: np.ndarray) -> np.ndarray:
    """A function that grows outwards of a pin of this form, its level set the surface."""
    if isinstance(s, Plane):
        return (p - s.origin) @ s.normal
    if isinstance(s, Sphere):
        return np.linalg.norm(p - s.centre, axis=1)
    away = p - (s.apex if isinstance(s, Cone) else s.centre if isinstance(s, Torus) else s.origin)
    along = away @ s.axis
    off = np.linalg.norm(away - along[:, None] * s.axis, axis=1)
    if isinstance(s, Cone):
        half = np.radians(s.half_angle_deg)
        return off * np.cos(half) - along * np.sin(half)
    return np.hypot(off - s.major_mm, along) if isinstance(s, Torus) else off


@pytest.mark.parametrize("seed", range(3))
def test_normals_are_gradients_of_the_implicit_forms(seed: int) -> None:
    """By central differences of the distance functions."""
    rng = np.random.default_rng(seed)
    surfaces = _surfaces(rng, 60)
    table, points = NormalTable(surfaces), rng.normal(size=(60, 4, 3)) * 8
    found = table.at(np.arange(60), points)
    step = 1e-5
    for s, known, at, normals in zip(surfaces, table.known, points, found, strict=True):
        assert known == (not isinstance(s, Freeform)) == (normals_at(s, at) is not None)
        if not known:
            continue
        slopes = [_outside(s, at + step * e) - _outside(s, at - step * e) for e in np.eye(3)]
        sense = -1.0 if getattr(s, "hollow", False) else 1.0
        np.testing.assert_allclose(normals, sense * np.array(slopes).T / (2 * step), atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_points_in_a_box_by_place(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.random((3000, 3)) * [100, 20, 5]
    grid = PointGrid(points)
    for _ in range(50):
        low = rng.random(3) * [110, 30, 6] - 5
        high = low + rng.random(3) * [40, 10, 5]
        inside = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
        assert sorted(grid.within(low, high).tolist()) == inside.tolist()
