"""Light healing: only what is broken is touched, and everything done is said.

Each repair keeps, for each face it leaves, the place of the face as read that it came from.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Sewing
from OCP.BRepCheck import BRepCheck_Analyzer, BRepCheck_Status
from OCP.BRepClass3d import BRepClass3d
from OCP.BRepLib import BRepLib
from OCP.ShapeFix import ShapeFix_Shape
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS, TopoDS_Compound

from featurize import tolerances as tol
from featurize.brep.shapes import (
    FACE,
    SHELL,
    SOLID,
    Gap,
    area_and_centre,
    centroid,
    each,
    free_edges,
    mapped,
    plural,
    volume_mm3,
    widest_gap,
)
from featurize.step.fit import widest_misfit
from featurize.step.notes import REPAIRED, SEWN, TURNED, ReadNote, blocking, note

# Gaps are closed with the finest of these that does it, so that small real edges survive.
_SEWING_STEPS_MM = (tol.LENGTH_MM, tol.LENGTH_MM * 10, tol.SURFACE_MM)
# Healing that changes the volume by more than this share is told.
_VOLUME_SHARE = 1e-4


@dataclass(frozen=True, eq=False)
class WorkingBody:
    """A solid on its way through healing.

    ``as_read`` are its faces before healing; ``source_faces`` gives for each face of ``solid`` its
    place in ``as_read``. ``notes`` are what was changed and the faults that stayed, ``misfit`` is how far
    edges lie off their faces.
    """

    solid: Any
    as_read: tuple[Any, ...]
    source_faces: tuple[int, ...]
    notes: tuple[ReadNote, ...] = ()
    misfit: Gap = field(default_factory=Gap)

    def noting(self, *notes: ReadNote, **changes: Any) -> WorkingBody:
        """The body with more notes, and with some fields changed."""
        return replace(self, notes=(*self.notes, *notes), **changes)


@dataclass(frozen=True)
class OpenSkin:
    """What could not be closed: its free edges, where it gapes widest, and its faces."""

    edges: int = 0
    gap: Gap = field(default_factory=Gap)
    faces: int = 0

    @classmethod
    def of(cls, shape: Any, faces: int) -> OpenSkin:
        edges = 0 if shape.IsNull() else free_edges(shape)
        return cls(edges, widest_gap(shape) if edges else Gap(), faces)

    def __bool__(self) -> bool:
        return self.edges > 0 or self.faces > 0

    def __add__(self, other: OpenSkin) -> OpenSkin:
        return OpenSkin(self.edges + other.edges, max(self.gap, other.gap), self.faces + other.faces)

    def __str__(self) -> str:
        if not self.edges:
            return plural(self.faces, "face")
        if math.isinf(self.gap.width_mm):
            x, y, z = self.gap.place
            return f"{plural(self.edges, 'free edge')}, at x {x:.3f}, y {y:.3f}, z {z:.3f}"
        return f"{plural(self.edges, 'free edge')}; the widest gap is {self.gap}"


def heal_solid(solid: Any) -> tuple[list[WorkingBody], OpenSkin]:
    """The closed, valid, outward-facing solids (usually one) that a solid gives, and the rest."""
    if free_edges(solid):
        return close([solid])
    faces = tuple(each(solid, FACE))
    if not faces:
        return [], OpenSkin()
    return [_finished(WorkingBody(solid, faces, tuple(range(len(faces)))))], OpenSkin()


def close(skins: Sequence[Any]) -> tuple[list[WorkingBody], OpenSkin]:
    """Solids from open shells or loose faces, and the rest."""
    loose = TopoDS_Compound()
    builder = BRep_Builder()
    builder.MakeCompound(loose)
    for skin in skins:
        builder.Add(loose, skin)
    faces = tuple(each(loose, FACE))
    for gap_mm in _SEWING_STEPS_MM:
        sewing = BRepBuilderAPI_Sewing(gap_mm)
        sewing.Add(loose)
        sewing.Perform()
        sewn = sewing.SewedShape()
        if sewn.IsNull() or not free_edges(sewn):
            break
    noticed = note(
        SEWN, f"open skin of {plural(len(faces), 'face')} closed by sewing gaps up to {gap_mm:g} mm"
    )
    bodies, taken = [], set()  # type: list[WorkingBody], set[int]
    for shell in [] if sewn.IsNull() else each(sewn, SHELL):
        if free_edges(shell):
            continue
        solid = BRepBuilderAPI_MakeSolid(TopoDS.Shell_s(shell)).Solid()
        BRepLib.OrientClosedSolid_s(solid)  # sewing leaves the sense of a skin open
        source = _trace(faces, sewing.ModifiedSubShape, solid)
        own = sorted(set(source))  # the faces as read that this solid came from
        taken.update(own)
        place = {old: new for new, old in enumerate(own)}
        body = WorkingBody(solid, tuple(faces[i] for i in own), tuple(place[i] for i in source), (noticed,))
        bodies.append(_finished(body))
    return bodies, OpenSkin.of(sewn, len(faces) - len(taken))


def _finished(body: WorkingBody) -> WorkingBody:
    body = _outward(_valid(body))
    misfit = widest_misfit(body.solid)
    return body.noting(*_misfits(body.solid, misfit), *_voids(body.solid), misfit=misfit)


def _misfits(solid: Any, gap: Gap) -> Iterator[ReadNote]:
    """Faults that the kernel passes as valid."""
    if gap.width_mm > tol.SURFACE_MM:
        yield blocking("faces-apart", f"edges and faces do not fit together: they are apart {gap}")
    seen = (np.divide(area_and_centre(face), tol.LENGTH_MM) for face in each(solid, FACE))
    copies = Counter(tuple(np.round(numbers).tolist()) for numbers in seen)
    twice = sum(count - 1 for count in copies.values())
    if twice:
        text = f"{plural(twice, 'face')} with the outline of another: doubled, or a wall of no thickness"
        yield blocking("faces-doubled", text)


def _voids(solid: Any) -> Iterator[ReadNote]:
    """Cavities that are closed all round."""
    shells = each(solid, SHELL)
    if len(shells) < 2:
        return
    outer = BRepClass3d.OuterShell_s(solid)
    voids = [(abs(volume_mm3(shell)), centroid(shell)) for shell in shells if not shell.IsSame(outer)]
    largest, (x, y, z) = max(voids)
    yield blocking(
        "closed-void",
        f"{plural(len(voids), 'void')} closed all round, the largest of {largest:.4g} mm3 at x {x:.3f}, "
        f"y {y:.3f}, z {z:.3f}: a cavity that no tool reaches: fill it in the CAD system, or make the part "
        "of two pieces",
    )


def _valid(body: WorkingBody) -> WorkingBody:
    if BRepCheck_Analyzer(body.solid).IsValid():
        return body
    faults = _faults(body.solid)
    fix = ShapeFix_Shape(body.solid)
    fix.SetMaxTolerance(tol.SURFACE_MM)
    fix.Perform()
    fixed = each(fix.Shape(), SOLID)
    if len(fixed) != 1 or free_edges(fixed[0]) or not BRepCheck_Analyzer(fixed[0]).IsValid():
        return body.noting(blocking("faults-left", f"faults that healing did not remove: {faults}"))
    solid = TopoDS.Solid_s(fixed[0])
    before, after = abs(volume_mm3(body.solid)), abs(volume_mm3(solid))
    noticed = note(REPAIRED, f"repaired {faults}")
    if not math.isclose(before, after, rel_tol=_VOLUME_SHARE):
        noticed = blocking(REPAIRED, f"{noticed}; volume {before:.6g} -> {after:.6g} mm3")
    through = _trace(each(body.solid, FACE), fix.Context().Apply, solid)
    source = tuple(body.source_faces[i] for i in through)
    if lost := len(set(body.source_faces) - set(source)):
        noticed = blocking(REPAIRED, f"{noticed}; {plural(lost, 'face')} lost")
    return body.noting(noticed, solid=solid, source_faces=source)


def _outward(body: WorkingBody) -> WorkingBody:
    if volume_mm3(body.solid) >= 0:
        return body
    solid = TopoDS.Solid_s(body.solid.Reversed())  # keeps the order of the faces
    return body.noting(note(TURNED, "inside-out solid turned to face outwards"), solid=solid)


def _trace(before: Sequence[Any], image: Callable[[Any], Any], solid: Any) -> tuple[int, ...]:
    """For each face of ``solid``, the place in ``before`` of the face whose image it is."""
    after = mapped(solid, FACE)
    source = [-1] * after.Extent()
    for i, face in enumerate(before):
        now = image(face)
        for piece in [] if now is None or now.IsNull() else each(now, FACE):
            if place := after.FindIndex(piece):
                source[place - 1] = i
    if -1 in source:  # the kernel lost track of a face: the one that lies nearest stands for it
        centres = [centroid(face) for face in before]
        for j in (j for j, i in enumerate(source) if i < 0):
            here = centroid(after(j + 1))
            source[j] = min(range(len(before)), key=lambda i: math.dist(centres[i], here))
    return tuple(source)


def _faults(solid: Any) -> str:
    """The kernel's findings in words, e.g. "2 self intersecting wires"."""
    analyzer = BRepCheck_Analyzer(solid)
    kinds = ("SOLID", "SHELL", "FACE", "WIRE", "EDGE", "VERTEX")
    found: Counter[str] = Counter()
    for kind in kinds:
        for shape in each(solid, getattr(TopAbs_ShapeEnum, f"TopAbs_{kind}")):
            result = analyzer.Result(shape)
            states = set(result.Status())
            result.InitContextIterator()
            while result.MoreShapeInContext():
                states |= set(result.StatusOnShape())
                result.NextShapeInContext()
            found.update(s.name for s in states if s != BRepCheck_Status.BRepCheck_NoError)
    return (
        ", ".join(f"{count} x {_words(name)}" for name, count in sorted(found.items())) or "an unnamed fault"
    )


def _words(status: str) -> str:
    """ "BRepCheck_SelfIntersectingWire" -> "self intersecting wire"."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", status.partition("_")[2]).lower()
