"""Which side works and which is mounted, with how sure that is and why.

Six answers are possible: the working side looks to one of the six sides of the part's box. Each clue (see
:mod:`featurize.recognise.clues`) has its likelihood ratios, and Bayes' rule makes the posterior of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurize.brep.frame import SIDES, opposite
from featurize.brep.part import Part
from featurize.brep.surfaces import Array
from featurize.feature import Feature
from featurize.recognise.clues import clues
from featurize.votes import Clue

# So many parts are unlike all that were made: no evidence makes more certain than this leaves.
UNLIKE = 0.02

# Two answers whose odds differ by less are equally likely: the part stays as it stands.
_EVEN = 1e-6
# A clue is worth a word from these odds on.
_TELLING = np.log(1.25)
# No odds are told beyond 99 to 1.
_MOST = np.log(99)


@dataclass(frozen=True)
class Turned:
    """The part stands otherwise for a person's ``answers`` ("M8 for F07"): without them ``unanswered`` would
    work, a side of its frame."""

    unanswered: str
    answers: tuple[str, ...]


@dataclass(frozen=True)
class SideChoice:
    """``working`` and ``mounting`` are side labels of the part's frame: "+z" and "-z" once it stands on its
    mounting side, as it does after :func:`featurize.recognise.recognise`.

    ``confidence`` is the posterior of the working side among the six; 1.0 is a person's word, nothing else.
    """

    working: str
    mounting: str
    confidence: float
    evidence: tuple[str, ...]
    turned: Turned | None = None


GIVEN = SideChoice("+z", "-z", 1.0, ("given",))


def likeliest(part: Part, features: Sequence[Feature], standing: str = "+z") -> str:
    """The likeliest working side in the part's frame; ``standing`` where no other is likelier."""
    likely = posterior(log_odds(clues(part, features)))
    best = int(np.argmax(likely))
    return SIDES[best] if likely[best] > likely[SIDES.index(standing)] * (1 + _EVEN) else standing


def weighed(part: Part, features: Sequence[Feature], turned: Turned | None = None) -> SideChoice:
    """What speaks for and against the part as it stands, and how likely that makes it."""
    working = "+z"
    seen = clues(part, features)
    likely = float(posterior(log_odds(seen))[SIDES.index(working)])
    # Rounded down: what is shown as sure to 90 % is that sure.
    confidence = float(np.floor(likely * 1000 + _EVEN) / 1000)
    return SideChoice(working, opposite(working), confidence, _told(seen, working), turned)


def shares(points_to: Array) -> tuple[Array, Array]:
    """What of a clue lies along each of ``SIDES`` (6,), and what more looks that way than the other."""
    other = points_to[[SIDES.index(opposite(s)) for s in SIDES]]
    return points_to + other, points_to - other


def log_odds(seen: Mapping[Clue, Array]) -> Array:
    """Sum of the logarithms of the likelihood ratios for each of ``SIDES`` (6,)."""
    return sum((_one(clue, points_to) for clue, points_to in seen.items()), np.zeros(len(SIDES)))


def _one(clue: Clue, points_to: Array) -> Array:
    along, up = shares(points_to)
    return np.asarray(clue.along * along + clue.up * up)


def posterior(odds: Array) -> Array:
    """Probabilities (..., 6) from log odds, with room for parts unlike any that were made."""
    likely = np.exp(odds - odds.max(axis=-1, keepdims=True))
    likely /= likely.sum(axis=-1, keepdims=True)
    return np.asarray((1 - UNLIKE) * likely + UNLIKE / len(SIDES))


def _told(seen: Mapping[Clue, Array], working: str) -> tuple[str, ...]:
    """The clues in words, the most telling first: the odds of the working side against the mounting side and
    against the likeliest side across, or the other way round."""
    odds = log_odds(seen)
    back = opposite(working)
    across = max((s for s in SIDES if s not in (working, back)), key=lambda s: odds[SIDES.index(s)])
    lines: list[tuple[float, str]] = []
    apart = False
    for clue, points_to in seen.items():
        each = dict(zip(SIDES, _one(clue, points_to).tolist(), strict=True))
        gains = [(each[working] - each[rival], rival) for rival in (back, across)]
        telling = [(gain, rival) for gain, rival in gains if abs(gain) >= _TELLING]
        apart |= abs(gains[0][0]) >= _TELLING
        if telling:
            words = ", ".join(_against(gain, working, rival) for gain, rival in telling)
            lines.append(
                (max(abs(g) for g, _ in telling), f"{clue.words.format(_where(points_to))}: {words}")
            )
    entries = tuple(words for _, words in sorted(lines, key=lambda s: -s[0]))
    return entries if apart else (f"nothing tells {working} and {back} apart", *entries)


def _against(gain: float, working: str, rival: str) -> str:
    one, other = (working, rival) if gain > 0 else (rival, working)
    return f"{np.exp(min(abs(gain), _MOST)):.2g} to 1 for {one} against {other}"


def _where(points_to: Array) -> str:
    """The sides that a clue points to most, or the axis."""
    most = points_to.max()
    sides = [s for s, share in zip(SIDES, points_to, strict=True) if share > most - 1e-3]
    if len(sides) == 2 and sides[0][1] == sides[1][1]:
        return sides[0][1]
    return " and ".join(sides)
