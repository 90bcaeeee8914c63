"""The colours of processes stay apart in grey."""

from __future__ import annotations

from itertools import combinations

import pytest

from routing.export.palette import colours, luminance, rgb
from routing.processes.rooms import process_names

# WCAG 2.2 defines contrast as (L1 + 0.05) / (L2 + 0.05); 3:1 is what it asks of graphics on a ground, for
# neighbours among six shades the even spacing is about 21 ** (1 / 5) = 1.84. Ours must keep 1.25.
_CONTRAST = 1.25


@pytest.mark.parametrize(("one", "other"), list(combinations(colours(), 2)))
def test_any_two_colours_differ_in_lightness(one: str, other: str) -> None:
    dark, light = sorted((luminance(rgb(one)), luminance(rgb(other))))
    assert (light + 0.05) / (dark + 0.05) >= _CONTRAST


def test_every_process_has_a_colour() -> None:
    assert set(colours()) == {*process_names(), "none", "blank"}


def test_luminance_of_known_colours() -> None:
    # WCAG 2.2: 1 for white, 0 for black, and 0.2126 for pure red by definition of the weights.
    assert luminance((1, 1, 1)) == pytest.approx(1)
    assert luminance((0, 0, 0)) == 0
    assert luminance((1, 0, 0)) == pytest.approx(0.2126)
