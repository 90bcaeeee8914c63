"""Whether a file may be the next drawing of an earlier job: by what it is called and by its shape."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from routing.web.records import Job, State

_Parts = Sequence[Mapping[str, Any]]
# What a name says of its own issue, at its end: rev B, r2, v3, issue 4, index c, (1), copy, a date.
_ISSUE = re.compile(
    r"(?:\s*\(\d+\)|[\s_.-]+(?:(?:rev(?:ision)?|issue|index|idx|ver(?:sion)?|v|r)[\s_.-]*[a-z0-9]{1,2}"
    r"|copy|new|final|20\d\d[-_]?\d\d[-_]?\d\d))+$"
)
# As far as drawings of one part differ from each other: each side of the box, the volume, the faces.
_SIDE, _VOLUME, _FACES = 0.2, 0.35, 0.35
# Shapes as near as this are proposed under any name.
_SIDE_NEAR, _VOLUME_NEAR = 0.02, 0.05


def stem_of(name: str) -> str:
    """A file's name without what tells one issue of it from another."""
    bare = re.sub(r"\.(step|stp|p21)$", "", name.casefold())
    return _ISSUE.sub("", bare).strip(" _.-") or bare


def similar_to(job: Job, others: Iterable[Job]) -> dict[str, Any]:
    """The earlier job that this one is most like, with a finished revision, and in what; empty for none.

    ``why`` is "file" for the very same bytes, "name and shape", "name" or "shape".
    """
    best: tuple[int, dict[str, Any]] = (0, {})
    for other in others:  # the latest first: among equals it wins
        done = [r for r in other.revisions if r.state is State.DONE]
        if other.id == job.id or other.created > job.created or not done:
            continue
        rank, why = _likeness(job, other)
        if rank > best[0]:
            best = rank, {"job": other.id, "name": other.name, "number": done[-1].number, "why": why}
    return best[1]


def _likeness(job: Job, other: Job) -> tuple[int, str]:
    if job.sha256 == other.sha256:
        return 4, "file"
    named = stem_of(job.name) == stem_of(other.name)
    if named and _are_near(job.parts, other.parts, _SIDE, _VOLUME):
        return 3, "name and shape"
    if _are_near(job.parts, other.parts, _SIDE_NEAR, _VOLUME_NEAR):
        return 2, "shape"
    return (1, "name") if named and not _shapes(other.parts) else (0, "")


def _shapes(parts: _Parts) -> list[Mapping[str, Any]]:
    return [p["shape"] for p in parts if "shape" in p]


def _are_near(
    a: Sequence[Mapping[str, Any]], b: Sequence[Mapping[str, Any]], side: float, volume: float
) -> bool:
    one, other = _shapes(a), _shapes(b)
    if not one or len(one) != len(other):
        return False
    return all(
        all(_near(x, y, side) for x, y in zip(p["box_mm"], q["box_mm"], strict=True))
        and _near(p["volume_mm3"], q["volume_mm3"], volume)
        and _near(p["faces"], q["faces"], _FACES)
        for p, q in zip(one, other, strict=True)
    )


def _near(a: float, b: float, share: float) -> bool:
    return abs(a - b) <= share * max(abs(a), abs(b))
