"""Random inserts whose answer key is how they were built.

Apart: at least 99 % of features have the right kind and sizes within 0.001 mm. Crossing: 95 %.
"""

from __future__ import annotations

import sys

from support.composed import compose

from featurize.brep.build import build_part
from featurize.recognise import recognise


def tally(seeds: range, *, crossing: bool, tell: bool = False) -> tuple[int, int]:
    """Features found right, and features built."""
    right = built_in_all = 0
    for seed in seeds:
        work, built = compose(seed, crossing=crossing)
        features = list(recognise(build_part(work.val().Solids()[0].wrapped)).features)  # type: ignore[union-attr]
        for b in built:
            hit = b.found_in(features)
            if hit is not None:
                features.remove(hit)
            elif tell:
                print(seed, sorted(b.kinds), b.dims)
                for f in features:
                    if f.kind in b.kinds:
                        print("      ", f.kind, dict(f.dims), f.opens_to)
            right += hit is not None
            built_in_all += 1
    return right, built_in_all


def test_features_that_stand_apart() -> None:
    right, built = tally(range(12), crossing=False)
    assert built > 100
    assert right / built >= 0.99


def test_features_that_may_cross() -> None:
    right, built = tally(range(100, 112), crossing=True)
    assert built > 100
    assert right / built >= 0.95


if __name__ == "__main__":
    for crossing in (False, True):
        right, built = tally(range(int(sys.argv[1])), crossing=crossing, tell=True)
        print("crossing" if crossing else "apart", right, "of", built, f"{right / built:.2%}")
