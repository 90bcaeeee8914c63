"""What a feature covers, seen along a direction."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.silhouette import View, enclosed
from featurize.brep.solids import KernelError


def outline_of(part: Part, view: View, ids: NDArray[np.int64]) -> Any:
    """The region that a feature's faces cover or enclose, islands filled."""
    whole = enclosed(part, view, ids)
    if whole.is_empty:
        raise KernelError("the feature encloses nothing seen from there")
    return whole.simplify(tol.SNAP_MM)
