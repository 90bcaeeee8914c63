"""A feature in regions, each made from one side: what no process makes whole may be made in parts.

A region is judged as a feature of its own: its id is the feature's with a number, "F07.2".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.bores import core_of, from_far
from featurize.feature import Axis, Bore, Feature
from featurize.recognise.scene import vec
from featurize.recognise.thread_bores import is_through
from routing.processes.context import JobContext
from routing.processes.protocol import Verdict


@dataclass(frozen=True)
class Region:
    """``piece`` is the region as a feature, ``words`` name it, "" for the whole.

    ``is_core`` tells the region that stands for the feature.
    """

    feature: Feature
    piece: Feature
    words: str = ""
    is_core: bool = True


def whole(feature: Feature) -> Region:
    return Region(feature, feature)


def splits(job: JobContext, feature: Feature, verdicts: Sequence[Verdict] = ()) -> Iterator[Sequence[Region]]:
    """Ways to split a feature, the simplest first: a through bore in its core and what widens to each mouth;
    any feature in what a process offers to make of it and the rest.
    """
    yield from _by_stages(job, feature)
    yield from offered(job, feature, verdicts)


def offered(job: JobContext, feature: Feature, verdicts: Sequence[Verdict]) -> Iterator[Sequence[Region]]:
    """Ways to split a feature in what a process offers to make of it and the rest; a bore by its stages."""
    for verdict in verdicts:
        if verdict.offers and feature.bores:
            yield from _by_stages(job, feature)
        elif verdict.offers:
            yield _offered(job, feature, verdict.offers)


def _offered(job: JobContext, feature: Feature, faces: Sequence[int]) -> list[Region]:
    """What a process offers to make, and the other faces by the side that they look to."""
    sides: dict[str, list[int]] = {}
    for face in feature.faces:
        if face not in faces:
            seen = job.scene.seen_from([face])
            sides.setdefault(seen[0] if len(seen) == 1 else "", []).append(face)
    found = [Region(feature, _piece(feature, 1, faces, "core"), "core")]
    for n, (side, own) in enumerate(sorted(sides.items()), 2):
        words = f"rest at {side}" if side else "rest"
        piece = _piece(feature, n, own, words).but(opens_to=(side,) if side else feature.opens_to)
        found.append(Region(feature, piece, words, is_core=False))
    return found


def _piece(feature: Feature, number: int, faces: Sequence[int], words: str) -> Feature:
    return feature.but(
        id=f"{feature.id}.{number}",
        faces=tuple(faces),
        roles={f: feature.roles[f] for f in faces},
        callouts=feature.callouts if number == 1 else (),
        text=words,
    )


def _by_stages(job: JobContext, feature: Feature) -> Iterator[Sequence[Region]]:
    if not feature.bores or feature.axis is None or not is_through(feature):
        return
    core = feature.bores.index(core_of(feature))
    count = len(feature.bores)
    if count == 1:
        return
    stage = _stages_of_faces(job, feature)
    threaded = feature.thread is not None
    if threaded and core + 1 < count:
        # A thread's relief is opened from its own mouth with it.
        yield _regions(job, feature, stage, [(0, core + 1), (core + 1, count)], core=0)
    cuts = [(0, core), (core, core + 1), (core + 1, count)]
    places = [cut for cut in cuts if cut[0] < cut[1]]
    yield _regions(job, feature, stage, places, core=places.index((core, core + 1)))


def _stages_of_faces(job: JobContext, feature: Feature) -> Mapping[int, int]:
    """The place in ``feature.bores`` of each face; a level ring between two stages is the wider one's."""
    assert feature.axis is not None
    mouth, out = np.array(feature.axis.origin), np.array(feature.axis.direction)
    found = {}
    for face in feature.faces:
        depths = (mouth - job.cloud([face])) @ out
        low, high = float(depths.min()), float(depths.max())
        if high - low > tol.SURFACE_MM:
            shared = [max(0.0, min(high, b.end_mm) - max(low, b.start_mm)) for b in feature.bores]
            found[face] = int(np.argmax(shared))
            continue
        level = (low + high) / 2
        beside = [
            k
            for k, b in enumerate(feature.bores)
            if b.start_mm - tol.SURFACE_MM <= level <= b.end_mm + tol.SURFACE_MM
        ]
        found[face] = max(
            beside, key=lambda k: max(feature.bores[k].start_diameter_mm, feature.bores[k].end_diameter_mm)
        )
    return found


def _regions(
    job: JobContext,
    feature: Feature,
    stage: Mapping[int, int],
    places: Sequence[tuple[int, int]],
    core: int,
) -> list[Region]:
    """A region for each run of stages (from, to); those beyond the core are seen from the far mouth."""
    assert feature.axis is not None
    out, mouth = np.array(feature.axis.direction), np.array(feature.axis.origin)
    length = feature.bores[-1].end_mm
    far = Axis(vec(mouth - length * out), vec(-out))
    found = []
    for n, (start, stop) in enumerate(places):
        bores, axis, beyond = feature.bores[start:stop], feature.axis, n > core
        if beyond:
            axis = far
            bores = from_far(bores, length)
        side = job.side_name(np.array(axis.direction))
        faces = tuple(f for f in feature.faces if start <= stage[f] < stop)
        words = "core" if n == core else f"{_name(bores)} at {side}"
        opens = feature.opens_to if n == core else tuple(s for s in feature.opens_to if s == side)
        dims = feature.dims if n == core else {"depth_mm": bores[-1].end_mm}
        piece = feature.but(
            id=f"{feature.id}.{n + 1}",
            faces=faces,
            roles={f: feature.roles[f] for f in faces},
            bores=bores,
            axis=axis,
            opens_to=opens,
            dims=dims,
            thread=feature.thread if n == core else None,
            callouts=feature.callouts if n == core else (),
            text=words,
        )
        found.append(Region(feature, piece, words, n == core))
    return found


def _name(bores: Sequence[Bore]) -> str:
    sink = any(not b.is_cylinder for b in bores)
    ring = any(b.is_cylinder for b in bores)
    return "counterbore and sink" if sink and ring else "sink" if sink else "counterbore"
