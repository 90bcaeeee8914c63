"""The transforms that other tests lean on: same solid, still valid."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.GProp import GProp_GProps
from OCP.TopoDS import TopoDS
from support import transforms

from featurize.brep.shapes import FACE, SOLID, each, free_edges, volume_mm3
from featurize.step.read import read_step

# A 40 x 30 x 10 block with a 5 mm bore and a corner notch: closed form of its volume.
VOLUME_MM3 = 40 * 30 * 10 - math.pi * 2.5**2 * 10 - 8 * 6 * 4


@pytest.fixture(scope="module")
def block() -> Any:
    box = BRepPrimAPI_MakeBox(40, 30, 10).Solid()
    bore = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(25, 12, 0), gp_Dir(0, 0, 1)), 2.5, 10).Solid()
    notch = BRepPrimAPI_MakeBox(gp_Pnt(0, 0, 6), 8, 6, 4).Solid()
    return each(BRepAlgoAPI_Cut(BRepAlgoAPI_Cut(box, bore).Shape(), notch).Shape(), SOLID)[0]


def check_same_part(shape: Any) -> None:
    solids = each(shape, SOLID)
    assert len(solids) == 1
    assert BRepCheck_Analyzer(solids[0]).IsValid()
    assert free_edges(solids[0]) == 0
    props = GProp_GProps()  # to a stated error: the plain call is only good to 1e-4 on B-splines
    BRepGProp.VolumeProperties_s(solids[0], props, 1e-7)
    assert props.Mass() == pytest.approx(VOLUME_MM3, rel=1e-6)


CHANGES: dict[str, Callable[[Any], Any]] = {
    "as made": lambda s: s,
    "moved": lambda s: transforms.moved(s, (1, 2, 3), 77, (100, -20, 3)),
    "mirrored": lambda s: transforms.mirrored(s, (1, 1, 0), (5, 0, 0)),
    "B-splines": transforms.as_bsplines,
    "every face split": lambda s: transforms.with_split_faces(s, 1),
    "every third face split": lambda s: transforms.with_split_faces(s, 3, 1),
    "moved, then split": lambda s: transforms.with_split_faces(transforms.moved(s, (1, 2, 3), 33), 2),
}


@pytest.mark.parametrize("change", CHANGES)
def test_same_part(block: Any, change: str) -> None:
    check_same_part(CHANGES[change](block))


def test_splitting_splits(block: Any) -> None:
    faces = len(each(block, FACE))
    assert len(each(transforms.with_split_faces(block, 1), FACE)) >= 2 * faces
    assert faces < len(each(transforms.with_split_faces(block, 3), FACE)) < 2 * faces


def test_bsplines_are_bsplines(block: Any) -> None:
    kinds = {
        BRepAdaptor_Surface(TopoDS.Face_s(f)).GetType() for f in each(transforms.as_bsplines(block), FACE)
    }
    assert kinds == {GeomAbs_SurfaceType.GeomAbs_BSplineSurface}


def test_a_mirror_moves_the_notch(block: Any) -> None:
    corner = transforms.mirrored(BRepPrimAPI_MakeBox(1, 1, 1).Solid(), (1, 0, 0))
    assert volume_mm3(corner) == pytest.approx(1)
    assert transforms._middle_plane(corner, 0).Location().X() == pytest.approx(-0.5)


@pytest.mark.parametrize("schema", ["AP203", "AP214", "AP242"])
@pytest.mark.parametrize(("unit", "told"), [("MM", "mm"), ("INCH", "inch"), ("CM", "cm"), ("M", "m")])
def test_written_in_any_dress(block: Any, tmp_path: Path, schema: str, unit: str, told: str) -> None:
    path = transforms.write_step(block, tmp_path / "block.step", schema=schema, unit=unit, name="Block 7")
    document = read_step(path, isolate=False)
    (part,) = document.parts
    assert (document.schema, document.source_units, part.name, part.count) == (schema, told, "Block 7", 1)
    assert document.notes == []
    assert part.healed == ()
    check_same_part(part.solid)
    assert [p.name for p in tmp_path.iterdir()] == ["block.step"]  # no rough file left


def test_written_in_an_assembly(block: Any, tmp_path: Path) -> None:
    path = transforms.write_in_assembly(block, tmp_path / "a.step", name="Block 7")
    (part,) = read_step(path, isolate=False).parts
    assert part.name == "Block 7"
    check_same_part(part.solid)
    (alone,) = read_step(transforms.write_step(block, tmp_path / "b.step"), isolate=False).parts
    here = transforms._middle_plane(part.solid, 0).Location()
    there = transforms._middle_plane(alone.solid, 0).Location()
    assert here.Distance(there) > 1  # the component's place is kept
