"""A picture of a part in numpy: faces in flat colours, shaded, with dark lines where faces meet."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.part import Part

_PIXELS = 620
_BACK = np.array([255, 255, 255])
_EDGE = np.array([30, 30, 30])


def picture(part: Part, colours: Mapping[int, tuple[int, int, int]]) -> Any:
    """Pixels (h, w, 3) uint8: the part from above its working side, and from below, side by side.

    ``colours`` gives each logical face its colour.
    """
    views = [(1.0, -1.4, 1.1), (-1.2, 1.0, -1.1)]
    return np.hstack([_view(part, colours, np.array(v)) for v in views])


def _view(part: Part, colours: Mapping[int, tuple[int, int, int]], towards: Any) -> Any:
    towards = towards / np.linalg.norm(towards)
    right = np.cross([0.0, 0.0, 1.0], towards)
    right /= np.linalg.norm(right)
    eye = np.array([right, np.cross(towards, right), towards])
    corners = (part.frame.local(part.mesh.vertices) @ eye.T)[part.mesh.triangles]
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    scale = 0.94 * _PIXELS / float(np.max(high[:2] - low[:2]))
    corners = (corners - (low + high) / 2) * scale + _PIXELS / 2
    depth = np.full((_PIXELS, _PIXELS), -np.inf)
    owner = np.full((_PIXELS, _PIXELS), -1)
    light = np.zeros((_PIXELS, _PIXELS))
    for triangle, face in zip(corners, part.mesh.face_ids, strict=True):
        _draw(triangle, int(face), depth, owner, light)
    table = np.array([colours[f.id] for f in part.faces], float)
    image = np.where((owner >= 0)[..., None], table[owner] * light[..., None], _BACK)
    changes = np.zeros(owner.shape, bool)
    changes[1:] |= owner[1:] != owner[:-1]
    changes[:, 1:] |= owner[:, 1:] != owner[:, :-1]
    image[changes] = _EDGE
    return image[::-1].astype(np.uint8)


def _draw(t: Any, face: int, depth: Any, owner: Any, light: Any) -> None:
    normal = np.cross(t[1] - t[0], t[2] - t[0])
    size = float(np.linalg.norm(normal))
    if normal[2] <= 1e-9 * size or size == 0:
        return  # turned away, or edge-on
    x0, y0 = np.floor(t[:, :2].min(axis=0)).astype(int).clip(0)
    x1, y1 = np.ceil(t[:, :2].max(axis=0)).astype(int) + 1
    y, x = np.mgrid[y0 : min(y1, _PIXELS), x0 : min(x1, _PIXELS)]
    px, py = x + 0.5 - t[0, 0], y + 0.5 - t[0, 1]
    (ax, ay), (bx, by) = t[1, :2] - t[0, :2], t[2, :2] - t[0, :2]
    u, v = (px * by - py * bx) / normal[2], (py * ax - px * ay) / normal[2]
    z = t[0, 2] + u * (t[1, 2] - t[0, 2]) + v * (t[2, 2] - t[0, 2])
    cell = np.s_[y0 : min(y1, _PIXELS), x0 : min(x1, _PIXELS)]
    seen = (u >= 0) & (v >= 0) & (u + v <= 1) & (z > depth[cell])
    depth[cell][seen], owner[cell][seen] = z[seen], face
    light[cell][seen] = 0.55 + 0.45 * normal[2] / size


def write_png(pixels: Any, path: Path) -> None:
    """Writes pixels (h, w, 3) uint8 as PNG (ISO/IEC 15948)."""
    height, width, _ = pixels.shape
    rows = b"".join(b"\0" + row.tobytes() for row in pixels)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
