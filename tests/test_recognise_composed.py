"""Random inserts whose answer key is how they were built.

Apart: at least 99 % of features have the right kind and sizes within 0.001 mm. Crossing: 95 %.

    python tests/test_recognise_composed.py FIRST_SEED COUNT
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

from support.composed import compose

from featurize.brep.build import build_part
from featurize.recognise import recognise
from tests.crossing_score import score


@dataclass
class Tally:
    """Features built, found with all sizes that the part still shows, and with all sizes as cut."""

    built: int = 0
    right: int = 0
    as_cut: int = 0

    @property
    def share(self) -> float:
        return self.right / self.built


def tally(seeds: range, *, crossing: bool, tell: bool = False) -> Tally:
    """Counts over some seeds; ``tell`` prints what was missed, beside what was seen of its kind."""
    sums = Tally()
    for seed in seeds:
        work, built = compose(seed, crossing=crossing)
        features = list(recognise(build_part(work.val().Solids()[0].wrapped)).features)  # type: ignore[union-attr]
        for b in sorted(built, key=lambda b: -len(b.shown or b.dims)):
            hit = b.found_in(features)
            sums.built += 1
            sums.right += hit is not None
            sums.as_cut += hit is not None and b.found_in([hit], as_cut=True) is not None
            if hit is not None:
                features.remove(hit)
            elif tell:
                print(seed, "/".join(sorted(b.kinds)), b.dims, "shown", b.shown)
                for f in features:
                    if f.kind in b.kinds:
                        print("      ", f.kind, {k: round(v, 3) for k, v in f.dims.items()}, f.opens_to)
    return sums


def test_features_that_stand_apart() -> None:
    found = tally(range(5), crossing=False)
    assert found.built > 35
    assert found.share >= 0.99


def test_features_that_may_cross() -> None:
    found = tally(range(100, 105), crossing=True)
    assert found.built > 35
    assert found.share >= 0.95


def test_cuts_are_told_apart_as_the_boolean_made_them() -> None:
    """The answer is the kernel's history of each cutter's faces (`python -m tests.crossing_score`)."""
    found = score(range(1000, 1012))
    assert not found.lost
    assert found.cuts > 40
    assert found.right / found.cuts >= 0.95, found.wrong


if __name__ == "__main__":
    start, count = (int(word) for word in sys.argv[1:3])
    for crossing in (False, True):
        found = tally(range(start, start + count), crossing=crossing, tell=True)
        print(
            "crossing" if crossing else "apart",
            f"{found.right} of {found.built} ({found.share:.2%})",
            end=" ",
        )
        print(f"with every size the part still shows, {found.as_cut} with every size as cut")
