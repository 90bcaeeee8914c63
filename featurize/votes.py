"""What tells which side of a part works: clues, each with what it is worth.

A kind of feature names its clue in its traits: one of these, or one of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Clue:
    """Something seen on the part; ``words`` take the side it points to.

    ``along`` and ``up`` are natural logarithms of likelihood ratios. ``along``: that the thickness lies along
    what the clue points to, against across it. ``up``: that the side pointed to is the working side; that it
    is the mounting side has the same odds the other way round.
    """

    words: str
    along: float
    up: float = 0.0


# Fitted by maximum likelihood (`python -m tests.frame_calibration fit 0 2000`) to inserts made at random of
# known working side (tests/support/sided.py, those seeds): all at once, so that clues that come together are
# not counted twice; beside each how many inserts had it. How often a toolroom does what is our own guess, no
# source.

# Of the part as a whole.
FLAT = Clue("how flat it is along {}", 3.51)  # 1879
LONG = Clue("how long it is along {}", 1.86)  # 1465
ROUND = Clue("its round outside about {}", 3.03)  # 656
WHOLE = Clue("how whole its outside face is on {}", 0.36, -0.45)  # 2000
# Of its features.
THREAD = Clue("threads from {}", 1.56, -1.25)  # 803
MAYBE_THREAD = Clue("blind holes that may be threads from {}", 2.20, -0.49)  # 594
BLIND_HOLE = Clue("blind holes from {}", 2.06, 0.03)  # 313
THROUGH_HOLE = Clue("holes right through along {}", 1.61)  # 1095
SEAT = Clue("screw heads let in from {}", 1.99, 0.76)  # 453
COUNTERBORE = Clue("counterbores from {}", 0.29, 0.59)  # 63
OPENING = Clue("openings right through along {}", 1.25)  # 335
LAND = Clue("the land of openings at {}", 0.73, 1.75)  # 197
WIDE_END = Clue("the wide end of openings at {}", 0.83, -0.90)  # 218
POCKET = Clue("closed pockets from {}", 1.27, 0.45)  # 444
SLOT = Clue("slots from {}", 1.38, 0.10)  # 739
STEP = Clue("steps from {}", 2.76, 1.58)  # 706
STANDING = Clue("what stands up towards {}", 3.31, 0.56)  # 527
FORM = Clue("contoured surfaces that look to {}", 1.55, 0.98)  # 300
ENGRAVED = Clue("shallow engraved details from {}", 1.13, 0.53)  # 499
CHAMFER = Clue("broken edges of {}", 1.42, -0.57)  # 895

WHOLE_PART = frozenset({FLAT, LONG, ROUND, WHOLE})
FITTED: Mapping[str, Clue] = {name: c for name, c in dict(globals()).items() if isinstance(c, Clue)}
