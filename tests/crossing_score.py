"""How many cuts of random blocks with crossing cuts come out as they were made, by the boolean's history.

    python -m tests.crossing_score COUNT [FIRST_SEED] [--where]

A cut counts when one feature has all of its faces, no other, and a kind that fits the cutter. Cutters of
whose walls another has taken one wholly are left out: what is left of them may fairly have another name.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import partial

from featurize.brep.build import build_part
from featurize.isolate import Child
from featurize.recognise import recognise
from tests.support.crossing import crossed

_TIME_LIMIT_S = 60.0


@dataclass(frozen=True)
class Cut:
    """A cutter's name, whether its cut was found with the right faces and kind, and what was said instead."""

    name: str
    faces_right: bool
    right: bool
    said: str


@dataclass
class Tally:
    """Cuts in all, with the right faces, with the right kind too; by cutter; seeds that crashed or hung."""

    cuts: int = 0
    faces_right: int = 0
    right: int = 0
    by_name: Counter[tuple[str, bool]] = field(default_factory=Counter)
    lost: list[int] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def cuts_of(seed: int) -> list[Cut]:
    """Every cut of one block that still has its walls."""
    block = crossed(seed)
    part = build_part(block.solid)
    found = {frozenset(i for f in x.faces for i in part.faces[f].source): x for x in recognise(part).features}
    cuts = []
    for k, cutter in enumerate(block.cutters):
        faces = block.faces_of(k)
        if not faces or k in block.lost:
            continue
        whole = [(found[ids], kinds) for ids, kinds in block.readings(k) if ids in found]
        said = sorted(str(x.kind) for ids, x in found.items() if ids & faces)
        right = any(x.kind in kinds for x, kinds in whole)
        cuts.append(Cut(cutter.name, bool(whole), right, ", ".join(said)))
    return cuts


def score(seeds: Iterable[int]) -> Tally:
    """Each block in a fork of its own."""
    sums = Tally()
    for seed in seeds:
        child = Child(fork=partial(cuts_of, seed))
        try:
            cuts: list[Cut] = child.result(_TIME_LIMIT_S)
        except Exception:  # whatever a crashed or hung child is told as
            sums.lost.append(seed)
            continue
        finally:
            child.kill()
        for cut in cuts:
            sums.cuts += 1
            sums.faces_right += cut.faces_right
            sums.right += cut.right
            sums.by_name[cut.name, cut.right] += 1
            if not cut.right:
                sums.wrong.append(f"{seed} {cut.name} -> {cut.said}")
                print(sums.cuts, sums.wrong[-1], file=sys.stderr, flush=True)
    return sums


def main() -> None:
    count, *first = (int(word) for word in sys.argv[1:] if not word.startswith("-"))
    start = first[0] if first else 0
    sums = score(range(start, start + count))
    print(f"{count} blocks, {len(sums.lost)} lost {sums.lost or ''}")
    print(
        f"faces right:          {sums.faces_right} of {sums.cuts} cuts ({sums.faces_right / sums.cuts:.2%})"
    )
    print(f"faces and kind right: {sums.right} of {sums.cuts} cuts ({sums.right / sums.cuts:.2%})")
    for name in sorted({name for name, _ in sums.by_name}):
        right, wrong = sums.by_name[name, True], sums.by_name[name, False]
        print(f"  {name:28} {right:4} of {right + wrong:4}")
    if "--where" in sys.argv:
        print("\n".join(sums.wrong))


if __name__ == "__main__":
    main()
