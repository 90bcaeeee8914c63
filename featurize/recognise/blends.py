"""Rounds and fillets written as free surfaces: variable radii, and what exporters approximate.

A ball that rolls along two faces touches both square to them: from a point where the blend meets one
face to the point opposite, ``p_a - p_b = r (n_a - n_b)`` with the outward normals of the two faces, and
r positive where the material is inside the curve. A free surface that keeps to this between two faces
it runs smoothly into is a blend; r may change along it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge
from featurize.brep.surfaces import Array, Freeform
from featurize.brep.surfaces_at import normals_at
from featurize.recognise.scene import Scene

# How far a chord may be off, as a share of itself: a radius that changes tilts the section it lies in.
_OFF = 0.05
# ... on this share of the blend: its ends may be trimmed askew.
_SHARE = 0.7
# ... and one side may be this much shorter.
_SHORTER = 0.4
# Points compared along each side.
_POINTS = 65
# Less than this turn (as a length of n_a - n_b, about 6 deg) is no edge that was broken.
_LEAST_TURN = 0.1


@dataclass(frozen=True)
class Blend:
    """Radii at the narrowest and the widest place; ``hollow`` for a fillet in an inward corner."""

    supports: tuple[int, int]
    least_mm: float
    most_mm: float
    hollow: bool


def blend_of(scene: Scene, f: int) -> Blend | None:
    """What a free surface rounds off, or None when it is no such thing."""
    if not isinstance(scene.face(f).surface, Freeform):
        return None
    return scene.kept(("blend", f), lambda: _find(scene, f))


def _find(scene: Scene, f: int) -> Blend | None:
    beside: dict[int, list[Edge]] = {}
    for e in scene.part.edges_of(f):
        other = e.faces[0] if e.faces[1] == f else e.faces[1]
        if e.convexity == Convexity.TANGENT and not isinstance(scene.face(other).surface, Freeform):
            beside.setdefault(other, []).append(e)
    length = {o: round(sum(e.length_mm for e in edges), 6) for o, edges in beside.items()}
    longest = sorted(beside, key=lambda o: (-length[o], o))[:2]
    if len(longest) < 2:
        return None
    a, b = longest
    radii = _radii(scene, a, b, beside)
    if radii is None and length[b] > _SHORTER * length[a]:  # walls at its ends may shorten one side
        radii = _radii(scene, b, a, beside)
    if radii is None:
        return None
    sizes = np.abs(radii)
    return Blend((a, b), float(sizes.min()), float(sizes.max()), hollow=bool(radii[0] < 0))


def _radii(scene: Scene, a: int, b: int, beside: dict[int, list[Edge]]) -> Array | None:
    """The signed radius (n,) along the blend; None where no ball fits."""
    p_a, p_b = (np.vstack([_thinned(e.points, len(beside[o])) for e in beside[o]]) for o in (a, b))
    n_a, n_b = normals_at(scene.face(a).surface, p_a), normals_at(scene.face(b).surface, p_b)
    if n_a is None or n_b is None:
        return None
    chords, turns = p_a[:, None] - p_b[None], n_a[:, None] - n_b[None]
    size = np.linalg.norm(turns, axis=2)
    if float(size.min()) < _LEAST_TURN:
        return None
    radii = np.sum(chords * turns, axis=2) / size**2
    rest = chords - radii[..., None] * turns
    # The opposite point may lie between two that are compared: half a step along the edge is free.
    steps = np.vstack([np.gradient(_thinned(e.points, len(beside[b])), axis=0) for e in beside[b]])
    along = np.sum(rest * steps, axis=2) / np.maximum(np.sum(steps * steps, axis=1), tol.LENGTH_MM**2)
    off = np.linalg.norm(rest - np.clip(along, -0.5, 0.5)[..., None] * steps, axis=2)
    off /= np.maximum(np.linalg.norm(chords, axis=2), tol.LENGTH_MM)
    # Each point's opposite is the one that fits a ball best; at an end it may lie beyond the edge.
    best = off.argmin(axis=1)
    rows = np.arange(len(p_a))
    fits = off[rows, best] < _OFF
    if float(fits.mean()) < _SHARE:
        return None
    radii = radii[rows, best][fits]
    same_way = np.all(radii > 0) or np.all(radii < 0)
    return np.asarray(radii) if same_way and float(np.min(np.abs(radii))) > tol.LENGTH_MM else None


def _thinned(points: Array, pieces: int) -> Array:
    """One of several pieces of an edge (n, 3) as evenly many points as all need together."""
    at = np.linspace(0, len(points) - 1, max(3, _POINTS // pieces))
    return np.column_stack([np.interp(at, np.arange(len(points)), points[:, k]) for k in range(3)])
