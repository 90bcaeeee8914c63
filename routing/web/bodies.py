"""A stock body for the viewer, from the mesh that the job wrote: no kernel, no waiting for the worker."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Facets that lean more than this from each other meet in an edge that is drawn.
_EDGE_DEG = 25.0
_HEAD_BYTES = 84  # 80 of text, then the number of facets
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def body_of_stl(path: Path) -> dict[str, Any]:
    """Binary STL as ``makeViewer`` takes a body: positions, normals, triangles, edges, low, high.

    Raises ValueError for a file that is none.
    """
    data = path.read_bytes()
    count = int.from_bytes(data[_HEAD_BYTES - 4 : _HEAD_BYTES], "little")
    if count < 1 or len(data) != _HEAD_BYTES + count * _FACET.itemsize:
        raise ValueError(f"{path.name} is not a binary STL file")
    corners = np.frombuffer(data, _FACET, count, _HEAD_BYTES)["corners"].astype(float)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    normals = np.divide(across, length, out=np.zeros_like(across), where=length > 0)
    points = corners.reshape(-1, 3)
    return {
        "positions": _text(points, "<f4"),
        "normals": _text(np.repeat(normals, 3, axis=0), "<f4"),
        "triangles": _text(np.arange(len(points)), "<u4"),
        "edges": [{"points": _text(line, "<f4")} for line in _edges(points, normals)],
        "low": points.min(axis=0).round(6).tolist(),
        "high": points.max(axis=0).round(6).tolist(),
    }


def _edges(points: NDArray[np.float64], normals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lines (n, 2, 3) where two facets lean from each other."""
    _, vertex = np.unique(points.round(5), axis=0, return_inverse=True)
    ends = vertex.reshape(-1, 3)
    sides = np.concatenate([ends[:, [0, 1]], ends[:, [1, 2]], ends[:, [2, 0]]])
    facet = np.tile(np.arange(len(ends)), 3)
    first = points.reshape(-1, 3, 3)
    start = np.concatenate([first[:, 0], first[:, 1], first[:, 2]])
    stop = np.concatenate([first[:, 1], first[:, 2], first[:, 0]])
    order = np.lexsort(np.sort(sides, axis=1).T)
    keys = np.sort(sides, axis=1)[order]
    pair = np.flatnonzero((keys[1:] == keys[:-1]).all(axis=1))
    a, b = order[pair], order[pair + 1]
    lean = (normals[facet[a]] * normals[facet[b]]).sum(axis=1) < np.cos(np.radians(_EDGE_DEG))
    return np.stack([start[a[lean]], stop[a[lean]]], axis=1)


def _text(values: NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, kind).tobytes()).decode("ascii")
