"""Which convex edges stay sharp, may be broken, or must be.

The rules are common practice in die making, no source: what forms or cuts stays sharp, what hands and
screws touch on the mounting side is broken. The working side is +z of the part's frame.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from featurize import tolerances as tol
from featurize.brep.part import Convexity, Edge, Part
from featurize.brep.runs import EdgeRun, edge_runs
from featurize.feature import Feature, Kind, Role
from routing.processes.flags import Flag, Severity


class Break(StrEnum):
    KEEP_SHARP = "keep sharp"
    MAY_BREAK = "may break"
    MUST_BREAK = "must break"


@dataclass(frozen=True)
class EdgeVerdict:
    """``id`` is "E" and the place in ``Part.edges``; ``faces`` are ids of logical faces.

    ``features`` are those of the two faces; ``asked`` tells that a person chose the verdict, and not the
    rule, which says ``rule``.
    """

    id: str
    faces: tuple[int, int]
    features: tuple[str, str]
    length_mm: float
    verdict: Break
    reason: str
    rule: Break
    asked: bool = False


def made_with(edge: EdgeVerdict, features: Mapping[str, Feature]) -> str:
    """The feature that brings an edge into being: of the two the one that did not come with the blank."""
    return next((f for f in edge.features if not features[f].kind.traits.blank), edge.features[0])


# A chamfer or round belongs to the working side when it faces it by more than 5 degrees.
_FACING = float(np.sin(np.radians(5)))


@dataclass(frozen=True, eq=False)
class _Seen:
    """An edge with the features of its two faces and where it lies."""

    edge: Edge
    features: tuple[Feature, Feature]
    roles: tuple[Role, Role]
    on_top: bool  # lies in the outermost working face
    on_bottom: bool
    facing: bool  # one of its faces looks to the working side

    def has(self, *kinds: Kind) -> bool:
        return any(f.kind in kinds for f in self.features)

    @property
    def is_treated(self) -> bool:
        return any(f.kind.traits.edge_break for f in self.features)

    @property
    def is_hole(self) -> bool:
        return any(f.kind.traits.hole for f in self.features)

    def opens(self, side: str, *, holes: bool = True) -> bool:
        """Whether one of its features is a recess or formed surface open to a side."""
        return any(
            side in f.opens_to and f.kind != Kind.OUTSIDE_FACE and (holes or not f.kind.traits.hole)
            for f in self.features
        )

    @property
    def outside(self) -> bool:
        return all(f.kind.traits.blank for f in self.features)

    @property
    def inside(self) -> bool:
        return self.features[0].id == self.features[1].id


# The first rule that applies decides.
_RULES: tuple[tuple[Callable[[_Seen], bool], Break, str], ...] = (
    (
        lambda e: e.is_treated and (e.on_top or e.facing),
        Break.KEEP_SHARP,
        "bounds a chamfer or round drawn on the working side: make that as drawn, no more",
    ),
    (lambda e: e.is_treated, Break.MAY_BREAK, "already chamfered or rounded in the model"),
    (
        lambda e: e.has(Kind.THREADED_HOLE) and e.on_bottom,
        Break.MUST_BREAK,
        "thread mouth on the mounting side: a burr there lifts the insert off its seat",
    ),
    (
        lambda e: e.has(Kind.THREADED_HOLE) and e.on_top,
        Break.MAY_BREAK,
        "thread mouth on the working side: lightly, no further than the relief",
    ),
    (lambda e: e.is_hole and e.inside, Break.MAY_BREAK, "inside a hole"),
    (lambda e: Role.LAND in e.roles and not e.on_bottom, Break.KEEP_SHARP, "land of an opening"),
    (lambda e: e.on_top, Break.KEEP_SHARP, "bounds the working side"),
    (
        lambda e: e.on_bottom and e.outside,
        Break.MUST_BREAK,
        "handling edge on the mounting side: it cuts hands and keeps the insert from seating",
    ),
    (
        lambda e: e.on_bottom and e.has(Kind.HOLE),
        Break.MUST_BREAK,
        "hole mouth on the mounting side: no burr on the seat",
    ),
    (lambda e: e.on_bottom, Break.MAY_BREAK, "opening on the mounting side"),
    (
        lambda e: e.opens("+z", holes=False) or e.facing,
        Break.KEEP_SHARP,
        "belongs to a form that opens to the working side",
    ),
    (lambda e: e.outside, Break.MAY_BREAK, "outer edge of the blank: unless it locates or forms the contour"),
    (lambda e: True, Break.MAY_BREAK, "neither works nor is handled"),
)


def edge_map(
    part: Part, features: Sequence[Feature], asked: Mapping[str, str] = MappingProxyType({})
) -> list[EdgeVerdict]:
    """A verdict with its reason for every convex edge of the part, in the order of ``Part.edges``.

    ``features`` must cover every face; the part's frame must have +z on the working side. ``asked`` maps
    ids of edges and features, and kinds, to the verdicts that a person chose, which stand.
    """
    owner = {f: feature for feature in features for f in feature.faces}
    run_of = {edge.id: run for run in edge_runs(part) for edge in run.edges} if asked else {}
    verdicts = []
    for edge in part.edges:
        if edge.convexity != Convexity.CONVEX:
            continue
        seen = _see(part, edge, owner)
        rule, why = next((v, why) for applies, v, why in _RULES if applies(seen))
        chosen = _chosen(run_of[edge.id], seen, asked) if asked else None
        a, b = seen.features
        verdicts.append(
            EdgeVerdict(
                f"E{edge.id}",
                edge.faces,
                (a.id, b.id),
                edge.length_mm,
                chosen or rule,
                f"asked for; by function {rule}: {why}" if chosen else why,
                rule,
                asked=chosen is not None,
            )
        )
    return verdicts


def _chosen(run: EdgeRun, seen: _Seen, asked: Mapping[str, str]) -> Break | None:
    """What a person wants of an edge: by its own id, then by its features', then by their kinds.

    Where its two features are to be treated differently the sharper answer stands: an edge that was
    spared can still be broken.
    """
    levels = (
        {f"E{e.id}" for e in run.edges},
        {f.id for f in seen.features},
        {str(f.kind) for f in seen.features},
    )
    for names in levels:
        wanted = {asked[name] for name in names if name in asked}
        if wanted:
            return next(v for v in Break if v in wanted)
    return None


def contradictions(verdicts: Sequence[EdgeVerdict], features: Sequence[Feature]) -> list[Flag]:
    """A warning, with the reason, where a person's choice goes against what an edge is for."""
    kinds = {f.id: f.kind for f in features}
    by_verdict: dict[tuple[str, Break, str], list[EdgeVerdict]] = defaultdict(list)
    for v in verdicts:
        if v.verdict != v.rule and v.rule != Break.MAY_BREAK:
            shaped = (name for name in v.features if not kinds[name].traits.blank)
            by_verdict[next(shaped, v.features[0]), v.verdict, v.reason].append(v)
    return [
        Flag(
            "forced-edge", Severity.WARNING, feature, f"{_listed([v.id for v in same])}: {verdict} was {why}."
        )
        for (feature, verdict, why), same in by_verdict.items()
    ]


def _listed(names: Sequence[str], most: int = 6) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def edge_flags(part: Part, features: Sequence[Feature]) -> list[Flag]:
    """Chamfers and rounds that the model has on the working side."""
    flags = []
    for f in features:
        if not f.kind.traits.edge_break or not any(_faces_up(part, i) for i in f.faces):
            continue
        if f.kind == Kind.CHAMFER:
            code, severity = "chamfer-on-working-side", Severity.WARNING
            width = f.dims.get("width_mm", 0.0)
            text = f"Chamfer of {width:.3g} mm on the working side: ask whether it is meant."
        else:
            code, severity = "round-on-working-side", Severity.NOTE
            text = f"Round of R {f.dims.get('radius_mm', 0.0):.3g} mm on the working side: make it as drawn."
        flags.append(Flag(code, severity, f.id, text))
    return flags


def _see(part: Part, edge: Edge, owner: dict[int, Feature]) -> _Seen:
    a, b = edge.faces
    height = part.frame.local(edge.points)[:, 2]
    return _Seen(
        edge,
        (owner[a], owner[b]),
        (owner[a].roles[a], owner[b].roles[b]),
        on_top=bool(np.all(np.abs(height - part.high[2]) < tol.SURFACE_MM)),
        on_bottom=bool(np.all(np.abs(height - part.low[2]) < tol.SURFACE_MM)),
        facing=_faces_up(part, a) or _faces_up(part, b),
    )


def _faces_up(part: Part, face: int) -> bool:
    """Whether a face looks to the working side, on average."""
    return float(np.mean(part.faces[face].normals @ part.frame.axes[2])) > _FACING
