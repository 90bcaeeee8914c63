"""Threads that are modelled: helical flanks cut into a bore."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Edge
from featurize.brep.surfaces import Array, Cylinder, Freeform, orthonormal_basis
from featurize.recognise.scene import Scene

# Flanks lie between the bore and this many times its radius (coarse M1.6: 1.31).
_BAND = 1.4
# A helix holds its pitch within this share.
_STRAIGHT = 0.03
# Shorter than this share of a turn an edge tells no pitch.
_LEAST_TURN = 0.5


@dataclass(frozen=True)
class ModelledThread:
    """``faces`` are flanks, roots and run-outs; the ``bore`` they are cut into is not among them."""

    bore: int
    faces: tuple[int, ...]
    major_mm: float
    pitch_mm: float
    left_hand: bool

    @property
    def text(self) -> str:
        """The size as a designation would name it."""
        hand = " LH" if self.left_hand else ""
        return f"M{round(self.major_mm, 1):g}x{round(self.pitch_mm, 2):g}{hand}"


def modelled_threads(scene: Scene, bores: Sequence[int]) -> list[ModelledThread]:
    """The modelled thread of each bore that has one, the narrowest bores first."""
    found: list[ModelledThread] = []
    taken: set[int] = set()
    for bore in sorted(bores, key=lambda f: (_cylinder(scene, f).radius_mm, f)):
        if bore in taken:
            continue
        thread = _thread(scene, bore)
        if thread is not None:
            found.append(thread)
            taken |= set(thread.faces)
    return found


def _cylinder(scene: Scene, f: int) -> Cylinder:
    s = scene.face(f).surface
    assert isinstance(s, Cylinder)
    return s


def _thread(scene: Scene, bore: int) -> ModelledThread | None:
    s = _cylinder(scene, bore)
    members, stack = {bore}, [bore]
    while stack:
        for other in (scene.part.across(stack.pop()) & scene.free) - members:
            radii = _radii(scene.vertices(other), s)
            in_band = radii.min() > s.radius_mm - tol.VOID_MM and radii.max() < _BAND * s.radius_mm
            # The bore itself continues as a cylinder; everything else in the band is the thread.
            if in_band and not _same_bore(scene, other, s):
                members.add(other)
                stack.append(other)
    members.discard(bore)
    if not any(isinstance(scene.face(f).surface, Freeform) for f in members):
        return None
    pitches = [p for f in sorted(members) for e in scene.part.edges_of(f) if (p := _pitch(e, s)) is not None]
    if not pitches:
        return None
    pitch = float(np.median(pitches))
    major = 2 * max(float(_radii(scene.vertices(f), s).max()) for f in members)
    return ModelledThread(bore, tuple(sorted(members)), major, abs(pitch), pitch < 0)


def _same_bore(scene: Scene, f: int, s: Cylinder) -> bool:
    t = scene.face(f).surface
    return isinstance(t, Cylinder) and abs(t.radius_mm - s.radius_mm) < tol.SURFACE_MM


def _radii(points: Array, s: Cylinder) -> Array:
    offsets = points - s.origin
    return np.asarray(np.linalg.norm(offsets - np.outer(offsets @ s.axis, s.axis), axis=1))


def _pitch(e: Edge, s: Cylinder) -> float | None:
    """Rise for each turn of an edge about the bore, positive right-handed; None if it is no helix."""
    offsets = e.points - s.origin
    u, v, _ = orthonormal_basis(s.axis)
    turns = np.unwrap(np.arctan2(offsets @ v, offsets @ u)) / (2 * np.pi)
    rise = offsets @ s.axis
    if abs(turns[-1] - turns[0]) < _LEAST_TURN:
        return None
    slope, start = np.polyfit(turns, rise, 1)
    if abs(slope) < tol.VOID_MM or np.max(np.abs(start + slope * turns - rise)) > _STRAIGHT * abs(slope):
        return None
    return float(slope)
