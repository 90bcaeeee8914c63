"""Which holes are threaded: evidence weighed, near-ties asked about, a person's word final.

The weights below are common practice, no source; they add up like the points of a score card.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from featurize import tolerances as tol
from featurize.feature import Bore, Feature, Kind, Thread
from featurize.recognise.colours import ColourSign
from featurize.standards.screws import SCREWS, Screw, seated
from featurize.standards.threads import Match, ThreadSize, candidates, designations, parse

PLAIN, THREAD = "plain", "thread"

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
# Threaded needs this many points and this lead over the next size; up to PLAIN_AT a hole is plain.
_THREADED_AT, _LEAD, _PLAIN_AT = 5.0, 2.0, 0.0

# How sure a hole is whose declared colour fits nothing on it, and one that only stands apart by its colour:
# both are asked about, the second before other near-ties (0.5).
_ODD, _APART = 0.6, 0.45

# A relief is over the major diameter by at most this share and at most this many pitches deep; anything
# larger seats a screw head (common practice, no source; generous, so that poor reliefs are seen too).
_RELIEF_OVER, _RELIEF_PITCHES = 0.3, 4.0

# Fewer turns than this hold nothing: a bore so short carries no thread.
_LEAST_TURNS = 2.0
# A through hole over the screw by up to this share lets it pass (ISO 273, coarse series of small sizes).
_CLEARS_UP_TO = 0.25

# ISO 273, medium series.
_CLEARANCE_MM = tuple(s.clearance_mm[1] for s in SCREWS if "ISO 273" in s.standards)


def settle_threads(
    holes: Sequence[Feature],
    settled: Mapping[str, str],
    signs: Mapping[str, tuple[ColourSign, ...]] = MappingProxyType({}),
) -> list[Feature]:
    """The same holes in the same order, each threaded, plain, or with ``thread.asked`` filled.

    ``settled`` maps a feature id, a diameter such as "4.2", or "all" to a designation or "plain"; the
    first of these that applies is final. "all" with a size answers only the questions that offer it.
    ``signs`` are what colours say, by a hole's id. Raises ValueError for a size the tables lack.
    """
    keys = [_pattern_key(h) for h in holes]
    equals = Counter(keys)
    first = [
        _settle(h, settled, equals[k], None, signs.get(h.id, ())) if h.kind == Kind.HOLE else h
        for h, k in zip(holes, keys, strict=True)
    ]
    # What is sure of one hole speaks for its equals: a thread without relief among ten with it.
    sure = {
        k: parse(f.thread.designation)[0]
        for f in first
        if f.thread and f.thread.designation
        for k in _bore_keys(f, signs.get(f.id, ()))
    }
    return [
        _answered(_settle(h, settled, equals[k], twin, own), settled)
        if f.thread is not None
        and f.thread.asked
        and (twin := _twin(h, sure, own := signs.get(h.id, ()))) is not None
        else _answered(f, settled)
        for h, f, k in zip(holes, first, keys, strict=True)
    ]


def _bore_keys(hole: Feature, signs: Sequence[ColourSign]) -> list[tuple[object, ...]]:
    """Diameter, direction and declared colours of each straight bore."""
    along = tuple(round(c, 3) + 0.0 for c in hole.axis.direction) if hole.axis else ()
    diameters = [b.start_diameter_mm for b in hole.bores if b.is_cylinder]
    return [(round(d, 2), along, *(s.means for s in signs if s.means and s.is_on(d))) for d in diameters]


def _twin(
    hole: Feature, sure: Mapping[tuple[object, ...], ThreadSize], signs: Sequence[ColourSign]
) -> ThreadSize | None:
    keys = _bore_keys(hole, signs)
    return next((sure[k] for k in keys if k in sure and matching_bore(hole, sure[k])), None)


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
    return bore.end_mm - bore.start_mm >= _LEAST_TURNS * size.pitch_mm and not _is_relief(hole, bore, size)


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


def equal_holes(holes: Sequence[Feature]) -> list[list[Feature]]:
    """Holes that are one question: equal stages, the same mouth, and asked the same (or nothing)."""
    groups: list[list[Feature]] = []
    for hole in holes:
        own = next((g for g in groups if _is_equal(g[0], hole)), None)
        groups.append([hole]) if own is None else own.append(hole)
    return groups


def _is_equal(a: Feature, b: Feature) -> bool:
    if a.kind != b.kind or a.thread != b.thread or len(a.bores) != len(b.bores) or not (a.axis and b.axis):
        return False
    gaps = [
        abs(getattr(s, size) - getattr(t, size))
        for s, t in zip(a.bores, b.bores, strict=True)
        for size in ("start_mm", "end_mm", "start_diameter_mm", "end_diameter_mm")
    ]
    ways = float(np.dot(a.axis.direction, b.axis.direction))
    # A straight hole right through has no mouth of its own.
    turn = abs(ways) if len(a.bores) == 1 and is_through(a) else ways
    return max(gaps, default=0.0) < tol.SURFACE_MM and turn > _SAME_WAY


def questions(features: Iterable[Feature]) -> list[list[Feature]]:
    """The holes that a person is asked about, equal ones together."""
    return equal_holes([f for f in features if f.thread is not None and f.thread.designation is None])


def question(group: Sequence[Feature]) -> str:
    """What is asked of equal holes, in words, with what speaks for and against a thread."""
    hole = group[0]
    assert hole.thread is not None
    *asked, plain = hole.thread.asked
    sizes = list(dict.fromkeys(f"{b.start_diameter_mm:.4g}" for b in hole.bores if b.is_cylinder))
    size = f"{' over '.join(sizes) or format(hole.dims['diameter_mm'], '.4g')} mm"
    named = [_in_its_bore(hole, name) if len(sizes) > 1 else name for name in asked]
    what = f"{' or '.join(named)}, or {plain}"
    entries = [e for e in hole.evidence if e.startswith((_FOR, _AGAINST))]
    why = f" ({'; '.join(entries)})" if entries else ""
    if len(group) == 1:
        return f"is this {size} hole {what}{why}?"
    return f"are these {len(group)} equal holes of {size} {what}{why}?"


def _in_its_bore(hole: Feature, name: str) -> str:
    match = matching_bore(hole, parse(name)[0])
    return f"{name} in its {match[0].start_diameter_mm:.4g} mm bore" if match else f"{name} that fits no bore"


_FOR, _AGAINST = "for ", "against "
_SAME_WAY = float(np.cos(np.radians(tol.AXIS_DEG)))


@dataclass
class _Score:
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
        sides = ((_FOR, [w for w in self.why if w[0] > 0]), (_AGAINST, [w for w in self.why if w[0] <= 0]))
        return tuple(
            f"{way}{self.size.designation}: {', '.join(why for _, why in entry)}"
            for way, entry in sides
            if entry
        )


def _settle(
    hole: Feature,
    settled: Mapping[str, str],
    equals: int,
    twin: ThreadSize | None,
    signs: Sequence[ColourSign],
) -> Feature:
    given = _given(hole, settled)
    if given == PLAIN:
        return _plain(hole, ("settled as plain",), 1.0)
    if given is not None:
        size, left = parse(given)
        fits = matching_bore(hole, size)
        why = f"settled as {size.designation}" + (
            "" if fits else f", though no bore has its tap-drill ({size.tap_drill_mm:g}) or other diameter"
        )
        return _threaded(hole, size, left, (why,), 1.0)
    declared = [s for s in signs if s.means]
    if declared and all(s.means == PLAIN for s in declared):
        return _said_plain(hole, _weighed(hole, equals, twin, ()), declared[0])
    found = _weighed(hole, equals, twin, declared)
    threads = [s for s in declared if s.means != PLAIN]
    if threads and not any(_is_met(hole, s) for s in threads):
        what = "a thread" if threads[0].means == THREAD else threads[0].means
        why = f"its colour {threads[0].colour} stands for {what}, which none of its bores fits"
        return found.but(evidence=(*found.evidence, why), confidence=min(found.confidence, _ODD))
    if not declared and signs and not (found.thread and found.thread.designation):
        return _apart(hole, found, _scores(hole, equals, twin, ()), signs[0])
    return found


def _weighed(hole: Feature, equals: int, twin: ThreadSize | None, declared: Sequence[ColourSign]) -> Feature:
    """By names, declared colours and, where neither gives the size, by points."""
    texts = [(s, left, f"named {s.designation}") for s, left in designations(hole.text)]
    for sign in declared:
        if sign.means not in (None, PLAIN, THREAD) and _is_met(hole, sign):
            size, left = parse(sign.means)
            if all(s != size for s, *_ in texts):
                texts.append((size, left, f"its colour {sign.colour} stands for {size.designation}"))
    agreeing = [t for t in texts if matching_bore(hole, t[0])]
    if len(agreeing) == 1:
        size, left, how = agreeing[0]
        return _threaded(hole, size, left, (f"{how}, and its diameter agrees",), 0.98)
    cards = _scores(hole, equals, twin, declared)
    scores = sorted(cards, key=lambda s: (-s.points, not s.size.coarse, s.size.major_mm))
    if texts:
        names = [s for s, *_ in texts]
        if not agreeing and all(_clears(hole, s) for s in names):
            return _plain(hole, (f"named {names[0].designation}, and drawn as its clearance hole",), 0.9)
        misfit = {s: "" if matching_bore(hole, s) else ", but no bore fits it" for s in names}
        lines = tuple(f"{_FOR}{s.designation}: {how}{misfit[s]}" for s, _, how in texts)
        return _asked(hole, [*names, *(s.size for s in scores if s.points > _PLAIN_AT)], lines)
    seat = screw_seat(hole)
    if seat is not None and not declared and not any(card.relieved for card in cards):
        return _plain(hole, (_seat_words(hole, seat),), 0.9)
    if not scores:
        return hole
    best = scores[0]
    evidence = best.evidence
    rival = scores[1].points if len(scores) > 1 else -np.inf
    if best.points >= _THREADED_AT and best.points - rival >= _LEAD:
        return _threaded(hole, best.size, False, evidence, min(0.95, 0.5 + best.points / 16))
    likely = [s for s in scores if s.points > _PLAIN_AT]
    if not likely and best.coloured:
        likely = [best]
    if not likely:
        return _plain(hole, evidence, 0.8)
    return _asked(hole, [s.size for s in likely], tuple(e for s in likely for e in s.evidence))


def _seat_words(hole: Feature, seat: Screw) -> str:
    bore, wide = sorted(b.start_diameter_mm for b in hole.bores if b.is_cylinder)
    assert seat.head_mm is not None
    room = f"the counterbore of {wide:.4g} mm takes its head of {seat.head_mm:.4g} mm ({seat.standards[1]})"
    if wide < seat.head_mm + tol.SURFACE_MM:
        room = (
            f"the counterbore of {wide:.4g} mm is meant for its head of {seat.head_mm:.4g} mm "
            f"({seat.standards[1]}) and has no room for it: turn the head down or widen it"
        )
    return f"a screw seat: {bore:.4g} mm lets {seat.designation} pass ({seat.standards[0]}), {room}"


def _is_met(hole: Feature, sign: ColourSign) -> bool:
    """Whether the coloured bore can carry what its colour stands for."""
    if sign.means in (PLAIN, THREAD):
        return any(_carries(hole, s, sign) for s, _ in candidates(sign.diameter_mm, tol.SURFACE_MM))
    return sign.means is not None and _carries(hole, parse(sign.means)[0], sign)


def _carries(hole: Feature, size: ThreadSize, sign: ColourSign) -> bool:
    match = matching_bore(hole, size)
    return match is not None and sign.is_on(match[0].start_diameter_mm)


def _said_plain(hole: Feature, found: Feature, sign: ColourSign) -> Feature:
    """A hole of the colour of plain holes; asked about where all else speaks for a thread."""
    why = f"its colour {sign.colour} stands for plain holes"
    if found.thread is None or found.thread.designation is None:
        return _plain(hole, (why,), 0.95)
    evidence = (*found.evidence[len(hole.evidence) :], f"{_AGAINST}a thread: {why}")
    return _asked(hole, [parse(found.thread.designation)[0]], evidence)


def _apart(hole: Feature, found: Feature, cards: Sequence[_Score], sign: ColourSign) -> Feature:
    """A hole that is a thread only by a colour nobody declared: never settled, asked about first."""
    drilled = [
        card.size
        for card in sorted(cards, key=lambda s: (-s.points, not s.size.coarse, s.size.major_mm))
        if _carries(hole, card.size, sign) and not _is_major(hole, card.size)
    ]
    if not drilled:
        return found
    why = f"of the round holes only those of {sign.diameter_mm:.4g} mm have the colour {sign.colour}"
    why = f"{_FOR}a thread: {why}"
    evidence = (*found.evidence[len(hole.evidence) :], why)
    return _asked(hole, drilled, evidence).but(confidence=_APART)


def _is_major(hole: Feature, size: ThreadSize) -> bool:
    match = matching_bore(hole, size)
    return match is not None and match[1] == "major"


def _answered(hole: Feature, settled: Mapping[str, str]) -> Feature:
    """The hole with its question answered by "all", if there is one and that answer is offered."""
    if "all" not in settled or settled["all"] == PLAIN or hole.thread is None:
        return hole
    size, left = parse(settled["all"])
    if size.designation not in hole.thread.asked:
        return hole
    return _threaded(hole, size, left, (f"settled as {size.designation}",), 1.0)


def _given(hole: Feature, settled: Mapping[str, str]) -> str | None:
    if hole.id in settled:
        return settled[hole.id]
    for key, value in settled.items():
        diameter = _number(key)
        straight = [b.start_diameter_mm for b in hole.bores if b.is_cylinder]
        if diameter is not None and any(abs(d - diameter) < tol.SURFACE_MM for d in straight):
            return value
    return PLAIN if settled.get("all") == PLAIN else None


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _scores(
    hole: Feature, equals: int, twin: ThreadSize | None, declared: Sequence[ColourSign]
) -> list[_Score]:
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
) -> _Score | None:
    match = matching_bore(hole, size)
    if match is None:
        return None
    bore, what = match
    d = bore.start_diameter_mm
    half_mm = _near(d, [round(2 * d) / 2])
    card = _Score(size)
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
    narrow = _too_narrow(hole, bore, size)
    if _relieved(hole, bore, size):
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


def _relieved(hole: Feature, carrier: Bore, size: ThreadSize) -> bool:
    return any(_is_relief(hole, b, size) and b.end_mm <= carrier.start_mm + tol.VOID_MM for b in hole.bores)


def _too_narrow(hole: Feature, carrier: Bore, size: ThreadSize) -> float | None:
    """Diameter of the counterbore over a bore that is wider than the bore and narrower than the thread."""
    least, most = carrier.start_diameter_mm + tol.SURFACE_MM, size.major_mm - tol.SURFACE_MM
    over = [b for b in hole.bores if b.is_cylinder and b.end_mm <= carrier.start_mm + tol.VOID_MM]
    return next((b.start_diameter_mm for b in over if least < b.start_diameter_mm < most), None)


def _is_relief(hole: Feature, bore: Bore, size: ThreadSize) -> bool:
    """Whether a bore could be the relief of a thread below it."""
    return (
        bore.is_cylinder
        and bore is not hole.bores[-1]
        and size.major_mm - tol.SURFACE_MM < bore.start_diameter_mm < size.major_mm * (1 + _RELIEF_OVER)
        and bore.end_mm - bore.start_mm < _RELIEF_PITCHES * size.pitch_mm
    )


def _clears(hole: Feature, size: ThreadSize) -> bool:
    """Whether the narrowest bore of a through hole lets the screw of this size pass."""
    least = min((b.start_diameter_mm for b in hole.bores if b.is_cylinder), default=0.0)
    over = least / size.major_mm - 1
    return is_through(hole) and tol.SURFACE_MM / size.major_mm < over <= _CLEARS_UP_TO


def _pattern_key(hole: Feature) -> tuple[object, ...]:
    bores = tuple(round(b.start_diameter_mm, 2) for b in hole.bores)
    along = tuple(round(c, 3) + 0.0 for c in hole.axis.direction) if hole.axis else ()
    return (bores, along)


def _threaded(hole: Feature, size: ThreadSize, left: bool, why: tuple[str, ...], sure: float) -> Feature:
    thread = Thread(size.designation, size.major_mm, size.pitch_mm, left)
    evidence = (*hole.evidence, *why)
    return hole.but(kind=Kind.THREADED_HOLE, thread=thread, evidence=evidence, confidence=sure)


def _plain(hole: Feature, why: tuple[str, ...], sure: float) -> Feature:
    return hole.but(thread=None, evidence=(*hole.evidence, *why), confidence=sure)


def _asked(hole: Feature, sizes: Sequence[ThreadSize], why: tuple[str, ...]) -> Feature:
    names = tuple(dict.fromkeys(s.designation for s in sizes))
    thread = Thread(None, sizes[0].major_mm, sizes[0].pitch_mm, asked=(*names, PLAIN))
    return hole.but(thread=thread, evidence=(*hole.evidence, *why), confidence=0.5)
