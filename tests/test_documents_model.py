"""The coloured model, read back by the reader that customers' files go through."""

from __future__ import annotations

from pathlib import Path

import pytest
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf
from OCP.TopLoc import TopLoc_Location

from featurize.brep.shapes import FACE, centroid, each, volume_mm3
from featurize.step.read import read_step
from routing.export.model import write_model
from routing.export.palette import colours, rgb


def _placed() -> TopLoc_Location:
    turn = gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(3, 2, 1), gp_Dir(1, 1, 0)), 0.7)
    return TopLoc_Location(turn)


@pytest.mark.parametrize("place", [TopLoc_Location(), _placed()], ids=["own place", "moved"])
def test_faces_keep_order_place_name_and_colour(tmp_path: Path, place: TopLoc_Location) -> None:
    solid = BRepPrimAPI_MakeBox(10, 20, 30).Solid().Moved(place)
    labels = [(process, f"{process} F{n:02d}") for n, process in enumerate(colours(), 1)]
    write_model(solid, labels, "K-17", tmp_path / "m.step")
    part = read_step(tmp_path / "m.step", isolate=False).parts[0]
    assert part.name == "K-17"
    assert part.face_names == tuple(label for _, label in labels)
    for (process, _), colour in zip(labels, part.face_colours, strict=True):
        assert colour == pytest.approx(rgb(process), abs=1e-5)
    for old, new in zip(each(solid, FACE), each(part.solid, FACE), strict=True):
        assert centroid(new) == pytest.approx(centroid(old), abs=1e-9)
    assert volume_mm3(part.solid) == pytest.approx(10 * 20 * 30)


def test_two_runs_give_the_same_bytes(tmp_path: Path) -> None:
    solid = BRepPrimAPI_MakeBox(10, 20, 30).Solid()
    for name in ("a", "b"):
        write_model(solid, [("wire", "wire F01")] * 6, "K-17", tmp_path / name)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_labels_must_match_the_faces(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="5 labels for 6 faces"):
        write_model(BRepPrimAPI_MakeBox(1, 1, 1).Solid(), [("wire", "")] * 5, "K", tmp_path / "m.step")
