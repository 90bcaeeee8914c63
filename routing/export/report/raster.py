"""Pictures of parts with so many faces that removing hidden lines takes too long: pixels, and edges."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from featurize.brep.surfaces import Array
from routing.export.palette import colours, rgb
from routing.export.report.drawing import Item, Raster, Words
from routing.export.report.inked import ROOM_MM, Label
from routing.export.report.render import Shot, areas, middle_of, shoot, visible
from routing.export.viewer.mesh import ViewMesh
from routing.processes.rooms import signs

Bytes = NDArray[np.uint8]

# Pixels on a millimetre of paper: 254 to the inch.
DENSITY = 10.0
_SHADES = 8
_HATCH, _HATCH_LINE = 10.0, 1.7  # pixels from line to line, and of a line


def shot_of(mesh: ViewMesh, axes: Array, width_mm: float, height_mm: float, scale: float | None) -> Shot:
    size = (round(width_mm * DENSITY), round(height_mm * DENSITY))
    return shoot(mesh, axes, size, None if scale is None else scale * DENSITY)


def shaded(shot: Shot, keys: Sequence[str], width_mm: float, height_mm: float) -> Item:
    """``keys`` are the palette keys of the mesh's faces."""
    every = tuple(colours())
    index = np.array([every.index(key) for key in keys] + [len(every)], np.uint8)
    return Raster(0, 0, width_mm, height_mm, _png(index[shot.faces], shot.light))


def lines(shot: Shot, mesh: ViewMesh, height_mm: float) -> list[tuple[int, Array]]:
    """Edge by its place, and the seen stretches (n, 2) of it on paper."""
    return [
        (edge.place, stretch / DENSITY * [1, -1] + [0, height_mm])
        for edge, stretches in zip(mesh.edges, visible(shot, mesh.edges), strict=True)
        for stretch in stretches
    ]


def _png(keys: Bytes, light: Array) -> bytes:
    """An indexed PNG: a shade of the process's colour, its hatch in a darker one."""
    from PIL import Image

    shade = np.clip(light * _SHADES, 0, _SHADES - 1).astype(np.uint8)
    index = (keys * _SHADES + shade) * 2 + _hatched(keys)
    count = len(colours())
    index[keys == count] = 2 * _SHADES * count
    image = Image.fromarray(index, "P")
    image.putpalette(_palette())
    made = io.BytesIO()
    image.save(made, "PNG", compress_level=6)
    return made.getvalue()


def _palette() -> list[int]:
    found: list[int] = []
    for key in colours():
        own = np.array(rgb(key))
        for n in range(_SHADES):
            share = (n + 1) / _SHADES
            ground = (own * 0.40 + 0.60) * (0.62 + 0.38 * share)
            found += [*(ground * 255).astype(int).tolist(), *(own * 0.62 * 255).astype(int).tolist()]
    return [*found, 255, 255, 255]


def _hatched(keys: Bytes) -> Bytes:
    """1 on the hatch of each process: it tells them apart without colour."""
    found = np.zeros(keys.shape, np.uint8)
    every = tuple(colours())
    present = np.bincount(keys.ravel(), minlength=len(every)) > 0
    for key, sign in signs().items():
        if not present[every.index(key)]:
            continue
        y, x = np.nonzero(keys == every.index(key))
        for turn in np.radians(sign.hatch_deg):
            across = x * np.sin(turn) + y * np.cos(turn)  # rows run down the paper
            dark = across % _HATCH < _HATCH_LINE
            found[y[dark], x[dark]] = 1
    return found


def named(shot: Shot, features: Sequence[str], names: Mapping[str, str], height_mm: float) -> list[Label]:
    """Words for each feature that is seen, in the widest place of it; ``features`` are those of the faces."""
    of = np.array([*(list(names).index(f) if f in names else -1 for f in features), -1])
    owner = of[shot.faces][::3, ::3]
    size = areas(shot)
    found = []
    for n, (feature, text) in enumerate(names.items()):
        mask = owner == n
        if mask.sum() < 6:
            continue
        (x, y), depth = middle_of(mask)
        words = Words(
            (3 * x + 1.5) / DENSITY,
            height_mm - (3 * y + 1.5) / DENSITY - 0.8,
            text,
            6.5,
            "middle",
            boxed=True,
        )
        area = sum(size.get(i, 0) for i, f in enumerate(features) if f == feature)
        # A small one is named beside it, not hidden by its own name.
        found.append(Label(words, float(area), 0.0 if 3 * depth / DENSITY > ROOM_MM else 4.5))
    return found
