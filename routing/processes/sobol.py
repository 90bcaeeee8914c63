"""Points spread evenly over a cube: the Sobol sequence in three dimensions.

Direction numbers of Joe and Kuo (2008) for the primitive polynomials x + 1 and x^2 + x + 1, in Gray code
order (Antonov and Saleev 1979). Ours, since the library that has it loads for longer than a small part takes.
"""

from __future__ import annotations

import numpy as np

from featurize.brep.surfaces import Array

_BITS = 30


def sobol(count: int) -> Array:
    """The first points (count, 3) of the sequence, from the origin, in [0, 1)."""
    first, second, third = [1, 1], [1, 3], [1, 3]
    for _ in range(2, _BITS):
        first.append(1)
        second.append(2 * second[-1] ^ second[-1])
        third.append(2 * third[-1] ^ 4 * third[-2] ^ third[-2])
    ways = np.array([first, second, third]) << np.arange(_BITS - 1, -1, -1)
    place = np.arange(count)
    gray = place ^ place >> 1
    found = np.zeros((count, 3), np.int64)
    for bit in range(count.bit_length()):
        found ^= (gray[:, None] >> bit & 1) * ways[:, bit]
    return np.asarray(found / 2.0**_BITS)
