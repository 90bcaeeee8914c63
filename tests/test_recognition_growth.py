"""Recognition takes its time in proportion: counted calls, not seconds, so that no machine decides it."""

from __future__ import annotations

import sys
from pathlib import Path
from types import FrameType

import pytest

import featurize
from featurize.brep.build import build_part
from featurize.recognise import recognise
from tests.benchmarks.recognition_growth import plate
from tests.support.sampled import few

_OURS = str(Path(featurize.__file__).parent)
_COUNT = 24
# Twice as much costs twice as much, and a little for what neighbours cost in the middle of the plate.
_GROWTH = 2.3


def calls(form: str, count: int) -> int:
    """Calls of our own functions while a plate is recognised; what arrays do within one counts once."""
    part = build_part(plate(form, count))
    seen = 0

    def note(frame: FrameType, event: str, _: object) -> None:
        nonlocal seen
        seen += event == "call" and frame.f_code.co_filename.startswith(_OURS)

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        recognise(part)
    finally:
        sys.setprofile(before)
    return seen


@pytest.mark.parametrize("form", few(("holes", "teeth", "pockets"), 2))
def test_calls_grow_no_faster_than_what_there_is_to_find(form: str) -> None:
    one, two, four = (calls(form, k * _COUNT) for k in (1, 2, 4))
    assert four - two < _GROWTH * (two - one)
