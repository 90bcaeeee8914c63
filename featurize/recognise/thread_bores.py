"""The bores of a hole that may be threaded: which one carries a thread, and which relieves it."""

from __future__ import annotations

from featurize import tolerances as tol
from featurize.feature import Bore, Feature
from featurize.standards.screws import Screw, seated
from featurize.standards.threads import Match, ThreadSize

# A relief is over the major diameter by at most this share and at most this many pitches deep; anything
# larger seats a screw head (common practice, no source; generous, so that poor reliefs are seen too).
_RELIEF_OVER, _RELIEF_PITCHES = 0.3, 4.0
# Fewer turns than this hold nothing: a bore so short carries no thread.
_LEAST_TURNS = 2.0


def matching_bore(hole: Feature, size: ThreadSize) -> tuple[Bore, Match] | None:
    """The straight bore drawn at the size's tap drill, minor or major diameter, and which of these."""
    for wanted in ("tap drill", "minor", "major"):
        for bore in hole.bores:
            gap, what = size.drawn_at(bore.start_diameter_mm)
            if bore.is_cylinder and gap < tol.SURFACE_MM and what == wanted and _holds(hole, bore, size):
                return bore, what
    # Drills differ between makers: anything inside the minor diameter's limits cuts a good thread.
    low, high = size.minor_limits_mm
    for bore in hole.bores:
        if bore.is_cylinder and low < bore.start_diameter_mm < high and _holds(hole, bore, size):
            return bore, "minor"
    return None


def _holds(hole: Feature, bore: Bore, size: ThreadSize) -> bool:
    """Whether a bore is long enough for a thread and no relief of one."""
    least = _LEAST_TURNS * size.pitch_mm - tol.SURFACE_MM
    return bore.end_mm - bore.start_mm > least and not is_relief_of(hole, bore, size)


def thread_bore(hole: Feature, size: ThreadSize) -> Bore:
    """The bore that carries the thread: the matching one, else the straight bore nearest in diameter."""
    match = matching_bore(hole, size)
    if match:
        return match[0]
    straight = [b for b in hole.bores if b.is_cylinder] or list(hole.bores)
    return min(straight, key=lambda b: abs(b.start_diameter_mm - size.tap_drill_mm))


def relief_bore(hole: Feature, size: ThreadSize) -> Bore | None:
    """The counterbore at the thread's mouth, if it is too small to seat a screw head."""
    carrier = thread_bore(hole, size)
    before = [b for b in hole.bores if b.is_cylinder and b.end_mm <= carrier.start_mm + tol.VOID_MM]
    wider = [b for b in before if b.start_diameter_mm > carrier.start_diameter_mm + tol.SURFACE_MM]
    if not wider:
        return None
    last = max(wider, key=lambda b: b.end_mm)
    return last if last.start_diameter_mm < size.major_mm * (1 + _RELIEF_OVER) else None


def is_through(hole: Feature) -> bool:
    """Whether a hole is open at both ends."""
    return len(hole.opens_to) > 1 or "through" in hole.evidence


def is_pointed(hole: Feature) -> bool:
    """Whether a hole ends in a drill point."""
    return bool(hole.bores) and hole.bores[-1].end_diameter_mm < tol.SURFACE_MM


def screw_seat(hole: Feature) -> Screw | None:
    """The screw whose head sits in a through hole's counterbore, if one does."""
    straight = [b.start_diameter_mm for b in hole.bores if b.is_cylinder]
    if len(straight) != 2 or not is_through(hole):
        return None
    return seated(min(straight), max(straight))


def is_relief_of(hole: Feature, bore: Bore, size: ThreadSize) -> bool:
    """Whether a bore could be the relief of a thread below it."""
    return (
        bore.is_cylinder
        and bore is not hole.bores[-1]
        and size.major_mm - tol.SURFACE_MM < bore.start_diameter_mm < size.major_mm * (1 + _RELIEF_OVER)
        and bore.end_mm - bore.start_mm < _RELIEF_PITCHES * size.pitch_mm - tol.SURFACE_MM
    )


def is_relieved(hole: Feature, carrier: Bore, size: ThreadSize) -> bool:
    return any(is_relief_of(hole, b, size) and b.end_mm <= carrier.start_mm + tol.VOID_MM for b in hole.bores)


def too_narrow_mm(hole: Feature, carrier: Bore, size: ThreadSize) -> float | None:
    """Diameter of the counterbore over a bore that is wider than the bore and narrower than the thread."""
    least, most = carrier.start_diameter_mm + tol.SURFACE_MM, size.major_mm - tol.SURFACE_MM
    over = [b for b in hole.bores if b.is_cylinder and b.end_mm <= carrier.start_mm + tol.VOID_MM]
    return next((b.start_diameter_mm for b in over if least < b.start_diameter_mm < most), None)
