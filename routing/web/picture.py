"""A small picture of a part for the list of jobs: its triangles, the farthest first, each in its own grey."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageDraw

if TYPE_CHECKING:
    from routing.export.viewer.mesh import ViewMesh

_SIZE = (144, 108)
_FINER = 3  # drawn this much larger, then shrunk: smooth borders
# From the corner of +x, -y and +z, as the page's first view.
_TO_EYE = np.array([1.0, -1.0, 1.0]) / np.sqrt(3.0)
_ACROSS = np.array([1.0, 1.0, 0.0]) / np.sqrt(2.0)
_UP = np.cross(_TO_EYE, _ACROSS)
_LIGHT = np.array([0.25, -0.45, 0.86])
_PAPER, _DARK, _BRIGHT = 255, 96, 226


def write_picture(mesh: ViewMesh, path: Path) -> None:
    """PNG, 144 x 108 pixels, isometric."""
    corners = mesh.positions[mesh.triangles]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    normals = np.divide(across, length, out=np.zeros_like(across), where=length > 0)
    seen = normals @ _TO_EYE > 0
    corners, normals = corners[seen], normals[seen]
    flat = np.stack([corners @ _ACROSS, -(corners @ _UP)], axis=-1)
    wide, high = (side * _FINER for side in _SIZE)
    low, span = flat.min(axis=(0, 1)), np.ptp(flat.reshape(-1, 2), axis=0)
    scale = 0.92 * min(wide / max(span[0], 1e-9), high / max(span[1], 1e-9))
    placed = (flat - low - span / 2) * scale + (wide / 2, high / 2)
    light = np.clip(normals @ (_LIGHT / np.linalg.norm(_LIGHT)), 0.0, 1.0)
    greys = np.rint(_DARK + (_BRIGHT - _DARK) * light).astype(int)
    image = Image.new("LA", (wide, high), (_PAPER, 0))
    pen = ImageDraw.Draw(image)
    for n in np.argsort((corners @ _TO_EYE).mean(axis=1)):
        pen.polygon([tuple(p) for p in placed[n]], fill=(int(greys[n]), 255), outline=(int(greys[n]), 255))
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}")
    image.resize(_SIZE, Image.Resampling.LANCZOS).save(half, "PNG")
    half.replace(path)
