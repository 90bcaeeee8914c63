"""How sure the program is of the working side, and how often it is right: on inserts whose side is known.

    python -m tests.frame_calibration table FIRST_SEED COUNT
    python -m tests.frame_calibration composed FIRST_SEED COUNT
    python -m tests.frame_calibration fit FIRST_SEED COUNT

``table`` counts the inserts of some seeds by confidence; ``composed`` those of tests/support/composed.py,
which were made for another purpose and take no part in the fit, every other one with crossing cuts. ``fit``
prints the weights of ``featurize.votes`` anew from some seeds: maximum likelihood of the known sides (a
conditional logit), held back by a normal prior, so that a clue that is seldom seen weighs little.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize

from featurize.brep.build import build_part
from featurize.brep.frame import SIDES
from featurize.recognise import recognise
from featurize.recognise.clues import clues
from featurize.recognise.sides import shares
from featurize.votes import FITTED, Clue
from tests.support.composed import compose
from tests.support.sided import sided

# The prior of every weight: normal, of this width (odds of 3 to 1 are no surprise, of 20 to 1 they are).
PRIOR = 1.0
BINS = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True)
class Answer:
    """What was said of one insert: how sure, and whether side and thickness were right."""

    seed: int
    blank: str
    confidence: float
    side: bool
    thickness: bool


def answer(seed: int) -> Answer | None:
    """None where the part cannot be recognised at all."""
    insert = sided(seed)
    return _judged(seed, insert.blank, insert.solid, insert.working)


def composed_answer(seed: int) -> Answer | None:
    """Likewise; all that is composed is cut from above, but for holes right through and across."""
    crossing = seed % 2 == 1
    work, _ = compose(seed, crossing=crossing)
    solid = max(work.val().Solids(), key=lambda s: s.Volume()).wrapped  # type: ignore[union-attr]
    return _judged(seed, "crossing" if crossing else "apart", solid, (0.0, 0.0, 1.0))


def _judged(seed: int, blank: str, solid: Any, working: tuple[float, float, float]) -> Answer | None:
    try:
        found = recognise(build_part(solid))
    except AssertionError:  # a face claimed twice: a fault of recognition, counted by the caller
        return None
    along = float(found.part.frame.direction("+z") @ np.array(working))
    return Answer(seed, blank, found.sides.confidence, along > 0.999, abs(along) > 0.999)


def seen(seed: int) -> tuple[dict[Clue, np.ndarray], int] | None:
    """The clues of one insert in the frame it was built in, and the place of its working side in SIDES."""
    insert = sided(seed)
    part = build_part(insert.solid)
    try:
        features = recognise(part, working_side="+z").features
    except AssertionError:
        return None
    side = part.frame.side_of(np.array(insert.working))
    return None if side is None else (clues(part, features), SIDES.index(side))


def over(seeds: Iterable[int], what):
    with ProcessPoolExecutor(2) as pool:
        return [found for found in pool.map(what, seeds, chunksize=8) if found is not None]


def table(answers: Sequence[Answer]) -> list[tuple[str, int, float, float, float]]:
    """By confidence: how many, how sure on average, how often right in the side and in the thickness."""
    rows = []
    for low, high in zip(BINS, (*BINS[1:], np.inf), strict=True):
        mine = [a for a in answers if low <= a.confidence < high]
        name = f"{low:.1f} to {high:.1f}" if high <= 1 else "1.0"
        if mine:
            mean, side, thick = np.mean([(a.confidence, a.side, a.thickness) for a in mine], axis=0)
            rows.append((name, len(mine), float(mean), float(side), float(thick)))
    return rows


def fit(found: Sequence[tuple[dict[Clue, np.ndarray], int]]) -> dict[Clue, tuple[float, float]]:
    """Weights (along, up) of every clue."""
    every = list(FITTED.values())
    x = np.zeros((len(found), len(SIDES), 2 * len(every)))
    for n, (pointing, _) in enumerate(found):
        for clue, points_to in pointing.items():
            k = every.index(clue)
            x[n, :, 2 * k], x[n, :, 2 * k + 1] = shares(points_to)
    truth = np.array([side for _, side in found])

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        odds = x @ w
        odds -= odds.max(axis=1, keepdims=True)
        likely = np.exp(odds)
        likely /= likely.sum(axis=1, keepdims=True)
        hit = likely[np.arange(len(truth)), truth]
        gradient = np.einsum("nsk,ns->k", x, likely) - x[np.arange(len(truth)), truth].sum(axis=0)
        return float(-np.log(hit).sum() + (w**2).sum() / (2 * PRIOR**2)), gradient + w / PRIOR**2

    best = minimize(loss, np.zeros(2 * len(every)), jac=True).x
    return {c: (float(best[2 * k]), float(best[2 * k + 1])) for k, c in enumerate(every)}


def main(words: Sequence[str]) -> None:
    what, start, count = words[0], int(words[1]), int(words[2])
    seeds = range(start, start + count)
    if what == "fit":
        found = over(seeds, seen)
        print(f"# {len(found)} of the inserts of seeds {start} to {start + count - 1}")
        fitted = fit(found)
        for name, clue in FITTED.items():
            n = sum(clue in pointing for pointing, _ in found)
            along, up = fitted[clue]
            print(f'{name} = Clue("{clue.words}", {along:.2f}, {up:.2f})  # {n}')
        return
    answers = over(seeds, {"table": answer, "composed": composed_answer}[what])
    print(f"{len(answers)} of {count} inserts, seeds {start} to {start + count - 1}\n")
    print("| said | inserts | mean | side right | thickness right |\n| --- | ---: | ---: | ---: | ---: |")
    for name, n, mean, side, thick in table(answers):
        print(f"| {name} | {n} | {mean:.3f} | {side:.1%} | {thick:.1%} |")
    for blank in dict.fromkeys(a.blank for a in answers):
        mine = [a for a in answers if a.blank == blank]
        print(
            f"{blank}: {len(mine)}, side right {np.mean([a.side for a in mine]):.1%}, thickness right "
            f"{np.mean([a.thickness for a in mine]):.1%}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
