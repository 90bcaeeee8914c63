"""What reading notices is told with a code and a severity, and comes through to every paper."""

from __future__ import annotations

import csv
import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.Interface import Interface_Static
from OCP.STEPControl import STEPControl_Controller, STEPControl_StepModelType, STEPControl_Writer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Compound, TopoDS_Face, TopoDS_Shell, TopoDS_Solid
from support.corpus import corpus_files, needs_corpus
from support.transforms import moved, write_step

from featurize.brep.build import build_part
from featurize.brep.shapes import FACE, SOLID, each, volume_mm3
from featurize.brep.solids import centre_of
from featurize.errors import StepError
from featurize.kinds import Kind
from featurize.recognise import recognise
from featurize.step.document import Skip, StepDocument
from featurize.step.notes import NoteSeverity, ReadNote
from featurize.step.read import read_step
from featurize.step.syntax import Content
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs import job

ROOT = Path(__file__).resolve().parents[1]
RADII = rb"(CYLINDRICAL_SURFACE\('',#\d+,)[\d.]+\)"


def box(x: float = 10, y: float = 20, z: float = 30) -> Any:
    return BRepPrimAPI_MakeBox(x, y, z).Solid()


def plate() -> Any:
    """With four bores through it."""
    solid = BRepPrimAPI_MakeBox(80, 60, 20).Solid()
    for x, y in ((15, 15), (65, 15), (15, 45), (65, 45)):
        tool = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, -1), gp_Dir(0, 0, 1)), 4, 22).Shape()
        solid = BRepAlgoAPI_Cut(solid, tool).Shape()
    return each(solid, SOLID)[0]


def together(shapes: Sequence[Any]) -> Any:
    whole, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(whole)
    for shape in shapes:
        builder.Add(whole, shape)
    return whole


def read(text: bytes, folder: Path) -> StepDocument:
    path = folder / "insert.step"
    path.write_bytes(text)
    return read_step(path, isolate=False)


def noticed(document: StepDocument) -> dict[str, ReadNote]:
    return {note.code: note for part in document.parts for note in document.noticed(part)}


def refused(text: bytes, folder: Path) -> str:
    with pytest.raises(StepError) as caught:
        read(text, folder)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.fixture(scope="module")
def holed(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return write_step(plate(), tmp_path_factory.mktemp("holed") / "plate.step", name="plate").read_bytes()


# What is noticed


def test_a_sound_file_is_told_nothing_of(holed: bytes, tmp_path: Path) -> None:
    assert noticed(read(holed, tmp_path)) == {}


@needs_corpus
@pytest.mark.parametrize("folder", ["exports", "mfcad", "features24"])
def test_published_files_are_not_blocked(folder: str, tmp_path: Path) -> None:
    """Files of several systems; one is apart by 0.05 mm as it stands, one only refers to others."""
    blocked = {}
    for path in corpus_files(folder, "**/*.st*p", 8):
        with suppress(StepError):
            found = noticed(read_step(path, isolate=False)).values()
            if codes := [n.code for n in found if n.severity == NoteSeverity.BLOCKING]:
                blocked[path.name] = codes
    assert set(blocked) <= {"HEAD_BACK.stp"}, blocked


@pytest.mark.parametrize("radius", [b"$", b"*", b"'4.'", b"4O.", b"4.0.0", b""])
def test_unreadable_radii_block(radius: bytes, holed: bytes, tmp_path: Path) -> None:
    bad, count = re.subn(RADII, rb"\g<1>" + radius + rb")", holed)
    assert count == 4
    if radius == b"4.0.0":  # the kernel makes 4 of it
        found = noticed(read(bad, tmp_path))
        assert found["text-unreadable"].severity == NoteSeverity.BLOCKING
    else:  # without its radius a bore's wall is off its rims by 4 mm
        assert "apart 4 mm at x" in refused(bad, tmp_path)


def test_faces_that_do_not_come_through_are_counted(tmp_path: Path) -> None:
    """Of two blocks, one has lost the surface of a face: it opens, and five of its faces are left over."""
    pair = together([box(), moved(box(10, 10, 10), shift_mm=(50, 0, 0))])
    good = write_step(pair, tmp_path / "pair.step").read_bytes()
    bad = re.sub(rb"(ADVANCED_FACE\('',\(#\d+\),)#\d+", rb"\1$", good, count=1)
    document = read(bad, tmp_path)
    assert [round(volume_mm3(p.solid)) for p in document.parts] == [1000]
    found = noticed(document)
    assert "1 of the 12 faces" in found["faces-lost"].message
    assert (
        "5 faces" in found["surfaces-left-out"].message
        or "4 free edges" in found["surfaces-left-out"].message
    )
    assert all(found[c].severity == NoteSeverity.BLOCKING for c in ("faces-lost", "surfaces-left-out"))


@pytest.mark.parametrize("instead", [rb"MANIFOLD_SOLID_BREP('',$)", rb"BLOCK('',$,1.,2.,3.)"])
def test_a_solid_that_does_not_come_through_is_counted(instead: bytes, tmp_path: Path) -> None:
    pair = together([box(), moved(box(10, 10, 10), shift_mm=(50, 0, 0))])
    good = write_step(pair, tmp_path / "pair.step").read_bytes()
    assert noticed(read(good, tmp_path)) == {}
    bad = re.sub(rb"MANIFOLD_SOLID_BREP\('',#\d+\)", instead, good, count=1)
    document = read(bad, tmp_path)
    assert [round(volume_mm3(p.solid)) for p in document.parts] == [1000]
    assert any(note.severity == NoteSeverity.BLOCKING for note in noticed(document).values())


def test_a_surface_beside_a_solid_is_told(tmp_path: Path) -> None:
    both = together([box(), *each(moved(box(5, 5, 5), shift_mm=(50, 0, 0)), FACE)[:2]])
    document = read(write_step(both, tmp_path / "a.step").read_bytes(), tmp_path)
    assert len(document.parts) == 1
    assert noticed(document)["surfaces-left-out"].severity == NoteSeverity.BLOCKING


def test_a_void_is_told_as_what_it_is(tmp_path: Path) -> None:
    """A block of 20 with a cavity of 5 x 4 x 3 in it."""
    cavity = moved(box(5, 4, 3), shift_mm=(10, 8, 9))
    hollow = each(BRepAlgoAPI_Cut(BRepPrimAPI_MakeBox(20, 20, 20).Shape(), cavity).Shape(), SOLID)[0]
    document = read(write_step(hollow, tmp_path / "a.step").read_bytes(), tmp_path)
    assert volume_mm3(document.parts[0].solid) == pytest.approx(8000 - 60)
    found = noticed(document)
    assert list(found) == ["closed-void"]
    assert re.search(
        r"1 void .* 60 mm3 at x 12.500, y 10.000, z 10.500.*no tool", found["closed-void"].message
    )
    assert found["closed-void"].severity == NoteSeverity.BLOCKING


def test_repairs_are_notes_unless_they_change_the_part(tmp_path: Path) -> None:
    solid = box()
    faces = each(solid, FACE)
    document = read(write_step(together(faces), tmp_path / "a.step").read_bytes(), tmp_path)
    assert {c: n.severity for c, n in noticed(document).items()} == {"skin-sewn": NoteSeverity.NOTE}
    assert document.parts[0].healed == (noticed(document)["skin-sewn"].message,)


def meshed(solid: Any) -> Any:
    """The solid with triangles in place of its surfaces."""
    BRepMesh_IncrementalMesh(solid, 0.5)
    builder, shell, bare = BRep_Builder(), TopoDS_Shell(), TopoDS_Solid()
    builder.MakeShell(shell)
    for face in each(solid, FACE):
        triangles = TopoDS_Face()
        builder.MakeFace(triangles, BRep_Tool.Triangulation_s(TopoDS.Face_s(face), TopLoc_Location()))
        builder.Add(shell, triangles)
    builder.MakeSolid(bare)
    builder.Add(bare, shell)
    return bare


@pytest.fixture
def tessellating() -> Iterator[None]:
    """The kernel's writer put to AP242 with meshes."""
    STEPControl_Controller.Init_s()
    settings = {"write.step.schema": "AP242DIS", "write.step.tessellated": "On"}
    before = {name: Interface_Static.CVal_s(name) for name in settings}
    for name, value in settings.items():
        Interface_Static.SetCVal_s(name, value)
    yield
    for name, value in before.items():
        Interface_Static.SetCVal_s(name, value)


def _tessellated(path: Path, *shapes: Any) -> bytes:
    writer = STEPControl_Writer()
    for shape in shapes:
        writer.Transfer(shape, STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(str(path))
    assert b"TESSELLATED_SOLID" in path.read_bytes()
    return path.read_bytes()


@pytest.mark.usefixtures("tessellating")
def test_triangles_alone_are_refused_as_such(tmp_path: Path) -> None:
    text = _tessellated(tmp_path / "a.step", meshed(BRepPrimAPI_MakeCylinder(10, 20).Solid()))
    assert re.search("only as triangles .tessellated.*export exact solids", refused(text, tmp_path))


@pytest.mark.usefixtures("tessellating")
def test_triangles_beside_an_exact_solid_are_left_out_and_told(tmp_path: Path) -> None:
    text = _tessellated(tmp_path / "a.step", meshed(box(5, 5, 5)), moved(box(), shift_mm=(50, 0, 0)))
    document = read(text, tmp_path)
    assert [volume_mm3(p.solid) for p in document.parts] == pytest.approx([6000])
    assert noticed(document)["mesh-left-out"].severity == NoteSeverity.BLOCKING
    # Linked to the exact solid, they are only its picture.
    (solid,) = re.findall(rb"(#\d+) = MANIFOLD_SOLID_BREP", text)
    linked = re.sub(rb"(TESSELLATED_SOLID\([^$]*)\$", rb"\1" + solid, text)
    assert noticed(read(linked, tmp_path))["mesh-left-out"].severity == NoteSeverity.NOTE


# What is refused before the kernel sees it


NO_NUMBERS = (
    "NAN",
    "nan",
    "-nan(ind)",
    "1.#QNAN",
    "-1.#IND",
    "1.#INF00",
    "INF",
    "-Infinity",
    "1.E400",
    "-1.5e+999",
    "1.E+300",
    "-1.4E+154",
)


@pytest.mark.parametrize("number", NO_NUMBERS)
@pytest.mark.parametrize(
    "where", [rb"(CARTESIAN_POINT\('',\()[\d.E+-]+", rb"(CYLINDRICAL_SURFACE\('',#\d+,)[\d.E+-]+"]
)
def test_what_is_no_number_is_refused_with_its_line(
    number: str, where: bytes, holed: bytes, tmp_path: Path
) -> None:
    first = re.search(where, holed)
    assert first is not None
    bad = holed[: first.end(1)] + number.encode() + holed[first.end() :]
    said = refused(bad, tmp_path)
    line = bad.count(b"\n", 0, first.end()) + 1
    assert f"gives {number} where a number belongs, at line {line}:" in said


def test_such_words_in_a_name_do_no_harm(holed: bytes, tmp_path: Path) -> None:
    named = holed.replace(b"'plate'", b"'NAN,1.E400,(INF)'")
    assert noticed(read(named, tmp_path)) == {}


def test_a_long_number_that_overflows(holed: bytes, tmp_path: Path) -> None:
    for digits in (400, 200):
        bad = re.sub(RADII, rb"\g<1>" + b"9" * digits + rb".)", holed, count=1)
        assert "where a number belongs" in refused(bad, tmp_path)
    good = re.sub(rb"CARTESIAN_POINT\('',\(0\.", b"CARTESIAN_POINT('',(0." + b"0" * 400, holed)
    assert noticed(read(good, tmp_path)) == {}


@pytest.mark.parametrize("links", [1, 2, 5])
def test_an_assembly_that_holds_itself(links: int, holed: bytes, tmp_path: Path) -> None:
    ring = "".join(
        f"#9{n}0000=NEXT_ASSEMBLY_USAGE_OCCURRENCE('{n}','','',#8{n}0000,#8{(n + 1) % links}0000,$);\n"
        for n in range(links)
    )
    own = "".join(f"#8{n}0000=PRODUCT_DEFINITION('','',#6,#9);\n" for n in range(links))
    text = holed.replace(b"DATA;\n", b"DATA;\n" + own.encode() + ring.encode())
    line = text[: text.index(b"NEXT_ASSEMBLY")].count(b"\n") + 1
    assert f"an assembly that contains itself (line {line})" in refused(text, tmp_path)
    # The same without the last link is no circle.
    if links > 1:
        open_ring = ring.encode().rpartition(b"#9")[0]
        read(holed.replace(b"DATA;\n", b"DATA;\n" + own.encode() + open_ring), tmp_path)


# Texts the kernel's scanner or its names stumble over


@pytest.mark.parametrize("place", [b"ISO-10303-21;", b"HEADER;", b"DATA;"])
def test_a_long_comment(place: bytes, holed: bytes, tmp_path: Path) -> None:
    comment = b"/* " + b"exported with care; 'quoted' #1 = DATA;\n" * 5000 + b"*/"
    document = read(holed.replace(place, comment + place, 1), tmp_path)
    assert (len(document.parts), document.schema, noticed(document)) == (1, "AP214", {})


def test_a_long_name(holed: bytes, tmp_path: Path) -> None:
    document = read(holed.replace(b"'plate'", b"'" + b"N" * 40_000 + b"'", 1), tmp_path)
    assert len(document.parts) == 1


@pytest.mark.parametrize(
    ("name", "encoding", "guess"),
    [
        ("金型インサート表", "shift-jis", "Shift-JIS"),
        ("ダイプレート", "shift-jis", "Shift-JIS"),
        ("Größe Ü50", "cp1252", "Windows 1252"),
        ("pièce à découper", "latin-1", "Windows 1252"),
        ("嵌件 Größe", "utf-8", ""),
        (r"caf\X\E9", "ascii", ""),
    ],
)
def test_names_of_old_code_pages(name: str, encoding: str, guess: str, holed: bytes, tmp_path: Path) -> None:
    """The code pages are the standard library's."""
    document = read(holed.replace(b"'plate'", b"'" + name.encode(encoding) + b"'"), tmp_path)
    assert document.parts[0].name == name.replace(r"\X\E9", "é")
    found = noticed(document)
    assert list(found) == (["names-guessed"] if guess else [])
    assert guess in "".join(note.message for note in found.values())


@pytest.mark.parametrize(("name", "encoding"), [("嵌件", "gbk"), ("금형", "euc-kr"), ("плита", "cp1251")])
def test_names_that_nobody_can_tell_are_left_out(
    name: str, encoding: str, holed: bytes, tmp_path: Path
) -> None:
    document = read(holed.replace(b"'plate'", b"'" + name.encode(encoding) + b" 12'"), tmp_path)
    assert re.fullmatch(r"\?+ 12", document.parts[0].name)
    assert list(noticed(document)) == ["names-unreadable"]


# What is no file at all


def test_a_folder_and_a_pipe_are_called_so(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="is a folder"):
        read_step(tmp_path)
    with pytest.raises(StepError, match="There is no file"):
        read_step(tmp_path / "none.step")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.step")
        with pytest.raises(StepError, match="a pipe or a device"):
            read_step(tmp_path / "pipe.step")


def test_a_large_file_is_told_what_can_be_done(tmp_path: Path) -> None:
    path = tmp_path / "large.step"
    with path.open("wb") as file:
        file.truncate(201_000_000)  # takes no room on most file systems
    with pytest.raises(
        StepError, match=r"201.0 MB, and at most 200 MB are read: export the insert alone"
    ) as caught:
        read_step(path)
    assert "raise" not in str(caught.value)


# Through to the papers


def _run(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "routing.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=170, cwd=ROOT)


def test_damage_stands_in_every_paper(holed: bytes, tmp_path: Path) -> None:
    model, out = tmp_path / "plate.step", tmp_path / "out"
    model.write_bytes(re.sub(RADII, rb"\g<1>4.0.0)", holed))
    done = _run("route", model, "-o", out, "--strict")
    assert done.returncode == 1, done.stderr
    assert "blocking text-unreadable: The file is damaged" in done.stdout
    flags = json.loads((out / "route.json").read_text())["flags"]
    (flag,) = [f for f in flags if f["code"] == "text-unreadable"]
    assert (flag["severity"], flag["feature"]) == ("blocking", None)
    assert "The file is damaged" in (out / "report.html").read_text()
    listed = json.loads(_run("features", model, "--json").stdout)
    assert [f["code"] for f in listed[0]["flags"]] == ["text-unreadable"]


def test_the_batch_calls_damage_blocked(holed: bytes, tmp_path: Path) -> None:
    models = tmp_path / "models"
    models.mkdir()
    (models / "plate.step").write_bytes(re.sub(RADII, rb"\g<1>4.0.0)", holed))
    done = _run("batch", models, "-o", tmp_path / "out", "--workers", 1, "--no-cache")
    assert "1 blocked" in done.stdout + done.stderr
    with (tmp_path / "out" / "summary.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["status"] == "blocked"
    assert "blocking: text-unreadable" in row["flags"]
    assert "The file is damaged" in row["notes"]


def test_features_and_route_refuse_the_same(holed: bytes, tmp_path: Path) -> None:
    """Bores without a radius: their walls are off their rims."""
    model = tmp_path / "plate.step"
    model.write_bytes(re.sub(RADII, rb"\g<1>$)", holed))
    route, features = (_run(command, model) for command in ("route", "features"))
    assert (route.returncode, features.returncode) == (2, 2)
    assert route.stderr == features.stderr
    assert "plate is damaged: its edges and faces are apart 4 mm" in route.stderr


def test_features_of_a_damaged_part_that_no_route_is_found_for_are_not_listed(
    holed: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ValueError("nonsense")

    def listed(text: bytes) -> object:
        (tmp_path / "plate.step").write_bytes(text)
        return job._features_in_child(tmp_path / "plate.step", Choices(), load_shop(), Skip.NOTHING)

    monkeypatch.setattr(job, "_one_part", fails)
    assert listed(holed)
    with pytest.raises(StepError, match="too damaged to work with: The file is damaged"):
        listed(re.sub(RADII, rb"\g<1>4.0.0)", holed))


# Large, far and tiny


def pierced() -> Any:
    """A block of 40 x 30 x 20 with a bore of 8 through it."""
    block, tool = BRepPrimAPI_MakeBox(40, 30, 20).Solid(), BRepPrimAPI_MakeCylinder(4, 20).Shape()
    return each(BRepAlgoAPI_Cut(block, moved(tool, shift_mm=(15, 12, 0))).Shape(), SOLID)[0]


def check_pierced(solid: Any, within: float) -> None:
    """Its volume against the closed form, and its bore."""
    part = build_part(solid)
    assert part.volume_mm3 == pytest.approx(40 * 30 * 20 - math.pi * 16 * 20, rel=within)
    (hole,) = [f for f in recognise(part).features if f.kind == Kind.HOLE]
    assert hole.dims["diameter_mm"] == pytest.approx(8, abs=1e-6)
    assert hole.dims["depth_mm"] == pytest.approx(20, abs=1e-6)


@pytest.mark.parametrize("far_mm", [1_000.0, 15_000.0])
def test_far_from_the_origin_nothing_changes(far_mm: float, tmp_path: Path) -> None:
    """15 m: dies are drawn where the car body stands. The volume is the closed form's."""
    away = moved(pierced(), (1, 2, 3), 33, (far_mm, -0.6 * far_mm, 0.8 * far_mm))
    document = read(write_step(away, tmp_path / "a.step").read_bytes(), tmp_path)
    assert noticed(document) == {}
    check_pierced(document.parts[0].solid, 1e-9)


@pytest.mark.parametrize("far_mm", [1e5, 1e6, 9e6])
def test_farther_out_the_part_is_moved_near_by_whole_metres(far_mm: float, tmp_path: Path) -> None:
    away = moved(pierced(), (1, 2, 3), 33, (far_mm + 0.25, -0.6 * far_mm, 0.8 * far_mm))
    document = read(write_step(away, tmp_path / "a.step").read_bytes(), tmp_path)
    (solid,) = document.parts
    assert solid.moved_mm == (-far_mm, 0.6 * far_mm, -0.8 * far_mm)
    note = noticed(document)["far-from-origin"]
    assert note.severity == NoteSeverity.WARNING
    assert f"moved by X{-far_mm:+.0f} Y{0.6 * far_mm:+.0f} Z{-0.8 * far_mm:+.0f} mm" in note.message
    near = moved(pierced(), (1, 2, 3), 33, (0.25, 0, 0))
    assert np.allclose(centre_of(solid.solid), centre_of(near), atol=1e-6)
    check_pierced(solid.solid, 1e-8)


@pytest.mark.parametrize("far_mm", [1e8, 1e9, 1e12])
def test_where_no_number_keeps_a_micrometre_the_part_is_refused(far_mm: float, tmp_path: Path) -> None:
    path = write_step(moved(pierced(), shift_mm=(0, far_mm, 0)), tmp_path / "a.step")
    assert re.search(r"mm from the origin.*move it to the origin", refused(path.read_bytes(), tmp_path))


def test_a_part_of_sixty_metres_is_asked_for_its_unit(tmp_path: Path) -> None:
    path = write_step(box(60_000, 20, 10), tmp_path / "a.step", name="long")
    said = refused(path.read_bytes(), tmp_path)
    assert "long is 60000 mm long" in said
    assert "is it in the right unit? If 2362.2 mm (25.4 times off) or 60 mm (1000 times off)" in said


def test_a_part_of_a_fifth_of_a_millimetre_is_asked_too(tmp_path: Path) -> None:
    document = read(write_step(box(0.2, 0.2, 0.1), tmp_path / "a.step").read_bytes(), tmp_path)
    note = noticed(document)["odd-size"]
    assert note.severity == NoteSeverity.WARNING
    assert "is it in the right unit? If 5.08 mm" in note.message


def test_a_wall_of_ten_nanometres_is_told(tmp_path: Path) -> None:
    document = read(write_step(box(20, 20, 1e-5), tmp_path / "a.step").read_bytes(), tmp_path)
    assert "a wall of no thickness" in noticed(document)["faces-doubled"].message


def test_geometry_that_nothing_uses_is_told(holed: bytes, tmp_path: Path) -> None:
    """A point of an edge is exchanged for another: no grammar can tell, but one point is left over."""
    points = re.findall(rb"VERTEX_POINT\('',(#\d+)\)", holed)
    bad = holed.replace(b"VERTEX_POINT('',%b)" % points[0], b"VERTEX_POINT('',%b)" % points[1])
    (note,) = [n for n in Content(bad).damage() if n.code == "geometry-unused"]
    line = re.search(r"first at line (\d+)", note.message)
    assert line is not None
    assert bad.splitlines()[int(line[1]) - 1].startswith(points[0] + b" = CARTESIAN_POINT")
    assert Content(holed).damage() == ()
    # Numbers with leading zeros are the same numbers.
    assert Content(re.sub(rb"(?<==)([^;]*)#(\d)", rb"\1#00\2", holed)).damage() == ()


# Files that refer to others


def _referring(holed: bytes, *names: str) -> bytes:
    own = "".join(f"#7{n}0000=DOCUMENT_FILE('{name}','','',#7,'',$);\n" for n, name in enumerate(names))
    return holed.replace(b"DATA;\n", b"DATA;\n" + own.encode())


def test_a_missing_part_blocks_and_a_missing_drawing_does_not(holed: bytes, tmp_path: Path) -> None:
    found = noticed(read(_referring(holed, "punch.stp", "drawing.pdf"), tmp_path))
    assert found["files-missing"].severity == NoteSeverity.BLOCKING
    assert "the files punch.stp are" in found["files-missing"].message
    assert noticed(read(_referring(holed, "drawing.pdf"), tmp_path)) == {}


def test_damage_in_a_file_that_is_referred_to_is_told(holed: bytes, tmp_path: Path) -> None:
    """Through one that is sound, and back to the first: a ring ends."""
    (tmp_path / "a.stp").write_bytes(_referring(holed, "b.stp"))
    (tmp_path / "b.stp").write_bytes(_referring(re.sub(RADII, rb"\g<1>4.0.0)", holed), "insert.step"))
    text = _referring(holed, "a.stp")
    found = noticed(read(text, tmp_path))
    assert found["text-unreadable"].message.startswith("b.stp: The file is damaged")
    (tmp_path / "b.stp").write_bytes(re.sub(RADII, rb"\g<1>NAN)", holed))
    assert refused(text, tmp_path).startswith("b.stp gives NAN")


def test_every_code_is_in_the_guide() -> None:
    source = "".join(p.read_text() for p in (ROOT / "featurize" / "step").glob("*.py"))
    codes = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', source)) - {"latin-1", "utf-8"}
    told = set(re.findall(r"`([a-z]+(?:-[a-z]+)+)`", (ROOT / "docs" / "damaged_files.md").read_text()))
    assert len(codes) > 20
    assert codes == told
