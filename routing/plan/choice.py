"""Who makes what: the first workable process for each feature, or for each of its regions.

A feature that no process makes whole is split where it can be (see ``regions``), and each region is asked
of every process again.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from featurize.feature import Feature, Kind
from routing.plan.regions import Region, offered, splits, whole
from routing.processes.blank import Shape
from routing.processes.context import JobContext
from routing.processes.finish import demands
from routing.processes.flags import Flag, Severity
from routing.processes.free_space import share_in_blank
from routing.processes.heights import HeightGrid
from routing.processes.protocol import Verdict
from routing.processes.undercut import cut_mm3, is_undercut

NONE = "none"
# The bulk taken first is worth a setup where at most this share is left (common practice, no source).
WORTH_A_SETUP = 0.5
# Under this share of its space a feature is not in the blank any more: what is left is its finish.
PRESENT_SHARE = 0.03


@dataclass(frozen=True)
class RoutedRegion:
    """``process`` is "none" for what comes with the blank and for what nothing in the shop can make.

    ``ahead`` are the answers of earlier processes that take the bulk in turn, each leaving its ``rest`` to
    the next and the last to ``process``.
    """

    region: Region
    process: str
    verdicts: tuple[Verdict, ...]
    ahead: tuple[Verdict, ...] = ()

    @property
    def feature(self) -> Feature:
        """The feature that the region is of."""
        return self.region.feature

    @property
    def piece(self) -> Feature:
        """The region as a feature of its own."""
        return self.region.piece

    @property
    def verdict(self) -> Verdict | None:
        """The answer of the chosen process."""
        return next((v for v in self.verdicts if v.process == self.process), None)

    def is_workable(self, process: str) -> bool:
        return any(v.workable for v in self.verdicts if v.process == process)

    def moved_to(self, process: str) -> RoutedRegion:
        """By another process, where that one can make it."""
        if process == self.process or not self.is_workable(process):
            return self
        return replace(self, process=process, ahead=())

    def without(self, process: str, why: str) -> RoutedRegion:
        """By others alone, where one can make it whole."""
        no = [
            replace(v, workable=False, rest=None, reason=why) if v.process == process else v
            for v in self.verdicts
        ]
        first = next((v for v in no if v.workable), None)
        if first is None:
            return self
        ahead = tuple(v for v in self.ahead if v.process not in (process, first.process))
        return replace(self, process=first.process, verdicts=tuple(no), ahead=ahead)


@dataclass(frozen=True)
class RoutedFeature:
    """``verdicts`` are the answers about the whole feature, ``regions`` what it is made in.

    ``present`` tells that the blank has it already.
    """

    feature: Feature
    regions: tuple[RoutedRegion, ...]
    verdicts: tuple[Verdict, ...]
    flags: tuple[Flag, ...]
    present: bool = False

    @property
    def main(self) -> RoutedRegion:
        """The region that stands for the feature: all of it, or the core of a bore."""
        return next((r for r in self.regions if r.region.is_core), self.regions[0])

    @property
    def process(self) -> str:
        return self.main.process

    @property
    def verdict(self) -> Verdict | None:
        return self.main.verdict

    @property
    def ahead(self) -> tuple[Verdict, ...]:
        return self.main.ahead

    def moved_to(self, process: str) -> RoutedFeature:
        """All of its regions by another process, as far as that one can make them; itself where none is."""
        moved = tuple(r.moved_to(process) for r in self.regions)
        same = all(a is b for a, b in zip(moved, self.regions, strict=True))
        return self if same else replace(self, regions=moved)


def choose(job: JobContext, feature: Feature, known: Sequence[Flag]) -> RoutedFeature:
    """Asks every process about a feature; ``flags`` are those that it has already."""
    flags = [
        *known,
        *(
            Flag("called-out-fine", Severity.NOTE, feature.id, f"{d.because[:1].upper()}{d.because[1:]}.")
            for d in demands(feature)
        ),
    ]
    if comes_with_blank(job, feature):
        return RoutedFeature(feature, (RoutedRegion(whole(feature), NONE, ()),), (), tuple(flags))
    if is_present(job, feature):
        text = f"{feature.kind} {feature.id} is in the blank already: it is not made again."
        flags.append(Flag("present", Severity.NOTE, feature.id, text))
        region = RoutedRegion(whole(feature), NONE, ())
        return RoutedFeature(feature, (region,), (), tuple(flags), present=True)
    verdicts = _answers(job, feature)
    forced = job.choices.process_for(feature.id, str(feature.kind))
    if forced is not None:
        answer = next(v for v in verdicts if v.process == forced)
        if not answer.workable:
            flags.append(_forced(answer, feature))
        routed = RoutedRegion(whole(feature), forced, verdicts)
        return RoutedFeature(feature, (routed,), verdicts, (*flags, *answer.flags))
    regions = _regions(job, feature, verdicts)
    flags += (flag for r in regions for v in (*r.ahead, r.verdict) if v for flag in v.flags)
    if any(r.process == NONE for r in regions):
        why = "; ".join(f"{v.process}: {v.reason}" for v in verdicts)
        text = f"{feature.kind} {feature.id}: nothing in the shop makes it: {why}."
        flags.append(Flag("no-process", Severity.BLOCKING, feature.id, text))
    return RoutedFeature(feature, regions, verdicts, tuple(flags))


def comes_with_blank(job: JobContext, feature: Feature) -> bool:
    """Whether a feature is the blank's own outside: ground square, or turned round before."""
    if feature.kind == Kind.OUTSIDE_FACE:
        return True
    return (
        feature.kind.traits.blank
        and job.blanks is not None
        and job.blanks.squared.is_outside(job.cloud(feature.faces))
    )


def is_present(job: JobContext, feature: Feature) -> bool:
    """Whether the blank has a feature already, as measured or as a person says."""
    if job.choices.is_present(feature.id, str(feature.kind)):
        return True
    given = job.blanks is not None and job.blanks.squared.shape == Shape.GIVEN
    return given and share_in_blank(job, feature) < PRESENT_SHARE


def _answers(job: JobContext, piece: Feature) -> tuple[Verdict, ...]:
    return tuple(process.judge(job, piece) for process in job.processes.values())


def _regions(job: JobContext, feature: Feature, verdicts: tuple[Verdict, ...]) -> tuple[RoutedRegion, ...]:
    """The whole where one process makes it, else the first split of which every region is made.

    What a process that is asked before offers to make of it goes before the whole.
    """
    one = _routed(job, whole(feature), verdicts)
    if one.process == NONE:
        return _made(job, splits(job, feature, verdicts)) or (one,)
    before = list(itertools.takewhile(lambda v: v.process != one.process, verdicts))
    return _made(job, offered(job, feature, before)) or (one,)


def _made(job: JobContext, ways: Iterable[Sequence[Region]]) -> tuple[RoutedRegion, ...]:
    for split in ways:
        made = tuple(
            _routed(job, r, _answers(job.with_pieces(s.piece for s in split), r.piece)) for r in split
        )
        if all(r.process != NONE for r in made):
            return made
    return ()


def _routed(job: JobContext, region: Region, verdicts: tuple[Verdict, ...]) -> RoutedRegion:
    first = next((v for v in verdicts if v.workable), None)
    ahead = tuple(_ahead(job, region.piece, verdicts, first)) if first else ()
    return RoutedRegion(region, first.process if first else NONE, verdicts, ahead)


def _ahead(job: JobContext, piece: Feature, verdicts: Sequence[Verdict], first: Verdict) -> Iterator[Verdict]:
    """Who takes the bulk before the process that makes the feature whole, where each leaves little enough."""
    left = np.inf
    for verdict in verdicts[: verdicts.index(first)]:
        if verdict.rest is not None:
            bulk = (
                cut_mm3(job, piece)
                if is_undercut(piece)
                else HeightGrid.of(job, piece, verdict.approach.direction).removed_mm3
            )
            if verdict.rest.volume_mm3 < WORTH_A_SETUP * min(bulk, left):
                yield verdict
                left = verdict.rest.volume_mm3


def _forced(answer: Verdict, feature: Feature) -> Flag:
    left = f"; about {answer.shortfall_mm3:.3g} mm3 stays behind" if answer.shortfall_mm3 > 0 else ""
    text = f"{answer.process} was asked for though {answer.reason}{left}."
    return Flag("forced-process", Severity.BLOCKING, feature.id, text)
