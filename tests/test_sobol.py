"""Evenly spread points against a general library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from routing.processes.sobol import sobol


@pytest.mark.parametrize("count", [1, 2, 64, 512, 4096])
def test_the_sequence_is_the_librarys(count: int) -> None:
    # scipy.stats.qmc, which has the direction numbers of Joe and Kuo (2008)
    assert np.array_equal(sobol(count), qmc.Sobol(3, scramble=False).random(count))
