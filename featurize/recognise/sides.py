"""Which side works and which is mounted, with the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from featurize.feature import Feature, Kind


@dataclass(frozen=True)
class SideChoice:
    """``working`` and ``mounting`` are side labels of the frame the part had when they were chosen.

    After :func:`featurize.recognise.recognise` they are always "+z" and "-z".
    """

    working: str
    mounting: str
    confidence: float
    evidence: tuple[str, ...]


def _in_a_face(f: Feature) -> bool:
    """Whether a feature is a ring groove in a face; one about a shaft opens all round."""
    return f.kind == Kind.GROOVE and len(f.opens_to) == 1


def choose_sides(features: Sequence[Feature]) -> SideChoice:
    """Votes along the thickness: each feature that tells the sides apart speaks for one of them.

    Weights are common practice, no source: threads and counterbored holes are for screws from below, an
    opening's land and every recess with a shaped floor belong to the working side.
    """
    score = {"+z": 0.0, "-z": 0.0}
    reasons: list[str] = []

    def vote(side: str, weight: float, why: str) -> None:
        if side in score:
            score[side] += weight
            reasons.append(f"{why} speaks for {side} as the working side")

    for f in features:
        up = next((s for s in f.opens_to if s in score), None)
        if up is None:
            continue
        down = "-z" if up == "+z" else "+z"
        if f.kind == Kind.THREADED_HOLE:
            vote(down, 3.0, "a thread opening to the other side")
        elif f.kind == Kind.HOLE and len(f.opens_to) == 1:
            vote(down, 1.0, "a blind hole opening to the other side")
        elif f.kind == Kind.HOLE and ("counterbore_depth_mm" in f.dims or "countersink_angle_deg" in f.dims):
            vote(down, 0.5, "a counterbored hole opening to the other side")
        elif f.kind == Kind.THROUGH_PROFILE and f.dims.get("taper_deg", 0.0) > 0:
            vote(up, 3.0, "the land of an opening")
        elif f.kind == Kind.CONTOURED_SURFACE:
            vote(up, 2.5, "a contoured surface")
        elif f.kind in (Kind.POCKET, Kind.SLOT, Kind.BLIND_SLOT) or _in_a_face(f):
            vote(up, 1.0, f"a {f.kind}")
        elif f.kind in (Kind.RIB, Kind.BOSS, Kind.STEP, Kind.BLIND_STEP):
            vote(up, 0.5, f"a {f.kind}")
        elif f.kind == Kind.CHAMFER:
            vote(down, 0.25, "a chamfer on the other side")
    total = score["+z"] + score["-z"]
    working = "+z" if score["+z"] >= score["-z"] else "-z"
    confidence = 0.5 if total <= 0 else max(score.values()) / total
    if total <= 0:
        reasons = ["nothing tells the two sides apart"]
    return SideChoice(
        working, "-z" if working == "+z" else "+z", round(confidence, 3), tuple(dict.fromkeys(reasons))
    )
