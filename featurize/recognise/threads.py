"""Which holes are threaded: evidence weighed, near-ties asked about, a person's word final.

The limits below are common practice, no source; ``thread_scores`` has the points.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from featurize import tolerances as tol
from featurize.feature import Feature, Kind, Thread
from featurize.recognise.colours import ColourSign
from featurize.recognise.thread_bores import is_through, matching_bore, screw_seat
from featurize.recognise.thread_scores import AGAINST, FOR, THREAD, ThreadScore, thread_scores
from featurize.standards.screws import Screw
from featurize.standards.threads import ThreadSize, candidates, designations, parse

PLAIN = "plain"

# Threaded needs this many points and this lead over the next size; up to PLAIN_AT a hole is plain.
_THREADED_AT, _LEAD, _PLAIN_AT = 5.0, 2.0, 0.0

# How sure a hole is whose declared colour fits nothing on it, and one that only stands apart by its colour:
# both are asked about, the second before other near-ties (0.5).
_ODD, _APART = 0.6, 0.45

# A through hole over the screw by up to this share lets it pass (ISO 273, coarse series of small sizes).
_CLEARS_UP_TO = 0.25


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
    entries = [e for e in hole.evidence if e.startswith((FOR, AGAINST))]
    why = f" ({'; '.join(entries)})" if entries else ""
    if len(group) == 1:
        return f"is this {size} hole {what}{why}?"
    return f"are these {len(group)} equal holes of {size} {what}{why}?"


def _in_its_bore(hole: Feature, name: str) -> str:
    match = matching_bore(hole, parse(name)[0])
    return f"{name} in its {match[0].start_diameter_mm:.4g} mm bore" if match else f"{name} that fits no bore"


_SAME_WAY = float(np.cos(np.radians(tol.AXIS_DEG)))


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
        return _apart(hole, found, thread_scores(hole, equals, twin, ()), signs[0])
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
    cards = thread_scores(hole, equals, twin, declared)
    scores = sorted(cards, key=lambda s: (-s.points, not s.size.coarse, s.size.major_mm))
    if texts:
        names = [s for s, *_ in texts]
        if not agreeing and all(_clears(hole, s) for s in names):
            return _plain(hole, (f"named {names[0].designation}, and drawn as its clearance hole",), 0.9)
        misfit = {s: "" if matching_bore(hole, s) else ", but no bore fits it" for s in names}
        lines = tuple(f"{FOR}{s.designation}: {how}{misfit[s]}" for s, _, how in texts)
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
    evidence = (*found.evidence[len(hole.evidence) :], f"{AGAINST}a thread: {why}")
    return _asked(hole, [parse(found.thread.designation)[0]], evidence)


def _apart(hole: Feature, found: Feature, cards: Sequence[ThreadScore], sign: ColourSign) -> Feature:
    """A hole that is a thread only by a colour nobody declared: never settled, asked about first."""
    drilled = [
        card.size
        for card in sorted(cards, key=lambda s: (-s.points, not s.size.coarse, s.size.major_mm))
        if _carries(hole, card.size, sign) and not _is_major(hole, card.size)
    ]
    if not drilled:
        return found
    why = f"of the round holes only those of {sign.diameter_mm:.4g} mm have the colour {sign.colour}"
    why = f"{FOR}a thread: {why}"
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
