"""What is passed over to save time would have changed nothing: the short way beside the long one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from featurize.brep.boxes import Boxes
from routing.processes.heights import _cells
from routing.processes.uppermost import uppermost


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
    kept = uppermost(corners, np.arange(400))
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
