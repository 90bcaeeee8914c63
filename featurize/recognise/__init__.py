"""Recognition: a part's faces, each in exactly one feature.

Each family is a module of this package with ``ORDER`` and ``find(scene)``; families are asked in that
order, each over the faces the earlier ones left. To add one, add its module.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from types import ModuleType

import numpy as np

from featurize.brep.frame import Frame
from featurize.brep.part import Part
from featurize.brep.surfaces import Array
from featurize.feature import Callout, Feature, Kind, Role, Vec3
from featurize.kept import kept_with
from featurize.recognise.callouts import with_callouts
from featurize.recognise.scene import Scene
from featurize.recognise.sides import GIVEN, SideChoice, Turned, likeliest, weighed
from featurize.recognise.threads import PLAIN, settle_threads


@cache
def _built_in() -> tuple[ModuleType, ...]:
    names = [info.name for info in pkgutil.iter_modules(__path__)]
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    return tuple(m for m in modules if hasattr(m, "ORDER"))


_ADDED: list[ModuleType] = []


def families() -> tuple[ModuleType, ...]:
    """Every feature family, first to be asked first."""
    return tuple(sorted((*_built_in(), *_ADDED), key=lambda m: int(m.ORDER)))


@contextmanager
def added(family: ModuleType) -> Iterator[None]:
    """Another family, asked within a ``with``."""
    _ADDED.append(family)
    try:
        yield
    finally:
        _ADDED.remove(family)


@dataclass(frozen=True, eq=False)
class Recognition:
    """``part.frame`` has +z on the working side; features are numbered alike whichever side that is."""

    part: Part
    features: tuple[Feature, ...]
    sides: SideChoice


def recognise(
    part: Part,
    *,
    working_side: str | Array | None = None,
    threads: Mapping[str, str] | None = None,
    callouts: Sequence[Callout] = (),
    colours: Sequence[Vec3 | None] = (),
    thread_colours: Mapping[str, str] | None = None,
) -> Recognition:
    """All features of a part.

    ``working_side``: a side label of the part's own frame or a direction (3,) in model coordinates;
    ``threads``: feature id, diameter in mm or "all" to a designation such as "M5" or "plain";
    ``callouts``: what the file asks of faces, by their places in the solid as read; ``colours``: the
    faces' colours (sRGB, 0 to 1) by the same places; ``thread_colours``: what a colour "#rrggbb" is declared
    to mean: a designation, "thread" or "plain".
    """
    asked = _Asked(part.frame, threads or {}, callouts, colours, thread_colours or {})
    memo: dict[object, object] = {}
    if working_side is not None:
        direction = part.frame.direction(working_side) if isinstance(working_side, str) else working_side
        part = _stood_on(part, direction)
        return Recognition(part, _with_threads(part, _find_all(part, asked, memo), asked), GIVEN)
    bare = _find_all(part, asked, memo)
    features = _with_threads(part, bare, asked)
    up = was = part.frame.direction(likeliest(part, features))
    silent = features
    if threads:  # a person's answers may turn the part: then it is said
        silent = _with_threads(part, bare, replace(asked, threads={}))
        was = part.frame.direction(likeliest(part, silent))
    answers = _answers([f for f, g in zip(features, silent, strict=True) if f.thread != g.thread])
    if part.frame.side_of(up) != "+z":
        part = _stood_on(part, up)
        features = _with_threads(part, _find_all(part, asked, memo), asked)
    before = part.frame.side_of(was)
    turned = Turned(before, answers) if before is not None and before != "+z" else None
    return Recognition(part, features, weighed(part, features, turned))


def _answers(holes: Sequence[Feature]) -> tuple[str, ...]:
    """ "M8 for F07, F08" and the like."""
    found: dict[str, list[str]] = {}
    for hole in holes:
        found.setdefault(hole.thread.designation or "" if hole.thread else PLAIN, []).append(hole.id)
    return tuple(f"{answer} for {', '.join(ids)}" for answer, ids in found.items())


@dataclass(frozen=True)
class _Asked:
    """What of ``recognise`` does not depend on how the part stands.

    Features are numbered in the frame ``built``, so that no answer gives them other numbers.
    """

    built: Frame
    threads: Mapping[str, str]
    callouts: Sequence[Callout]
    colours: Sequence[Vec3 | None]
    thread_colours: Mapping[str, str]


def _find_all(part: Part, asked: _Asked, memo: dict[object, object]) -> tuple[Feature, ...]:
    """Every feature, threads unsettled; kept with the part, so that an answer about threads asks no more."""
    key = families(), _name(asked.built), tuple(asked.callouts)
    return kept_with(part, key, lambda: _find(part, asked, memo))


def _find(part: Part, asked: _Asked, memo: dict[object, object]) -> tuple[Feature, ...]:
    scene = Scene(part, frozenset(f.id for f in part.faces), memo=memo)
    for family in families():
        found = tuple(family.find(scene))
        taken = {f for feature in found for f in feature.faces}
        assert taken <= scene.free, family.__name__
        assert sum(len(f.faces) for f in found) == len(taken), family.__name__
        scene = Scene(part, scene.free - taken, scene.found + found, memo, scene.here)
    left = tuple(
        Feature(
            id="",
            kind=Kind.UNASSIGNED,
            faces=(f,),
            roles={f: Role.FACE},
            evidence=("no family takes this face",),
            confidence=0.0,
        )
        for f in sorted(scene.free)
    )
    return with_callouts(part, _numbered(part, asked.built, scene.found + left), asked.callouts)


def _numbered(part: Part, frame: Frame, features: tuple[Feature, ...]) -> tuple[Feature, ...]:
    """Ids in an order that only geometry decides: kind, then place in a frame."""
    kinds = list(Kind)

    def key(f: Feature) -> tuple[float, ...]:
        centre = np.mean([frame.local(part.faces[i].centroid) for i in f.faces], axis=0)
        return (kinds.index(f.kind), *(round(float(c), 2) for c in centre[[2, 0, 1]]), *f.faces)

    ordered = sorted(features, key=key)
    return tuple(f.but(id=f"F{n:02d}") for n, f in enumerate(ordered, 1))


def _with_threads(part: Part, features: tuple[Feature, ...], asked: _Asked) -> tuple[Feature, ...]:
    from featurize.recognise.colours import signs

    holes_ = [f for f in features if f.kind == Kind.HOLE]
    shown = signs(part, holes_, asked.colours, asked.thread_colours)
    changed = {f.id: f for f in settle_threads(holes_, asked.threads, shown)}
    return tuple(changed.get(f.id, f) for f in features)


def _stood_on(part: Part, up: Array) -> Part:
    """The part with z along the axis of its frame nearest to a direction, in its sense; one for a frame."""
    frame = part.frame.stood_on(part.mesh.vertices, up)
    return kept_with(part, ("stood", _name(frame)), lambda: part.in_frame(frame))


def _name(frame: Frame) -> tuple[bytes, bytes]:
    return frame.origin.tobytes(), frame.axes.tobytes()
