"""What is asked of the cuts beside places that may break out (common practice, no source)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from featurize.feature import Feature
from routing.plan.choice import RoutedRegion
from routing.plan.thin_walls import crossed, fragile_places, runs_out
from routing.processes.context import JobContext
from routing.processes.material_rules import MaterialRule

# From here on a material's free edges break out where a cut leaves over them (common practice, no source).
_CHIPS = 0.5


@dataclass(frozen=True)
class Care:
    """By feature id. ``thin`` in words, ``over`` the openings whose rim a feature's cut runs out over.

    ``by_cut`` are features whose own rim another cut runs out over, ``out`` those that run out over a free
    edge of what chips.
    """

    rule: MaterialRule
    thin: Mapping[str, tuple[str, ...]]
    over: Mapping[str, tuple[str, ...]]
    by_cut: frozenset[str]
    out: frozenset[str]

    @classmethod
    def of(cls, job: JobContext, regions: Sequence[RoutedRegion]) -> Care:
        rule = job.shop.rule(job.material)
        cut = _features(r for r in regions if _is_cut(job, r))
        thin: dict[str, tuple[str, ...]] = {}
        for place in fragile_places(job):
            thin[place.feature] = (*thin.get(place.feature, ()), place.words)
        opened = [
            f
            for f in _features(r for r in regions if r.verdict is not None)
            if f.kind.traits.hole or f.kind.traits.opening
        ]
        out = frozenset(f.id for f in cut if runs_out(f)) if rule.chipping >= _CHIPS else frozenset()
        return cls(
            rule, thin, crossed(job, cut, opened), frozenset().union(*crossed(job, cut, cut).values()), out
        )

    def notes(self, job: JobContext, region: RoutedRegion) -> tuple[str, ...]:
        """For the steps of one region."""
        if not _is_cut(job, region):
            return ()
        name, feed = region.feature.id, f"reduced feed ({self.rule.careful_feed:.0%})"
        found = [
            f"{name} {words}: {feed} and depth, enter and leave at it, lift between passes"
            for words in self.thin.get(name, ())
        ]
        if over := self.over.get(name):
            found.append(f"{name} crosses {', '.join(over)}: enter and leave it at {feed}")
        if name in self.out:
            found.append(f"{name} runs out over a free edge that chips: enter and leave at {feed}")
        return tuple(found)

    def is_crossed(self, region: RoutedRegion) -> bool:
        """Whether a thin feature is crossed by another cut, so that it is opened first."""
        return region.feature.id in self.thin and region.feature.id in self.by_cut


def _features(regions: Iterable[RoutedRegion]) -> list[Feature]:
    found = {r.feature.id: r.feature for r in regions}
    return list(found.values())


def _is_cut(job: JobContext, region: RoutedRegion) -> bool:
    verdict = region.verdict
    return verdict is not None and job.processes[verdict.process].is_forceful and not region.piece.bores
