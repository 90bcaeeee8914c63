"""What is passed over to save time would have changed nothing: the short way beside the long one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from featurize import tolerances as tol
from featurize.brep.boxes import Boxes
from featurize.brep.part import Mesh
from featurize.brep.silhouette import _beyond, _united
from routing.plan.threads import _from_axis
from routing.processes.heights import _cells
from routing.processes.sight import hits
from routing.processes.surface_grind.envelope_faces import highest_facets


def triangles(rng: np.random.Generator, count: int, spread: float, size: float) -> np.ndarray:
    """Facets that run counter-clockwise (count, 3, 2)."""
    found = rng.uniform(0, spread, (count, 1, 2)) + rng.normal(0, size, (count, 3, 2))
    a, b = found[:, 1] - found[:, 0], found[:, 2] - found[:, 0]
    clockwise = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] < 0
    found[clockwise] = found[clockwise][:, ::-1]
    return found


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("size", [0.3, 3.0, 12.0])
def test_the_highest_line_over_all_facets_is_that_over_those_kept(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    corners = triangles(rng, 400, 40.0, size)
    corners[:5] = np.array([[0, 0], [40, 0], [20, 30]]) + rng.normal(0, 1, (5, 3, 2))
    kept = highest_facets(corners, np.arange(400))
    across = np.linspace(corners[:, :, 0].min(), corners[:, :, 0].max(), 997)[1:-1]
    # The highest point of each facet on each upright line, by the kernel of shapely.
    lines = shapely.linestrings([[(x, -1e3), (x, 1e3)] for x in across])
    hit = shapely.bounds(shapely.intersection(shapely.polygons(corners)[:, None], lines[None]))[..., 3]
    everything, some = (np.nanmax(np.where(np.isnan(h), -np.inf, h), axis=0) for h in (hit, hit[kept]))
    assert np.array_equal(everything, some)
    assert len(kept) < 400 or size < 1


@pytest.mark.parametrize("longest", [0, 1, 2])
def test_boxes_that_meet_are_all_found_and_no_others(longest: int) -> None:
    rng = np.random.default_rng(longest)
    low = rng.uniform(0, 20, (2, 150, 3))
    high = low + rng.exponential(2, (2, 150, 3)) * np.where(np.arange(3) == longest, 8, 1)
    asked, found = Boxes(low[0], high[0]).meeting(low[1], high[1])
    meet = np.all((low[1][:, None] <= high[0]) & (high[1][:, None] >= low[0]), axis=2)
    assert set(zip(asked.tolist(), found.tolist(), strict=True)) == set(
        map(tuple, np.argwhere(meet).tolist())
    )


@pytest.mark.parametrize("size", [0.4, 4.0, 30.0])
def test_every_grid_point_in_a_facet_is_looked_at(size: float) -> None:
    corners = triangles(np.random.default_rng(3), 60, 30.0, size)
    corners[0] = [[2, 3], [9, 3], [9, 8]]  # corners on grid points, sides along the grid
    facet, x, y = _cells(corners, np.ones(60, bool), (30, 40))
    looked_at = set(zip(facet.tolist(), x.tolist(), y.tolist(), strict=True))
    points = shapely.points([[(x, y) for y in range(30)] for x in range(40)])
    inside = shapely.intersects(shapely.polygons(corners)[:, None, None], points[None])
    needed = set(map(tuple, np.argwhere(inside).tolist()))
    assert needed <= looked_at
    assert len(looked_at) <= len(needed) + 60 * 60  # a point or two beside each row


@pytest.mark.parametrize("size", [0.5, 3.0, 12.0])
def test_the_sides_where_facets_change_enclose_their_union(size: float) -> None:
    corners = np.round(triangles(np.random.default_rng(5), 120, 20.0, size), 3)
    corners[::3] = corners[::3, ::-1]  # some are seen from behind
    whole = shapely.union_all(shapely.polygons(corners))
    for on_grid in (True, False):
        found = _united(corners, on_grid=on_grid)
        assert shapely.symmetric_difference(found, whole).area < 1e-4
    # A net of facets over two holes: all but its outlines cancels.
    x, y = np.meshgrid(np.arange(9.0), np.arange(7.0), indexing="ij")
    low = np.stack([x, y], axis=2)[:-1, :-1].reshape(-1, 2)
    low = low[~np.isin(low @ [10, 1], [22, 54])]
    squares = low[:, None] + np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    found = _united(np.concatenate([squares[:, [0, 1, 2]], squares[:, [0, 2, 3]]]), on_grid=True)
    assert found.area == pytest.approx(8 * 6 - 2, abs=1e-9)
    assert len(found.interiors) == 2


def test_facets_that_a_region_covers_are_told_from_those_it_does_not() -> None:
    facets = triangles(np.random.default_rng(6), 500, 30.0, 1.5)
    region = shapely.union_all([shapely.box(3, 3, 25, 20), shapely.Point(20, 22).buffer(6)])
    region = shapely.difference(region, shapely.box(8, 8, 12, 14))
    assert np.array_equal(_beyond(region, facets), ~shapely.covers(region, shapely.polygons(facets)))


def test_a_triangle_between_two_levels_is_as_near_to_the_axis_as_its_hull() -> None:
    rng = np.random.default_rng(7)
    corners = rng.normal(0, 2, (800, 3, 3)) + rng.normal(0, 1, (800, 1, 3))
    corners[:100, :, 2] = np.round(corners[:100, :, 2])  # sides at a level, and corners on it
    found = _from_axis(corners, -1.0, 1.0)
    for triangle, distance in zip(corners, found, strict=True):
        ends = [triangle[k] for k in range(3) if abs(triangle[k, 2]) <= 1.0]
        for a, b in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
            for level in (-1.0, 1.0):
                if (a[2] - level) * (b[2] - level) < 0:
                    ends.append(a + (b - a) * (level - a[2]) / (b[2] - a[2]))
        if ends:
            hull = shapely.convex_hull(shapely.multipoints(np.array(ends)[:, :2]))
            assert distance == pytest.approx(shapely.distance(hull, shapely.Point(0, 0)), abs=1e-9)
        else:
            assert np.isinf(distance)
    assert (found == 0).sum() > 20
    assert np.isinf(found).sum() > 20


@pytest.mark.parametrize("reach_mm", [4.0, np.inf])
def test_rays_followed_in_stretches_meet_what_whole_ones_do(reach_mm: float) -> None:
    rng = np.random.default_rng(8)
    corners = rng.uniform(0, 20, (300, 1, 3)) + rng.normal(0, 1.5, (300, 3, 3))
    mesh = Mesh(corners.reshape(-1, 3), np.arange(900).reshape(-1, 3), np.arange(300), tol.MESH_DEFLECTION_MM)
    origins, ways = rng.uniform(0, 20, (200, 3)), rng.normal(size=(200, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    # Moeller and Trumbore: the ray's length and place in the triangle from one linear system each.
    sides = np.stack([corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]], axis=2)
    system = np.concatenate(
        [
            np.broadcast_to(sides, (200, 300, 3, 2)),
            np.broadcast_to(-ways[:, None, :, None], (200, 300, 3, 1)),
        ],
        axis=3,
    )
    u, v, t = np.moveaxis(
        np.linalg.solve(system, (origins[:, None] - corners[:, 0])[..., None])[..., 0], 2, 0
    )
    met = np.where((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0), t, np.inf)
    distance, face = hits(mesh, origins, ways, reach_mm)
    first = met.min(axis=1)
    near = np.isfinite(first) & (first <= reach_mm)
    assert near.sum() > 20
    assert np.allclose(distance[near], first[near])
    assert np.array_equal(face[near], met[near].argmin(axis=1))
