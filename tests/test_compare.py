"""Revisions: what an edit changed is said, and nothing else."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import cadquery as cq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from featurize.brep.build import build_part
from featurize.compare import Change, compare
from featurize.feature import Kind
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.plan.revision import Revision, revise
from tests.support.sampled import few
from tests.support.transforms import as_bsplines, moved, with_split_faces, write_step

ROOT = Path(__file__).resolve().parents[1]
DEMOS = ("forming_insert", "pierce_die", "wear_plate", "crossing_block")
motions = st.tuples(
    st.tuples(*[st.integers(-3, 3)] * 3).filter(any),
    st.integers(0, 359),
    st.tuples(*[st.integers(-50, 50)] * 3),
)


@cache
def _demo(name: str) -> tuple[Any, Recognition]:
    solid = read_step(ROOT / "demo_models" / f"{name}.step", isolate=False).parts[0].solid
    return solid, _recognised(solid)


def _recognised(shape: Any) -> Recognition:
    return recognise(build_part(shape))


def _insert(
    *,
    pocket_x: float = -12.0,
    slot_deep: float = 4.0,
    chamfer: bool = True,
    hole: bool = False,
    length: float = 60.0,
    drill: float = 6.6,
) -> Any:
    """An insert with a pocket, a slot across, two holes and a chamfer along one edge below."""
    body = cq.Workplane().box(length, 40, 20, centered=(False, True, False)).translate((-30, 0, 0))
    body = body.cut(cq.Workplane().box(14, 10, 6).edges("|Z").fillet(2).translate((pocket_x, 8, 17)))
    body = body.cut(cq.Workplane().box(8, 60, 20).translate((15, 0, 20 - slot_deep + 10)))
    for y, d in ((-12, drill), (3, 7.3)):
        body = body.cut(cq.Workplane().circle(d / 2).extrude(30).translate((-22, y, -5)))
    if hole:
        body = body.cut(cq.Workplane().circle(1.5).extrude(30).translate((0, -12, -5)))
    if chamfer:
        body = body.faces("<Z").edges("<X").chamfer(1.5)
    return body.val().wrapped


@cache
def _base() -> Recognition:
    return _recognised(_insert())


def _changes(**edit: Any) -> tuple[Change, ...]:
    return compare(_base(), _recognised(_insert(**edit))).changes


@pytest.mark.parametrize("name", few(DEMOS, 2))
@pytest.mark.parametrize("dress", [with_split_faces, as_bsplines])
def test_a_demo_in_other_clothes_is_the_same(name: str, dress: Any) -> None:
    solid, found = _demo(name)
    # Turned onto its back as well; its names are lost, so only what has none may be compared.
    assert compare(found, _recognised(moved(dress(solid), (1, 0, 0), 180, (3, 4, 5)))).changes == ()


@settings(max_examples=3, deadline=None)
@given(st.sampled_from(DEMOS), motions)
def test_a_demo_that_was_moved_is_the_same(name: str, motion: Any) -> None:
    solid, found = _demo(name)
    comparison = compare(found, _recognised(moved(solid, *motion)))
    assert comparison.changes == ()
    kinds = {f.id: f.kind for f in found.features}
    assert {old for old in comparison.pairs if kinds[old] != Kind.OUTSIDE_FACE} == {
        f.id for f in found.features if f.kind != Kind.OUTSIDE_FACE
    }


@settings(max_examples=3, deadline=None)
@given(motions)
def test_a_disc_that_was_turned(motion: Any) -> None:
    def disc(x: float) -> Any:
        top = cq.Workplane().circle(25).extrude(15).faces(">Z").workplane()
        return top.pushPoints([(x, 3), (-8, 9), (2, -12)]).hole(4.6, 9).val().wrapped

    found = _recognised(disc(10))
    assert compare(found, _recognised(moved(disc(10), *motion))).changes == ()
    (change,) = compare(found, _recognised(moved(disc(10.5), *motion))).changes
    assert (change.what, change.kind) == (("moved",), Kind.HOLE)


def test_a_hole_more() -> None:
    (change,) = _changes(hole=True)
    assert (change.what, change.kind, change.old) == (("new",), Kind.HOLE, None)
    assert "diameter 3" in change.detail


def test_a_hole_less() -> None:
    (change,) = compare(_recognised(_insert(hole=True)), _base()).changes
    assert (change.what, change.kind, change.new) == (("gone",), Kind.HOLE, None)


@pytest.mark.parametrize("by_mm", [0.5, -0.05, 3.0])
def test_a_pocket_moved(by_mm: float) -> None:
    (change,) = _changes(pocket_x=-12.0 + by_mm)
    assert (change.what, change.kind) == (("moved",), Kind.POCKET)
    assert f"{abs(by_mm):.3f}" in change.detail


def test_a_slot_deepened() -> None:
    (change,) = _changes(slot_deep=4.2)
    assert (change.what, change.kind, change.detail) == (("size",), Kind.SLOT, "depth 4 to 4.2")


def test_a_hole_wider() -> None:
    (change,) = _changes(drill=6.5)
    assert (change.what, change.kind, change.detail) == (("size",), Kind.HOLE, "diameter 6.6 to 6.5")


def test_a_chamfer_dropped() -> None:
    (change,) = _changes(chamfer=False)
    assert (change.what, change.kind) == (("gone",), Kind.CHAMFER)


def test_all_edits_at_once_in_a_moved_file() -> None:
    edited = _insert(hole=True, pocket_x=-11.5, slot_deep=4.2, chamfer=False)
    changes = compare(_base(), _recognised(moved(edited, (1, 2, 3), 100, (5, 6, 7)))).changes
    assert sorted((c.what, str(c.kind)) for c in changes) == [
        (("gone",), "chamfer"),
        (("moved",), "pocket"),
        (("new",), "hole"),
        (("size",), "slot"),
    ]


def test_a_longer_part_keeps_its_features() -> None:
    changes = _changes(length=61.0)
    assert changes[0].kind is None
    assert "was 60" in changes[0].detail
    # Its far face went 1 mm outwards; nothing else did.
    assert [(c.what, c.kind) for c in changes[1:]] == [(("moved",), Kind.OUTSIDE_FACE)]


def _revised(**edit: Any) -> Revision:
    routes = [make_plan(r, load_shop(), Choices()) for r in (_base(), _recognised(_insert(**edit)))]
    return revise(*routes)


def test_operations_change_with_their_features() -> None:
    assert _revised() == Revision((), (), ())
    deeper = _revised(slot_deep=4.2)
    slot = deeper.features[0].new
    assert deeper.operations
    assert all(o.what == "changed" and str(slot) in o.detail for o in deeper.operations)
    more = _revised(hole=True)
    new = more.features[0].new
    assert more.operations
    assert all(o.what == "new" or f"also {new}" in o.detail for o in more.operations)


def test_edges_that_a_person_decided_otherwise() -> None:
    """All edges of the pocket and no others, also in a moved file."""
    old = make_plan(_base(), load_shop(), Choices())
    pocket = next(f.id for f in _base().features if f.kind == Kind.POCKET)
    moved_part = _recognised(moved(_insert(), (1, -2, 1), 70, (5, 0, -30)))
    again = compare(_base(), moved_part).pairs[pocket]
    new = make_plan(moved_part, load_shop(), Choices(edges={again: "must break"}))
    changes = revise(old, new).edges
    assert {c.old for c in changes} == {v.id for v in old.edges if pocket in v.features}
    assert len(changes) > 8  # four sides, four corners, and a hole breaks in
    assert {(c.was, c.now) for c in changes} == {("keep sharp", "must break")}


def _run(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "routing.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, cwd=ROOT)


def test_the_command(tmp_path: Path) -> None:
    old = write_step(_insert(), tmp_path / "a.step")
    new = write_step(moved(_insert(hole=True), (0, 0, 1), 30), tmp_path / "b.step", unit="INCH")
    done = _run("compare", old, new, "--json", "-o", tmp_path / "c.json")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert result == json.loads((tmp_path / "c.json").read_text())
    assert not result["same"]
    assert [f["what"] for f in result["features"]] == [["new"]]
    assert _run("compare", old, new, "--strict").returncode == 1
    same = _run("compare", old, old, "--strict")
    assert (same.returncode, "no change" in same.stdout) == (0, True)
    (tmp_path / "bad.step").write_text("hello")
    bad = _run("compare", old, tmp_path / "bad.step")
    assert (bad.returncode, bad.stdout, bad.stderr.count("\n")) == (2, "", 1)
