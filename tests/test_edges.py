"""Edges: what stays sharp. The verdicts are common practice in die making, no source."""

from __future__ import annotations

from collections import defaultdict

import cadquery as cq
import numpy as np
import pytest

from featurize.brep.build import build_part
from featurize.brep.part import Convexity
from featurize.brep.runs import edge_runs
from featurize.recognise import Recognition, recognise
from routing.inputs.choices import BREAKS
from routing.plan.edges import Break, EdgeVerdict, contradictions, edge_flags, edge_map
from routing.processes.flags import Severity
from tests.support.transforms import as_bsplines, with_split_faces

Z = 20.0


def seen(work: cq.Workplane) -> Recognition:
    """Working side +z of the model, threads as drawn."""
    (solid,) = work.solids().vals()
    return recognise(build_part(solid.wrapped), working_side=np.array([0.0, 0.0, 1.0]), threads={"4.2": "M5"})


def block() -> cq.Workplane:
    return cq.Workplane().box(60, 40, Z, centered=(True, True, False))


def levels(r: Recognition) -> dict[str, set[str]]:
    """Verdicts by where an edge lies: top, bottom or between."""
    found: dict[str, set[str]] = defaultdict(set)
    for v in edge_map(r.part, r.features):
        z = r.part.edges[int(v.id[1:])].points[:, 2]
        where = "top" if np.all(z > Z - 1e-3) else "bottom" if np.all(z < 1e-3) else "between"
        found[where].add(v.verdict)
    return dict(found)


def near(r: Recognition, x: float, y: float, z: float) -> EdgeVerdict:
    """The verdict of the edge that passes closest to a point."""
    verdicts = edge_map(r.part, r.features)
    return min(
        verdicts,
        key=lambda v: float(np.min(np.linalg.norm(r.part.edges[int(v.id[1:])].points - (x, y, z), axis=1))),
    )


def test_a_plain_block() -> None:
    r = seen(block())
    assert levels(r) == {"top": {"keep sharp"}, "bottom": {"must break"}, "between": {"may break"}}
    assert edge_flags(r.part, r.features) == []
    assert sum(v.length_mm for v in edge_map(r.part, r.features)) == pytest.approx(4 * (60 + 40 + Z))


def test_every_convex_edge_once() -> None:
    r = seen(block().faces(">Z").workplane().rect(20, 10).cutBlind(-5).faces("<Z").workplane().hole(5.5))
    ids = [v.id for v in edge_map(r.part, r.features)]
    assert ids == [f"E{e.id}" for e in r.part.edges if e.convexity == Convexity.CONVEX]


def test_recesses_on_the_working_side_stay_sharp_at_every_end() -> None:
    r = seen(block().faces(">Z").workplane().rect(60, 10).cutBlind(-5))
    assert near(r, 0, 5, Z).verdict == "keep sharp"
    # The channel's end, where floor and wall run out on the blank's side.
    assert near(r, 30, 0, Z - 5).verdict == "keep sharp"


def test_die_opening() -> None:
    opening = cq.Workplane(origin=(0, 0, 16)).rect(16, 10).extrude(4)
    relief = cq.Workplane(origin=(0, 0, 16)).rect(16, 10).extrude(-16, taper=-2)
    r = seen(block().cut(opening).cut(relief))
    assert near(r, 8, 0, Z).verdict == "keep sharp"
    assert near(r, 8, 0, 16).verdict == "keep sharp"
    assert near(r, 8.5, 0, 0).verdict == "may break"


def test_thread_and_hole_mouths_on_the_mounting_side() -> None:
    relief = cq.Workplane().circle(2.65).extrude(1.4)
    drill = cq.Workplane().circle(2.1).extrude(12)
    clearance = cq.Workplane().center(20, 10).circle(2.75).extrude(Z)
    r = seen(block().cut(relief).cut(drill).cut(clearance))
    thread = near(r, 2.65, 0, 0)
    assert thread.verdict == "must break"
    assert "thread mouth" in thread.reason
    assert near(r, 2.1, 0, 1.4).verdict == "may break"
    assert near(r, 22.75, 10, 0).verdict == "must break"
    assert near(r, 22.75, 10, Z).verdict == "keep sharp"


def test_a_chamfer_on_the_working_side_is_flagged() -> None:
    r = seen(block().faces(">Z").edges(">X").chamfer(0.5))
    (flag,) = edge_flags(r.part, r.features)
    assert (flag.code, flag.severity) == ("chamfer-on-working-side", Severity.WARNING)
    width = next(f for f in r.features if f.id == flag.feature).dims["width_mm"]
    assert f"{width:.3g} mm" in flag.message
    assert "as drawn" in near(r, 29.5, 0, Z).reason


def test_chamfers_below_and_upright_are_not() -> None:
    r = seen(block().faces("<Z").edges().chamfer(0.5))
    assert edge_flags(r.part, r.features) == []
    assert {v.reason for v in edge_map(r.part, r.features) if "already" in v.reason}
    upright = seen(block().edges("|Z").chamfer(1))
    assert edge_flags(upright.part, upright.features) == []


def test_a_round_on_the_working_side_is_noted() -> None:
    r = seen(block().faces(">Z").edges(">X").fillet(1.5))
    (flag,) = edge_flags(r.part, r.features)
    assert (flag.code, flag.severity) == ("round-on-working-side", Severity.NOTE)


def _profile() -> Recognition:
    """A block with a round opening right through: its land is what the die cuts with."""
    return seen(block().faces(">Z").workplane().rect(20, 10).cutThruAll())


def _asked(r: Recognition, **asked: str) -> dict[str, EdgeVerdict]:
    return {v.id: v for v in edge_map(r.part, r.features, asked)}


def test_the_words_of_the_choices_are_the_verdicts() -> None:
    assert tuple(Break) == BREAKS


def test_an_edge_that_a_person_decides_stands_and_goes_on_saying_what_it_is_for() -> None:
    r = _profile()
    land = near(r, 0, 5, Z)
    assert land.verdict == Break.KEEP_SHARP
    assert not land.asked
    decided = _asked(r, **{land.id: "may break"})
    assert decided[land.id].verdict == Break.MAY_BREAK
    assert decided[land.id].asked
    assert land.reason in decided[land.id].reason
    assert [v for v in decided.values() if v.id != land.id] == [
        v for v in edge_map(r.part, r.features) if v.id != land.id
    ]


def test_breaking_a_cutting_edge_is_flagged_with_the_reason() -> None:
    r = _profile()
    land = near(r, 0, 5, Z)
    opening = next(f.id for f in r.features if f.kind == "through profile")
    (flag,) = contradictions(list(_asked(r, **{land.id: "must break"}).values()), r.features)
    assert (flag.code, flag.severity, flag.feature) == ("forced-edge", Severity.WARNING, opening)
    assert land.id in flag.message
    assert land.reason in flag.message
    assert "keep sharp" in flag.message
    assert contradictions(edge_map(r.part, r.features), r.features) == []
    free = near(r, 30, 20, Z / 2)
    assert free.verdict == Break.MAY_BREAK
    assert contradictions(list(_asked(r, **{free.id: "must break"}).values()), r.features) == []


def test_all_edges_of_a_feature_the_edge_itself_before_it_and_the_sharper_of_two() -> None:
    r = _profile()
    opening = next(f for f in r.features if f.kind == "through profile")
    top = next(f for f in r.features if f.opens_to == ("+z",) and f.kind == "outside face")
    rim = near(r, 0, 5, Z)
    mine = {v.id for v in edge_map(r.part, r.features) if opening.id in v.features}
    decided = _asked(r, **{opening.id: "may break"})
    assert {v.id for v in decided.values() if v.asked} == mine
    assert _asked(r, **{opening.id: "may break", rim.id: "must break"})[rim.id].verdict == Break.MUST_BREAK
    for one, other in (
        ("may break", "keep sharp"),
        ("keep sharp", "may break"),
        ("keep sharp", "must break"),
    ):
        assert _asked(r, **{opening.id: one, top.id: other})[rim.id].verdict == Break.KEEP_SHARP
    assert _asked(r, **{"through profile": "may break"})[rim.id].verdict == Break.MAY_BREAK


@pytest.mark.parametrize("dress", [lambda s: s, with_split_faces, as_bsplines])
def test_edges_in_pieces_are_one(dress) -> None:
    """A block has 12 edges, a bore through it 2 rims: closed forms of length and middle."""
    (solid,) = block().faces(">Z").workplane().hole(8).solids().vals()
    part = build_part(dress(solid.wrapped))
    runs = edge_runs(part)
    assert len(runs) == 14
    assert sorted(r.length_mm for r in runs) == pytest.approx(
        sorted([60.0] * 4 + [40.0] * 4 + [Z] * 4 + [8 * np.pi] * 2), abs=1e-3
    )
    rims = sorted((r for r in runs if r.closed), key=lambda r: r.middle[2])
    assert [r.middle.tolist() for r in rims] == [pytest.approx((0, 0, z), abs=1e-3) for z in (0, Z)]
    for r in runs:
        assert (
            r.closed
            or sorted(np.abs(r.middle))[0] == pytest.approx(0, abs=1e-3)
            or abs(r.middle[2] - Z / 2) == pytest.approx(0, abs=1e-3)
        )
    assert {e.id for r in runs for e in r.edges} == {
        e.id for e in part.edges if e.convexity == Convexity.CONVEX
    }
