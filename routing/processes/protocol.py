"""What a process is asked, and what it answers. The rest of the program knows a process only by this."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

import numpy as np

from featurize.brep.surfaces import Array
from featurize.feature import Feature, Vec3
from routing.processes.flags import Flag
from routing.processes.tools import Tool

if TYPE_CHECKING:
    from routing.processes.context import JobContext
    from routing.processes.rest.left import Left
    from routing.processes.rooms import Room

V = TypeVar("V", bound="Verdict")


class Stage(IntEnum):
    """When a step is due where nothing else decides."""

    SQUARE = 0
    SPOT_FACE = 1
    DRILL = 2
    BORE = 3
    RELIEF = 4
    COUNTERSINK = 5
    THREAD = 6
    START_HOLE = 7
    SOFT_ROUGH = 8
    STRESS_RELIEF = 9
    HARDEN = 10
    SIZE = 11
    SEAT_EDGES = 12
    OPEN = 13
    GRIND = 14
    WIRE = 15
    TRIM = 16
    ROUGH = 17
    SEMI_FINISH = 18
    FINISH = 19
    ERODE = 20
    LAST = 21
    RECAST = 22
    EDGES = 23
    DEMAGNETISE = 24
    INSPECT = 25

    @property
    def words(self) -> str:
        return self.name.lower().replace("_", " ")


# What is done to round holes from their mouths, in this order.
BORING = (Stage.SPOT_FACE, Stage.DRILL, Stage.BORE, Stage.RELIEF, Stage.COUNTERSINK, Stage.THREAD)


def feature_of(piece_id: str) -> str:
    """The id of the feature that a region's id belongs to."""
    return piece_id.partition(".")[0]


@dataclass(frozen=True)
class Approach:
    """How a tool comes: ``toward`` is the unit direction from the part to it (model coordinates).

    ``side`` names it, "+z" or "(0.1, 0, 0.995)" in the part's frame. ``traverse`` is the unit direction of
    a wheel's table; ``along`` names it where another traverse is another setup.
    """

    toward: Vec3
    side: str
    traverse: Vec3 | None = None
    along: str = ""

    @property
    def direction(self) -> Array:
        return np.array(self.toward)


@dataclass(frozen=True)
class Rest:
    """What a process leaves of a feature whose bulk it takes: inside corners, for a later process.

    ``words`` name them; ``volume_mm3`` and ``places`` (model mm) are theirs.
    """

    words: str
    volume_mm3: float
    places: tuple[Vec3, ...]


@dataclass(frozen=True, kw_only=True)
class ToolPass:
    """One pass of a tool in a task; each process has its own, with more of it.

    It makes walls between two levels along the approach (of points in model coordinates), leaning by
    ``angle_deg``.
    """

    words: str
    high_mm: float
    low_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One process's answer about one feature; each process has its own, with the numbers behind it.

    ``approaches`` are the ways in which it can come, the chosen first; a refusal has those that it got
    furthest with. ``shortfall_mm3`` is what the process leaves of the feature's volume (an estimate from a
    height grid where no closed form applies, 0 when not measured), ``place`` (model mm) where most of it
    stands. ``rest`` is given with a refusal where the process can go ahead of the one that makes the feature
    whole. ``progress`` tells how far the question came before the answer was no: over 1 the tool at least
    sees the feature. ``offers`` are the faces that it could make of a feature that it refuses, ``flags`` are
    raised where the verdict is carried out.
    """

    process: str
    workable: bool
    reason: str
    approaches: tuple[Approach, ...] = ()
    tool: Tool | None = None
    shortfall_mm3: float = 0.0
    place: Vec3 | None = None
    rest: Rest | None = None
    progress: int = 0
    offers: tuple[int, ...] = ()
    flags: tuple[Flag, ...] = ()

    @property
    def approach(self) -> Approach:
        """The chosen way; raises ValueError where the process has none."""
        if not self.approaches:
            raise ValueError(f"{self.process} has no way to come: {self.reason}")
        return self.approaches[0]


def furthest(answers: Sequence[V]) -> V:
    """The refusal that says most: the first where the tool at least sees the feature, else the first."""
    return next((v for v in answers if v.progress > 1), answers[0])


@dataclass(frozen=True)
class Pierced:
    """A plain hole right through: made ``by`` a process, ``how`` in a word, with a tool."""

    by: str
    how: str
    tool: Tool


@dataclass(frozen=True)
class MadeTool:
    """A tool made for this part, as an electrode is. ``what`` names its line in the estimate.

    ``group`` counts a feature's tools for corners from 1, 0 is one of its whole shape. ``share`` is how much
    of its life one piece takes, ``cost`` money for each, ``make_min`` minutes of ``made_by``.
    """

    feature: str
    kind: str
    group: int
    share: float
    blank_mm: Vec3 = (0.0, 0.0, 0.0)
    cost: float = 0.0
    make_min: float = 0.0
    made_by: str = ""
    what: str = ""
    basis: str = ""

    def used(self, pieces: int = 1) -> float:
        """How many one piece of a batch pays for: one for the batch at least, beyond that as they wear."""
        return max(1 / pieces, self.share)

    @property
    def number(self) -> int:
        """How many must stand ready for one piece."""
        return max(1, int(np.ceil(self.share - 1e-6)))  # 2.0000001 tools are two


@dataclass(frozen=True)
class Effort:
    """One piece's minutes: ``run_min`` while the machine cuts, ``idle_min`` while it is waited on.

    ``tools`` are those that are made for it.
    """

    run_min: float = 0.0
    idle_min: float = 0.0
    basis: tuple[str, ...] = ()
    tools: tuple[MadeTool, ...] = ()
    each_cost: float = 0.0  # money for each piece beyond time, such as what wears of a cutter

    @property
    def minutes(self) -> float:
        return self.run_min + self.idle_min

    def times(self, factor: float, why: str) -> Effort:
        """The same at another speed."""
        return replace(self, run_min=self.run_min * factor, basis=tuple(f"{b}, {why}" for b in self.basis))

    def scaled(self, factor: float) -> Effort:
        """The same by a shop that takes so many times as long; how often tools are used stays."""
        return replace(self, run_min=self.run_min * factor, idle_min=self.idle_min * factor)

    def of(self, name: str) -> Effort:
        """The same, its basis told by the name of what it is done to."""
        return replace(self, basis=tuple(f"{name} {b}" for b in self.basis))


def total(efforts: Iterable[Effort]) -> Effort:
    parts = list(efforts)
    return Effort(
        sum(p.run_min for p in parts),
        sum(p.idle_min for p in parts),
        tuple(b for p in parts for b in p.basis),
        tuple(t for p in parts for t in p.tools),
        sum(p.each_cost for p in parts),
    )


@dataclass(frozen=True)
class Allowance:
    """What stays in front of floors and walls, mm, square to them."""

    floor_mm: float = 0.0
    wall_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (self.floor_mm >= 0 and self.wall_mm >= 0):
            raise ValueError("an allowance is stock left on: it cannot be negative")


@dataclass(frozen=True)
class Kept:
    """What a task leaves on some faces, and the process that takes it off."""

    faces: tuple[int, ...]
    allowance: Allowance
    taker: str


# Every side of the blank in turn.
ALL_SIDES = "all"


@dataclass(frozen=True, eq=False)
class Task:
    """One stage of one feature on the machine of ``process``: ``verdict`` is the answer that it carries out.

    ``volume_mm3`` is what it finds of the feature, None for all of it, ``soft`` tells that steel is not
    hardened yet; ``ahead`` is the answer of who took the bulk before. ``keeps`` is what it leaves for others;
    a task with ``blends`` finds no more than that, left by another on these faces. ``passes`` are
    the tool's in order, where the process tells them. ``at`` is a place (model mm) that a person must know,
    which papers tell in the zero of the setup.
    """

    stage: Stage
    process: str
    approach: Approach
    feature: Feature
    verdict: Verdict | None = None
    tool: Tool | None = None
    notes: tuple[str, ...] = ()
    volume_mm3: float | None = None
    soft: bool = False
    ahead: Verdict | None = None
    passes: tuple[ToolPass, ...] = ()
    at: Vec3 | None = None
    keeps: tuple[Kept, ...] = ()
    blends: tuple[int, ...] = ()

    def but(self, **changes: Any) -> Task:
        return replace(self, **changes)


@dataclass(frozen=True, eq=False)
class Removal:
    """What a task takes away: ``sweep`` gives solids (kernel, model coordinates), which are then cut by what
    must stay; ``everything`` stands for all that is left in front of the feature's faces. ``in_part`` tells
    that later tasks take more of the feature, so that what stands outside the sweep stays. ``stays`` gives
    solids that it does not get at, for another process.
    """

    sweep: Callable[[], Sequence[Any]] | None = None
    everything: bool = False
    in_part: bool = False
    stays: Callable[[], Sequence[Any]] | None = None


@dataclass(frozen=True)
class HoldingWish:
    """How a process wants a part to be held: ways in order, and the largest force of its cut."""

    ways: tuple[str, ...]
    force_n: float


class Process(ABC):
    """One process of the trade. Every question below must be answered: nothing is guessed for it.

    ``judge`` is pure and answers for every kind of feature, in one sentence without a full stop.
    """

    room: ClassVar[Room]

    @property
    def name(self) -> str:
        return self.room.name

    @property
    @abstractmethod
    def is_forceful(self) -> bool:
        """Whether it cuts by force, so that thin walls and free edges may break out under it."""

    @abstractmethod
    def judge(self, job: JobContext, feature: Feature) -> Verdict:
        """Whether it can make a feature, how, and why not."""

    @abstractmethod
    def tasks(self, job: JobContext, feature: Feature, verdict: Verdict) -> Sequence[Task]:
        """What it takes to carry out a verdict, in order, with other machines' tasks where they must be."""

    @abstractmethod
    def fine_task(self, job: JobContext, feature: Feature, verdict: Verdict, why: str) -> Task | None:
        """A task more for what is called out finer than it holds; None where it cannot."""

    @abstractmethod
    def blend_tasks(
        self, job: JobContext, feature: Feature, verdict: Verdict, faces: tuple[int, ...]
    ) -> Sequence[Task]:
        """How it takes the allowance that another left on some faces of a feature; none where it does not."""

    @abstractmethod
    def unmade(self, job: JobContext, tasks: Sequence[Task]) -> Mapping[str, str]:
        """Which of its tasks' regions it cannot make after all, all tasks taken together, and why."""

    @abstractmethod
    def squaring(self, job: JobContext, faces: Sequence[Feature]) -> Sequence[Task]:
        """How it squares the blank, whose outside faces are given; none where it does not."""

    @property
    @abstractmethod
    def alters_skin(self) -> bool:
        """Whether it leaves a recast skin, which is taken off by hand where no fine passes do."""

    @abstractmethod
    def leaves(self, job: JobContext, task: Task) -> Allowance:
        """What stays on a feature's floors and walls after a task, for a later one."""

    @abstractmethod
    def effort(self, job: JobContext, task: Task) -> Effort:
        """One piece's minutes for a task on its machine, without the set-up."""

    @abstractmethod
    def running_cost_per_hour(self, job: JobContext) -> tuple[float, str]:
        """Money for each hour of cutting beyond the machine's rate, and what for; 0 for none."""

    @abstractmethod
    def removal(self, job: JobContext, task: Task, blank_mm: Array) -> Removal:
        """What a task takes; ``blank_mm`` (n, 3) are points whose hull is the blank."""

    @abstractmethod
    def left(self, job: JobContext, feature: Feature, verdict: Verdict, *, forced: bool) -> Left:
        """What it would leave of a feature, as bodies; raises NoBodyError where that is not worked out."""

    @abstractmethod
    def takes_run(self, job: JobContext, feature: Feature) -> bool:
        """Whether it makes an open straight run from a side, so that no part need be laid on its side."""

    @abstractmethod
    def pierces(self, job: JobContext, diameter_mm: float, depth_mm: float) -> Pierced | None:
        """How it makes a plain hole right through; None where it does not."""

    def holding(self, job: JobContext) -> HoldingWish:
        """From the shop file; raises KeyError where that says nothing of it."""
        held = job.shop.workholding
        return HoldingWish(held.order[self.name], held.force_n[self.name])
