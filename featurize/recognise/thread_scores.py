"""How likely a hole stands for each thread: evidence as points of a score card.

The points are common practice, no source; they add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from featurize import tolerances as tol
from featurize.feature import Feature
from featurize.recognise.colours import ColourSign
from featurize.recognise.thread_bores import (
    is_pointed,
    is_relieved,
    is_through,
    matching_bore,
    too_narrow_mm,
)
from featurize.standards.screws import SCREWS
from featurize.standards.threads import ThreadSize, candidates

FOR, AGAINST = "for ", "against "
THREAD = "thread"

# What the diameter alone says. Nobody draws 4.134 but for a thread; 4.2 is a drill used for little else;
# 5.0 is also a dowel, 6.0 far more often a dowel than an M6 drawn at its major diameter.
_MINOR = 5.0
_TAP_DRILL_ODD = 3.0
_TAP_DRILL_ROUND = 2.0
_MAJOR = 0.0
# Second-choice sizes such as M7 are rare in dies, fine pitches rarer; inch sizes depend on the customer.
_UNIFIED, _SECOND_CHOICE, _FINE = -2.0, -2.0, -3.0
# Minor diameters and inch drills are odd figures, drawn to 0.0001 in: half of that, and a little.
_EXACT_MM = 0.0015
# Tables print diameters to the micron: a match worse by this than another is chance.
_AS_NEAR_MM = 1e-3
# A short counterbore just over the major diameter is drawn for threads only.
_RELIEF = 4.0
_BLIND, _POINTED = 0.5, 1.5
_PATTERN = 0.5
# An equal bore in the same direction whose thread is beyond doubt.
_TWIN = 2.5
# A colour that the shop declares to mean threads tells them from dowels, but not at which of its diameters
# a thread is drawn: at the major one it is no more than a hint.
_COLOURED, _COLOURED_MAJOR = 4.0, 2.0
# A plain through hole of a half-millimetre or clearance size: dowels and clearance holes look so.
_THROUGH_ROUND = -1.5
# A counterbore under the thread's own diameter relieves nothing.
_NARROW = -1.5
# ISO 273, medium series.
_CLEARANCE_MM = tuple(s.clearance_mm[1] for s in SCREWS if "ISO 273" in s.standards)


@dataclass
class ThreadScore:
    size: ThreadSize
    points: float = 0.0
    why: list[tuple[float, str]] = field(default_factory=list)
    coloured: bool = False
    relieved: bool = False

    def add(self, points: float, why: str) -> None:
        self.points += points
        self.why.append((points, why))

    @property
    def evidence(self) -> tuple[str, ...]:
        """What speaks for this thread and what against it."""
        sides = ((FOR, [w for w in self.why if w[0] > 0]), (AGAINST, [w for w in self.why if w[0] <= 0]))
        return tuple(
            f"{way}{self.size.designation}: {', '.join(why for _, why in entry)}"
            for way, entry in sides
            if entry
        )


def thread_scores(
    hole: Feature, equals: int, twin: ThreadSize | None, declared: Sequence[ColourSign]
) -> list[ThreadScore]:
    """One score card for each size that a straight bore of the hole may stand for."""
    sizes: dict[str, ThreadSize] = {}
    for b in hole.bores:
        found = [s for s, _ in candidates(b.start_diameter_mm, tol.SURFACE_MM)] if b.is_cylinder else []
        # A size plainly further off than the nearest is not meant: 3.300 is M4's drill, not a minor of 3.302.
        gaps = [s.drawn_at(b.start_diameter_mm)[0] for s in found]
        sizes |= {s.designation: s for s, gap in zip(found, gaps, strict=True) if gap < gaps[0] + _AS_NEAR_MM}
    return [card for s in sizes.values() if (card := _card(hole, s, equals, twin, declared))]


def _card(
    hole: Feature, size: ThreadSize, equals: int, twin: ThreadSize | None, declared: Sequence[ColourSign]
) -> ThreadScore | None:
    match = matching_bore(hole, size)
    if match is None:
        return None
    bore, what = match
    d = bore.start_diameter_mm
    half_mm = _near(d, [round(2 * d) / 2])
    card = ThreadScore(size)
    exact = size.drawn_at(d)[0] < _EXACT_MM
    if size.unified and not exact:
        return None
    drawn = _TAP_DRILL_ROUND if half_mm else _TAP_DRILL_ODD
    points = {"minor": _MINOR if exact else drawn, "major": _MAJOR, "tap drill": drawn}
    card.add(points[what], f"{d:.4g} mm is its {what} diameter")
    if size.unified:
        card.add(_UNIFIED, "an inch size")
    elif not size.coarse:
        card.add(_FINE, "a fine pitch")
    if size.choice > 1:
        card.add(_SECOND_CHOICE, "a size of second choice")
    sign = next((s for s in declared if s.means == THREAD and s.is_on(d)), None)
    if sign is not None:
        card.coloured = True
        entry = _COLOURED_MAJOR if what == "major" else _COLOURED
        card.add(entry, f"its colour {sign.colour} stands for threads")
    through = is_through(hole)
    narrow = too_narrow_mm(hole, bore, size)
    if is_relieved(hole, bore, size):
        card.relieved = True
        card.add(_RELIEF, "a short relief counterbore over its major diameter")
    elif narrow is not None:
        under = f"under its {size.major_mm:.4g} mm: too narrow for its relief"
        card.add(_NARROW, f"a counterbore of {narrow:.4g} mm is {under}")
    else:
        card.add(0.0, "no relief counterbore")
    plain = through and sign is None and not card.relieved and narrow is None
    if plain and (half_mm or _near(d, _CLEARANCE_MM)):
        card.add(_THROUGH_ROUND, "a plain through hole of a dowel's or clearance size")
    if is_pointed(hole):
        card.add(_POINTED, "blind with a drill point")
    elif not through:
        card.add(_BLIND, "blind")
    if equals > 1:
        card.add(_PATTERN, f"{equals} equal holes")
    if twin == size:
        card.add(_TWIN, "an equal bore beside it is that thread")
    return card


def _near(value: float, series: Sequence[float]) -> bool:
    return any(abs(value - s) < tol.SURFACE_MM for s in series)
