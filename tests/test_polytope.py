"""Convex bodies against a general library's half-space intersection (scipy, Qhull) and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, HalfspaceIntersection

from featurize.brep.polytope import Polytope

LOW, HIGH = np.array([-3.0, -2.0, -1.0]), np.array([4.0, 5.0, 6.0])
TOLERANCE = 1e-9


@given(seed=st.integers(0, 10_000), count=st.integers(1, 25))
@settings(max_examples=60, deadline=None)
def test_a_box_cut_by_planes_is_what_qhull_finds(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    normals = random.normal(size=(count, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    offsets = -random.uniform(0.2, 4.0, count)  # the origin stays inside
    body = Polytope.box(LOW, HIGH).cut(list(zip(normals, offsets, range(count), strict=True)), TOLERANCE)
    sides = np.vstack([np.column_stack([np.eye(3), -HIGH]), np.column_stack([-np.eye(3), LOW])])
    bounds = np.vstack([sides, np.column_stack([-normals, offsets])])
    hull = ConvexHull(HalfspaceIntersection(bounds, np.zeros(3)).intersections)
    assert body.volume_mm3 == pytest.approx(hull.volume, rel=1e-6)
    areas = [np.linalg.norm(vector) for vector in body.area_vectors]
    assert sum(areas) == pytest.approx(hull.area, rel=1e-6)
    for (tag, ring), area in zip(body.facets, areas, strict=True):
        assert body.area_of(tag) == pytest.approx(area)
        if isinstance(tag, int):
            at = body.vertices[list(ring)]
            assert np.allclose(at @ normals[tag], offsets[tag], atol=1e-7)


def test_a_plane_that_grazes_a_side_changes_nothing() -> None:
    body = Polytope.box(LOW, HIGH)
    for normal, offset in ((1.0, -3.0), (-1.0, 3.0)):
        same = body.cut([(np.array([normal, 0, 0]), offset, "plane")], TOLERANCE)
        assert same.volume_mm3 == pytest.approx(7**3)
        assert [tag for tag, _ in same.facets] == [tag for tag, _ in body.facets]


def test_a_plane_through_two_edges_leaves_a_wedge() -> None:
    """A cube less half of it: a triangular prism of half its volume."""
    cube = Polytope.box(np.zeros(3), np.ones(3))
    wedge = cube.cut([(np.array([1.0, -1.0, 0.0]) / np.sqrt(2), 0.0, "cut")], TOLERANCE)
    assert wedge.volume_mm3 == pytest.approx(0.5)
    assert wedge.area_of("cut") == pytest.approx(np.sqrt(2))
    assert {tag for tag, _ in wedge.facets} == {"cut", "+x", "-y", "+z", "-z"}


def test_nothing_is_left_beyond_the_box() -> None:
    gone = Polytope.box(np.zeros(3), np.ones(3)).cut([(np.array([1.0, 0, 0]), 2.0, "cut")], TOLERANCE)
    assert gone.empty
    assert gone.volume_mm3 == 0
    assert gone.vertices.shape == (0, 3)
