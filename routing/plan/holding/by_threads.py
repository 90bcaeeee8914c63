"""Screwed down, or on an angle plate, by threads that open to the seat; pins keep it from turning."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from featurize import tolerances as tol
from featurize.bores import from_far
from featurize.brep.frame import opposite
from featurize.brep.surfaces import Array
from featurize.feature import Bore, Feature
from featurize.recognise.scene import vec
from featurize.recognise.thread_bores import is_through, thread_bore
from featurize.standards.threads import parse
from routing.plan.bearing import outside
from routing.plan.holding.fixtures import MARGIN_MM, PLATE_MM, Fixture, Rod, frame_box
from routing.plan.holding.screws import (
    Stresses,
    clearance_mm,
    head_mm,
    proof_load_n,
    stresses,
    torque_nm,
)
from routing.plan.holding.setup import Answer, Grade, Situation, best
from routing.plan.threads import full_thread_mm, left_ahead, overhangs, thinnest_wall, wall_limit_mm
from routing.processes.context import JobContext

# Walls are looked for this far out: beyond it the ring bears as if it were endless.
_FAR_DIAMETERS = 3.0
# Dowels by ISO 8734 (from memory), and how far a hole may be over them.
_DOWELS_MM = (1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20)
_FIT_MM = 0.03
# How deep a dowel goes in, in diameters (common practice, no source).
_PIN_RATIO = 1.5


@dataclass(frozen=True)
class Screwed:
    """One thread as a hold. Lengths mm, stresses MPa; ``floor_mm`` is None over a through thread.

    ``torque_nm`` is what pulls as hard as ``bears`` says.
    ``cramped`` tells that the wall beside it or the floor over it would not bear it, not the thread itself.
    """

    feature: str
    thread: str
    grade: Grade
    reason: str
    wall_mm: float
    wall_error_mm: float
    wall_to: str
    cramped: bool
    floor_mm: float | None
    bears: Stresses
    torque_nm: float = 0.0


def threads(setup: Situation) -> Answer:
    """From below, or from the mounting side on an angle plate, whichever answers better."""
    sides = dict.fromkeys((opposite(setup.side), "-z" if setup.side != "-z" else opposite(setup.side)))
    return best([_screwed_from(setup, side) for side in sides])


def _screwed_from(setup: Situation, side: str) -> Answer:
    own = [
        f for f in setup.features(setup.threaded) if side in f.opens_to and f.thread and f.thread.designation
    ]
    if not own:
        return Answer("threads", Grade.NO, f"no thread in {side} is made by then")
    area = outside(setup.job, side).left_mm2(setup.made)
    if area < setup.shop.seat_mm2:
        text = f"{area:.0f} mm2 of {side} are flat to rest on, {setup.shop.seat_mm2:g} are wanted"
        return Answer("threads", Grade.NO, text)
    found = tuple(screwed(setup, f) for f in own)
    pins = [f.id for f in setup.features(setup.made) if side in f.opens_to and _takes_a_pin(f)]
    good = [s for s in found if s.grade == Grade.HOLDS]
    used = usable(found)
    if not used:
        return Answer("threads", Grade.NO, found[0].reason, (), found)
    where = "" if side == opposite(setup.side) else ", on an angle plate"
    names = ", ".join(f"{s.thread} {s.feature}" for s in used)
    least, most = (f"{pull(s.bears.pull_n for s in used):.0f}" for pull in (min, max))
    pulls = f"{least} N" if least == most else f"{least} to {most} N"
    turns = sorted({f"{s.torque_nm:.1f}" for s in used}, key=float)
    text = f"screwed down from {side} by {names} at {pulls} each, {' to '.join(turns)} Nm{where}"
    text += f", pins in {', '.join(pins)}" if pins else ""
    if setup.job.material.binder_percent is not None:
        text += "; carbide cracks before it yields: tighten by turns, with a torque wrench"
    grade = Grade.HOLDS if good else Grade.WEAK
    if not good:
        text += f"; {used[0].reason}"
    elif len(good) + len(pins) < 2:
        grade, text = Grade.WEAK, f"{text}; a single screw lets it turn: add a stop"
    fixtures = tuple(_plate_and_screws(setup, side, used, pins))
    return Answer("threads", grade, text, outside(setup.job, side).features, found, fixtures)


def _plate_and_screws(
    setup: Situation, side: str, used: Sequence[Screwed], pins: Sequence[str]
) -> Iterator[Fixture]:
    """A plate with the screws through it. A screw is drawn as wide as the bore it holds in, which is bare of
    its thread; ``side`` is the one that they come from."""
    out, frame = setup.job.part.frame.direction(side), setup.job.part.frame
    level = setup.reach(side[1])[1 if side[0] == "+" else 0]
    others = {a: setup.reach(a) for a in "xyz" if a != side[1]}
    spans = {a: (low - MARGIN_MM, high + MARGIN_MM) for a, (low, high) in others.items()}
    if side != opposite(setup.side):  # nothing of an angle plate stands in the tool's way
        spans[setup.side[1]] = others[setup.side[1]]
    plate = frame_box(frame, {**spans, side[1]: setup.beside(side, PLATE_MM)})
    shanks, bodies = list[Rod](), list[Fixture]()
    for s in used:
        hole = setup.job.by_id[s.feature]
        size, _ = parse(s.thread)
        start, bores = _mouth(hole, out)
        carrier = next(b for b in bores if b == thread_bore(hole.but(bores=tuple(bores)), size))
        deep = min(carrier.end_mm, carrier.start_mm + s.bears.engaged_mm)
        below = PLATE_MM + _below_mm(setup, start, level, side)
        radius = carrier.start_diameter_mm / 2
        shank = Rod(vec(start - deep * out), vec(out), radius, deep + below)
        head = Rod(vec(start + below * out), vec(out), head_mm(size) / 2, size.major_mm)
        shanks.append(Rod(vec(start), vec(out), clearance_mm(size) / 2, below))
        bodies.append(Fixture(f"screw {s.thread} in {s.feature}", "screw", s.feature, (shank, head)))
    for pin in pins:
        start, (bore, *_) = _mouth(setup.job.by_id[pin], out)
        deep = min(bore.end_mm, _PIN_RATIO * bore.start_diameter_mm)
        below = PLATE_MM + _below_mm(setup, start, level, side)
        rod = Rod(vec(start - deep * out), vec(out), bore.start_diameter_mm / 2, deep + below)
        shanks.append(Rod(vec(start), vec(out), bore.start_diameter_mm / 2, below))
        bodies.append(Fixture(f"pin in {pin}", "pin", pin, (rod,)))
    kind = "plate" if side == opposite(setup.side) else "angle plate"
    yield Fixture(kind, kind, side, (plate,), tuple(shanks))
    yield from bodies


def _mouth(hole: Feature, out: Array) -> tuple[Array, Sequence[Bore]]:
    """The mouth of a hole that opens towards a direction, and its bores from there."""
    assert hole.axis is not None
    mouth, axis = np.array(hole.axis.origin), np.array(hole.axis.direction)
    if float(axis @ out) > 0:
        return mouth, hole.bores
    length = hole.bores[-1].end_mm
    return mouth - length * axis, from_far(hole.bores, length)


def _below_mm(setup: Situation, mouth: Array, level: float, side: str) -> float:
    """How far a mouth lies under the plane that the plate bears on."""
    at = float(setup.job.part.frame.local(mouth)["xyz".index(side[1])])
    return abs(level - at) if abs(level - at) > tol.LENGTH_MM else 0.0


def usable(screws: Sequence[Screwed]) -> list[Screwed]:
    """Those that hold; where none does, the weak ones."""
    good = [s for s in screws if s.grade == Grade.HOLDS]
    return good or [s for s in screws if s.grade == Grade.WEAK]


def screwed(setup: Situation, hole: Feature) -> Screwed:
    """What a holding thread and the wall around it bear."""
    assert hole.thread is not None
    assert hole.thread.designation is not None
    job, shop, rule = setup.job, setup.shop, setup.rule
    size, _ = parse(hole.thread.designation)
    carrier = thread_bore(hole, size)
    wall, face, ahead = job.kept(("around thread", hole.id), lambda: _around(job, hole))
    error = job.part.mesh.deflection_mm
    bears = stresses(
        size,
        full_thread_mm(hole, size, carrier),
        min(wall - error, _FAR_DIAMETERS * size.major_mm),
        ahead - error,
        pull_n=shop.tighten_share * proof_load_n(size, shop.screw_class),
        cut_n=setup.force_n,
        tensile_mpa=rule.tensile_mpa,
        safety=rule.safety,
        brittle=job.material.binder_percent is not None,
    )
    to = job.call(face) if face >= 0 else ""
    grade, reason = _graded(bears, rule.safety, wall, ahead, wall_limit_mm(size), to)
    text = f"{size.designation} {hole.id}: {reason}"
    floor = None if np.isinf(ahead) else float(ahead)
    cramped = wall <= 0 or ahead <= 0 or max(bears.ring_mpa, bears.floor_mpa) > bears.allowed_mpa
    torque = torque_nm(size, bears.pull_n)
    return Screwed(
        hole.id, size.designation, grade, text, float(wall), error, to, cramped, floor, bears, torque
    )


def _around(job: JobContext, hole: Feature) -> tuple[float, int, float]:
    """The thinnest wall beside a thread, the face it ends at, and what is left ahead of a blind one."""
    assert hole.thread is not None
    assert hole.thread.designation is not None
    size, _ = parse(hole.thread.designation)
    over = job.kept("overhangs", lambda: overhangs(job.features))
    far = _FAR_DIAMETERS * size.major_mm
    wall, face = thinnest_wall(job.part, hole, size, thread_bore(hole, size), over, far)
    return wall, face, np.inf if is_through(hole) else left_ahead(job.part, hole)[0]


def _graded(
    bears: Stresses, safety: float, wall: float, ahead: float, wanted: float, to: str
) -> tuple[Grade, str]:
    used = bears.used
    reasons = list(_reasons(bears, wall, to))
    worst = max(reasons, key=lambda r: r[0])[1]
    if wall <= 0 or ahead <= 0:
        return Grade.NO, f"breaks out into {to or 'the floor above'}"
    if used > safety:
        return Grade.NO, f"{worst}, more than the material bears"
    if used > 1:
        text = f"{worst}, without the safety factor {safety:.1f}"
        most = bears.most_pull_n
        return Grade.WEAK, f"{text}: with it {most:.0f} N is all" if most < bears.pull_n else text
    if (left := min(wall, ahead)) < wanted - 0.01:
        where = f"beside it to {to}" if wall <= ahead else "over it"
        return Grade.WEAK, f"{left:.2f} mm left {where}, common practice keeps {wanted:.2f}"
    return Grade.HOLDS, f"{worst}, {used:.0%} of what is allowed"


def _reasons(bears: Stresses, wall: float, to: str) -> Iterator[tuple[float, str]]:
    yield (
        bears.strip_mpa / bears.allowed_shear_mpa,
        (f"{bears.engaged_mm:.1f} mm of thread shorn with {bears.strip_mpa:.0f} MPa"),
    )
    near = f"the wall of {wall:.2f} to {to}" if to else "the wall"
    yield bears.ring_mpa / bears.allowed_mpa, f"{near} spread with {bears.ring_mpa:.0f} MPa"
    yield bears.floor_mpa / bears.allowed_mpa, f"the floor over it bent with {bears.floor_mpa:.0f} MPa"


def _takes_a_pin(hole: Feature) -> bool:
    if hole.thread is not None or not hole.bores or not hole.bores[0].is_cylinder:
        return False
    return any(-_FIT_MM <= hole.bores[0].start_diameter_mm - d <= _FIT_MM for d in _DOWELS_MM)
