"""How a hole is made, tool by tool: spot-face, drill, opening, relief, cones, mouth, thread.

A hole is drilled in sizes that the shop has drills for, to their point or right through, and in no others.
What a drill leaves is no more than that: another size is drilled under and opened by a flat cutter in a helix
or bored; flat bottoms and counterbores are a flat cutter's, shaped floors a ball's or a bull's, cones a
chamfer cutter's or a ball's. Common practice, no source; ``docs/trade.md`` lists the rules.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from featurize import tolerances as tol
from featurize.feature import Bore, Vec3, from_far_mouth
from featurize.recognise.thread_bores import is_through, matching_bore, relief_bore, thread_bore
from featurize.standards.threads import ThreadSize, parse
from routing.processes.context import JobContext
from routing.processes.mill.bore_tools import POINT_DEG, BoreTools
from routing.processes.mill.bore_volumes import measured
from routing.processes.mill.hole import End, Hole, angle_of
from routing.processes.mill.shop import MillShop
from routing.processes.mill.verdict import BoreStep
from routing.processes.protocol import Stage, feature_of
from routing.processes.tools import BoringHead, Cutter, Drill, ThreadMill

# A closed bore at least as deep as so many diameters is drilled before it is milled (common practice, no
# source).
_DRILLED_FROM = 1.0
_CLOSED = ("flat", "fillet", "ball")
# A spot-face goes this much past the lowest of a slanted rim, so that its flat is whole (common practice, no
# source).
_FLAT_MM = 0.1
# A drill that comes out has so much free way beyond its point (common practice, no source).
_OUT_MM = 0.5


class NotMadeError(Exception):
    """Why a hole is not made; ``progress`` and ``place`` as in a verdict."""

    def __init__(self, words: str, progress: int = 2, place: Vec3 | None = None) -> None:
        super().__init__(words)
        self.progress, self.place = progress, place


def steps_of(hole: Hole) -> tuple[tuple[BoreStep, ...], float]:
    """The steps in order, and how much of a thread's bore the thread mill leaves; raises NotMadeError."""
    return _Planner(hole).made()


@dataclass(eq=False)
class _Planner:
    hole: Hole
    steps: list[BoreStep] = field(default_factory=list)

    @cached_property
    def tools(self) -> BoreTools:
        return BoreTools(self.hole)

    @property
    def job(self) -> JobContext:
        return self.hole.job

    @property
    def shop(self) -> MillShop:
        return self.job.shop[MillShop]

    def made(self) -> tuple[tuple[BoreStep, ...], float]:
        hole = self.hole
        thread = hole.feature.thread
        size = parse(thread.designation)[0] if thread and thread.designation else None
        seen = hole.feature.but(bores=hole.bores)
        carrier = thread_bore(seen, size) if size else None
        relief = relief_bore(seen, size) if size else None
        straight = hole.straight
        if not straight and thread:
            raise NotMadeError("no straight bore to drill")
        if len(hole.bores) == 1 and not thread and self._is_shallow(0):
            raise NotMadeError("it is too shallow to drill", 0)
        drilled: dict[int, Drill] = {}
        for n in reversed(straight):
            wanted = self._core_mm(size, hole.bores[n]) if size and hole.bores[n] == carrier else None
            drill = self._drilled(n, wanted, is_core=n == straight[-1])
            if drill is not None:
                drilled[n] = drill
        for n in straight:
            bore, drill = hole.bores[n], drilled.get(n)
            ring = n != straight[-1] or hole.end_of(n).inner_mm > 0
            what = "counterbore" if ring else "bore"
            if bore == relief or self._is_exit_relief(n):
                what = "relief"
            if size and drill and bore == carrier and drill.diameter_mm >= size.minor_mm - tol.SURFACE_MM:
                what = "core"
            self._opened(n, drill, what)
        for n, bore in enumerate(hole.bores):
            if not bore.is_cylinder and not self._is_point(n, drilled):
                self._cone(n)
        if any(s.stage == Stage.DRILL for s in self.steps):
            self._spot_faced()
        left = self._threaded(size, carrier) if size and carrier else 0.0
        ordered = sorted(self.steps, key=lambda s: s.stage)
        # What goes on below is open by then, but from an exit's relief, which is made first.
        exits = any(self._is_exit_relief(n) for n in straight)
        below = hole.end_of(straight[-1]).inner_mm if straight and not exits else 0.0
        return tuple(measured(ordered, below)), left

    def _is_exit_relief(self, n: int) -> bool:
        """Whether a stage, seen from the far mouth of a through thread, is the thread's relief there."""
        whole = self.job.by_id.get(feature_of(self.hole.feature.id))
        if whole is None or whole.thread is None or whole.thread.designation is None or not is_through(whole):
            return False
        if self.hole.feature.thread is not None:
            return False  # the region of the thread itself has its own
        seen = whole.but(bores=from_far_mouth(whole.bores))
        return relief_bore(seen, parse(whole.thread.designation)[0]) == self.hole.bores[n]

    # Drilling.

    def _core_mm(self, size: ThreadSize, carrier: Bore) -> float:
        """What a thread is drilled to, wherever the model shows its bore: the drill nearest to its tap drill.

        Within the limits of its minor diameter; as drawn where the bore does not suit the thread.
        """
        seen = self.hole.feature.but(bores=self.hole.bores)
        if matching_bore(seen, size) is None:
            return carrier.start_diameter_mm
        low, high = size.minor_limits_mm
        fits = [d.diameter_mm for d in self.shop.every_drill if low - tol.SURFACE_MM <= d.diameter_mm <= high]
        return min(fits, key=lambda d: abs(d - size.tap_drill_mm), default=size.tap_drill_mm)

    def _drilled(self, n: int, wanted_mm: float | None, *, is_core: bool) -> Drill | None:
        """The drill of a stage; None where it is opened from what is there, or milled from the full."""
        hole, rule = self.hole, self.shop.drilling
        bore, end = hole.bores[n], hole.end_of(n)
        drawn = bore.start_diameter_mm
        wanted = drawn if wanted_mm is None else wanted_mm
        if not is_core:
            # A wider stage that ends on a drill's cone; others are opened.
            below = hole.bores[n + 1] if n + 1 < len(hole.bores) else None
            exact = self.tools.exact(wanted, None if below is None or below.is_cylinder else angle_of(below))
            if below is None or below.is_cylinder or exact is None:
                return None
            self._drill(exact, bore.end_mm, f"point {exact.point_deg:g}", n)
            return exact
        closed = end.kind in _CLOSED
        if end.inner_mm or self._is_shallow(n):
            return None  # opened already from the other side, or milled from the full
        point = end.size if end.kind == "point" else None
        drill = self.tools.exact(wanted, point) or self.tools.under(wanted)
        if drill is None:
            raise NotMadeError(f"diameter {drawn:.3g} is under the smallest drill {self.tools.smallest:g}")
        if end.kind == "point" or closed or hole.room_mm < drill.point_mm + _OUT_MM:
            full = min(bore.end_mm, end.depth_mm - drill.point_mm)
        else:
            full = bore.end_mm
        if full <= 0:
            return None
        if (ratio := full / drill.diameter_mm) > rule.drill_ratio + 1e-9:
            deep = f"depth {full:.3g} is {ratio:.1f} diameters of {drill.diameter_mm:.3g}"
            raise NotMadeError(f"{deep}, over {rule.drill_ratio:g}")
        goes = end.kind == "open" and full == bore.end_mm
        self._drill(drill, full, "through" if goes else f"point {drill.point_deg:g}", n)
        return drill

    def _is_shallow(self, n: int) -> bool:
        """Whether a stage is closed and not worth a drill."""
        end = self.hole.end_of(n)
        deep = end.depth_mm >= _DRILLED_FROM * self.hole.bores[n].start_diameter_mm
        return end.kind in _CLOSED and not end.inner_mm and not deep

    def _drill(self, drill: Drill, full_mm: float, bottom: str, n: int) -> None:
        """``full_mm`` is where its full diameter ends; raises NotMadeError where it is too short."""
        reach = full_mm if bottom == "through" else full_mm + drill.point_mm
        fits = [d for d in self.tools.sized(drill.diameter_mm) if d.point_deg == drill.point_deg]
        longest = max(d.length_mm for d in fits)
        if reach > longest + tol.SURFACE_MM:
            raise NotMadeError(f"depth {reach:.3g} is over the {longest:g} of the {drill}")
        what = "drill" if n == self.hole.straight[-1] else "drill the step"
        self.steps.append(BoreStep(Stage.DRILL, what, drill, 0.0, full_mm, drill.diameter_mm, bottom))

    def _spot_faced(self) -> None:
        """A flat for the drill where the mouth slants or is curved."""
        uneven, first = self.hole.uneven_mm(), self.hole.bores[0]
        if uneven is None:
            return
        top, down = uneven[0], uneven[1] + _FLAT_MM
        wide = max(first.start_diameter_mm, first.end_diameter_mm)
        cutter = self.tools.flat(wide, down, closed=True, corner_mm=np.inf)
        if cutter is None:
            fall = down - top
            raise NotMadeError(f"its mouth slants by {fall:.3g}, and no flat cutter spot-faces {wide:.3g}")
        self.steps.append(BoreStep(Stage.SPOT_FACE, "spot-face", cutter, top, down, wide, "flat"))

    # Milling and boring.

    def _opened(self, n: int, drill: Drill | None, what: str) -> None:
        """What a cutter does to a straight stage: its wall where no drill makes it, and its floor."""
        hole = self.hole
        bore, end = hole.bores[n], hole.end_of(n)
        d = bore.start_diameter_mm
        # Of a thread's core the thread mill takes the rest.
        sized = drill is not None and (what == "core" or drill.diameter_mm > d - tol.SURFACE_MM)
        closed = end.kind in _CLOSED
        innermost = n == hole.straight[-1]
        blunt = drill is not None and innermost and end.kind == "open" and not self._goes_through(n)
        if sized and not closed and not blunt:
            return
        stage = Stage.RELIEF if what == "relief" else Stage.BORE
        start = 0.0 if n == 0 or not hole.bores[n - 1].is_cylinder else hole.bores[n - 1].end_mm
        if sized:
            start = max(start, min(s.to_mm for s in self.steps if s.tool == drill))
        floor = end.kind == "flat"
        deep = end.depth_mm if floor else bore.end_mm
        leave = self.job.shop.general.sharp_corner_leave_mm
        if not (sized and end.faces):
            full = innermost and drill is None and not end.inner_mm
            if what == "relief":  # one cutter for both ends, and the exit's is made before the drill comes
                full = is_through(self.hole.feature)
            corner = leave if floor else np.inf
            cutter = self.tools.flat(d, deep, closed=floor, corner_mm=corner, full=full)
            bottom = "flat" if end.faces else end.words
            if cutter is not None:
                what = "floor" if sized and what in ("bore", "core") else what
                self.steps.append(BoreStep(stage, what, cutter, start, deep, d, bottom))
            elif not closed and not blunt:
                self._bored(d, deep, end)
            else:
                raise NotMadeError(f"no flat cutter opens {what} {d:.3g} to depth {deep:.3g}", 3)
        if end.faces:
            self._shaped(d, bore.end_mm, end)

    def _goes_through(self, n: int) -> bool:
        return any(
            s.stage == Stage.DRILL
            and s.bottom == "through"
            and s.to_mm >= self.hole.bores[n].end_mm - tol.LENGTH_MM
            for s in self.steps
        )

    def _bored(self, diameter_mm: float, deep_mm: float, end: End) -> None:
        """By the boring head; raises NotMadeError."""
        rule = self.shop.drilling
        if diameter_mm < rule.boring_from_mm or deep_mm > rule.boring_ratio * diameter_mm:
            raise NotMadeError(
                f"no cutter opens {diameter_mm:.4g} to depth {deep_mm:.3g}, and the boring head sizes from "
                f"{rule.boring_from_mm:g} and {rule.boring_ratio:g} diameters deep",
                3,
            )
        tool = BoringHead(round(diameter_mm, 4))
        self.steps.append(BoreStep(Stage.BORE, "fine-bore", tool, 0.0, deep_mm, diameter_mm, end.words))

    def _shaped(self, diameter_mm: float, from_mm: float, end: End) -> None:
        """A floor with a fillet or a dish, semi-finished and finished."""
        most = end.size
        round_ = [
            c
            for c in self.tools.cutters(diameter_mm, end.depth_mm)
            if c.form in ("ball", "bull")
            and self.shop.kind_of(c).wall > 0
            and c.corner_radius_mm <= most + tol.LENGTH_MM
        ]
        if not round_:
            raise NotMadeError(f"no ball or bull cutter makes its {end.words} at depth {end.depth_mm:.3g}", 3)
        # The rounder it is, the fewer its rows.
        tool = max(round_, key=lambda c: (c.corner_radius_mm, c.diameter_mm, -c.neck_mm))
        area = sum(self.job.part.faces[f].area_mm2 for f in end.faces)
        for stage in (Stage.SEMI_FINISH, Stage.FINISH):
            self.steps.append(
                BoreStep(stage, "floor", tool, from_mm, end.depth_mm, diameter_mm, end.words, area_mm2=area)
            )

    # Cones.

    def _is_point(self, n: int, drilled: dict[int, Drill]) -> bool:
        """Whether a cone is what the drill of the stage before leaves."""
        before = drilled.get(n - 1)
        if before is None:
            return False
        bore = self.hole.bores[n]
        if (
            bore.end_diameter_mm < tol.SURFACE_MM
            and before.diameter_mm < bore.start_diameter_mm - tol.SURFACE_MM
        ):
            return True  # the point of a smaller drill stays in its middle
        return abs(angle_of(bore) - before.point_deg) < POINT_DEG

    def _cone(self, n: int) -> None:
        """By a chamfer cutter of its angle that turns in it, else scanned by a ball."""
        bore = self.hole.bores[n]
        wide, narrow = bore.start_diameter_mm, bore.end_diameter_mm
        angle = angle_of(bore)
        if wide < narrow:
            raise NotMadeError("a cone widens inwards", 1)

        def step(stage: Stage, tool: Cutter, what: str = "cone", area_mm2: float = 0.0) -> None:
            ends = (bore.start_mm, bore.end_mm, wide, f"cone {angle:.4g}", narrow)
            self.steps.append(BoreStep(stage, what, tool, *ends, area_mm2=area_mm2))

        thick = (wide - narrow) / 2
        rough = self.tools.flat(narrow, bore.end_mm, closed=False, corner_mm=np.inf) if narrow else None
        tool = self.tools.chamfer(narrow, bore.end_mm, angle)
        if tool is not None:
            if rough is not None and thick > (tool.diameter_mm - tool.tip_mm) / 2:
                step(Stage.BORE, rough, "cone in steps")
            step(Stage.COUNTERSINK, tool)
            return
        kinds = self.shop.kind_of
        fits = self.tools.cutters(narrow, bore.end_mm)
        balls = [c for c in fits if c.form == "ball" and kinds(c).wall > 0]
        if not balls:
            text = f"no chamfer cutter of {angle:.3g} deg and no ball makes its cone"
            raise NotMadeError(f"{text}, {wide:.3g} to {narrow:.3g}", 3)
        slant = np.hypot(bore.end_mm - bore.start_mm, (wide - narrow) / 2)
        area = float(np.pi / 2 * (wide + narrow) * slant)
        if rough is not None and thick > 2 * tol.VOID_MM:
            step(Stage.BORE, rough, "cone in steps")
        for stage in (Stage.SEMI_FINISH, Stage.FINISH):
            step(stage, balls[0], area_mm2=area)

    # Threads.

    def _threaded(self, size: ThreadSize, carrier: Bore) -> float:
        rule, hole = self.shop.drilling, self.hole
        if size.major_mm < rule.thread_min_mm:
            raise NotMadeError(
                f"thread {size.major_mm:g} is under the smallest thread mill {rule.thread_min_mm:g}"
            )
        mouth = hole.bores[0]
        broken = rule.mouth_chamfer_mm
        tool = self.tools.chamfer(mouth.start_diameter_mm, broken, 90.0)
        if mouth.is_cylinder and tool is not None and broken > 0:
            wide = mouth.start_diameter_mm + 2 * broken
            self.steps.append(
                BoreStep(
                    Stage.COUNTERSINK, "mouth", tool, 0.0, broken, wide, "cone 90", mouth.start_diameter_mm
                )
            )
        # A thread mill hangs free over the relief: depths count from the mouth.
        reach = min(carrier.end_mm, rule.thread_ratio * size.major_mm)
        thread = ThreadMill(size.designation, size.major_mm)
        goes = (
            hole.end_of(hole.bores.index(carrier)).kind == "open" and reach >= carrier.end_mm - tol.LENGTH_MM
        )
        bottom = "through" if goes else "blind"
        self.steps.append(
            BoreStep(Stage.THREAD, "thread", thread, carrier.start_mm, reach, size.major_mm, bottom)
        )
        return carrier.end_mm - reach
