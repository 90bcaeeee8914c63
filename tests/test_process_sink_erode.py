"""Sink-erosion: sight, corner against gap, depth and gaps."""

from __future__ import annotations

from dataclasses import replace

import cadquery as cq
import pytest

from featurize.feature import Kind
from tests.support.routed import asked, block, job_of, owned, shop_with, the


def electrodes(**changes: float) -> object:
    return replace(owned("electrodes"), **changes)


def square_pocket(x: float = 14, y: float = 9, depth: float = 4) -> cq.Workplane:
    return block().faces(">Z").workplane().rect(x, y).cutBlind(-depth)


@pytest.mark.parametrize(("gap", "workable"), [(0.02, True), (0.029, True), (0.031, False)])
def test_a_sharp_corner_keeps_edge_plus_gap(gap: float, workable: bool) -> None:
    # Closed form: sparks reach a gap round the electrode's own 0.02 edge; 0.05 in all is accepted.
    job = job_of(square_pocket(), shop_with(electrodes=electrodes(finish_gap_mm=gap)))
    verdict = asked(job, the(job, Kind.POCKET), "sink-erode")
    assert verdict.workable == workable, verdict.reason
    if not workable:
        assert "0.02 electrode corner plus 0.031 gap" in verdict.reason


def test_depth_is_limited() -> None:
    job = job_of(square_pocket(), shop_with(electrodes=electrodes(max_depth_mm=3.0)))
    assert "depth 4 is over the electrodes' 3" in asked(job, the(job, Kind.POCKET), "sink-erode").reason


@pytest.mark.parametrize(("width", "workable"), [(0.6, True), (0.2, False)])
def test_the_thinnest_electrode_needs_room(width: float, workable: bool) -> None:
    job = job_of(square_pocket(4, width))
    verdict = asked(job, the(job, Kind.POCKET), "sink-erode")
    assert verdict.workable == workable, verdict.reason


def test_what_no_side_sees_is_refused() -> None:
    # A blind tee: the undercut is closed at its ends.
    tee = cq.Workplane().box(20, 4, 8).union(cq.Workplane().box(20, 10, 3).translate((0, 0, -2.5)))
    job = job_of(block().cut(tee.translate((0, 0, 16))))
    verdicts = [asked(job, f, "sink-erode") for f in job.features if f.kind != Kind.OUTSIDE_FACE]
    assert any(not v.workable and ("looks away" in v.reason or "hides it" in v.reason) for v in verdicts)


@pytest.mark.parametrize("sides", [3, 4, 5, 6])
def test_sharp_corners_are_no_gaps(sides: int) -> None:
    job = job_of(block().faces(">Z").workplane().polygon(sides, 8).cutBlind(-3))
    verdict = asked(job, the(job, Kind.POCKET), "sink-erode")
    assert verdict.workable, verdict.reason
