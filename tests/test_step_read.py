"""Reading: every bad file is one clear error; every good one gives solids in millimetres."""

from __future__ import annotations

import hashlib
import math
import os
import pickle
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from OCP.BRep import BRep_Builder
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS, TopoDS_Compound, TopoDS_Shell, TopoDS_Solid
from support.corpus import corpus_files, needs_corpus
from support.transforms import motion, moved, write_assembly, write_step

from featurize.brep.shapes import FACE, SHELL, centroid, each, free_edges, volume_mm3
from featurize.errors import Code, StepError
from featurize.step import kernel, read
from featurize.step.document import StepDocument
from featurize.step.header import Header
from featurize.step.heal import heal_solid
from featurize.step.read import read_step

HEADER = (
    "HEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n"
    "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));\nENDSEC;\n"
)
WHOLE = f"ISO-10303-21;\n{HEADER}DATA;\n#1=CARTESIAN_POINT('',(0.,0.,0.));\nENDSEC;\nEND-ISO-10303-21;\n"


def box(x: float, y: float, z: float) -> Any:
    return BRepPrimAPI_MakeBox(x, y, z).Solid()


def compound(shapes: list[Any]) -> Any:
    whole, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(whole)
    for shape in shapes:
        builder.Add(whole, shape)
    return whole


def shell(faces: list[Any]) -> Any:
    skin, builder = TopoDS_Shell(), BRep_Builder()
    builder.MakeShell(skin)
    for face in faces:
        builder.Add(skin, face)
    return skin


BAD = {
    "nothing in it": (b"", Code.EMPTY, "empty"),
    "blanks only": (b" \n\t", Code.EMPTY, "empty"),
    "another text": (b"solid mesh\nendsolid\n", Code.NOT_STEP, "export the model as STEP"),
    "a zip": (b"PK\x03\x04rest", Code.NOT_STEP, "unpack"),
    "gzip": (b"\x1f\x8brest", Code.NOT_STEP, "unpack"),
    "XML": (b"<?xml version='1.0'?>", Code.NOT_STEP, "plain STEP"),
    "first word only": (b"ISO-103", Code.TRUNCATED, "first line"),
    "cut short": (WHOLE[:-20].encode(), Code.TRUNCATED, "cut short"),
    "header only": (f"ISO-10303-21;\n{HEADER}END-ISO-10303-21;\n".encode(), Code.EMPTY, "no model"),
    "no entities": (
        f"ISO-10303-21;\n{HEADER}DATA;\nENDSEC;\nEND-ISO-10303-21;\n".encode(),
        Code.EMPTY,
        "no model",
    ),
    "a point only": (WHOLE.encode(), Code.NO_SOLID, "no solid"),
    "after a mark, comment and blanks": (
        b"\xef\xbb\xbf /* x */\n" + WHOLE.encode(),
        Code.NO_SOLID,
        "no solid",
    ),
    "no syntax": (
        WHOLE.replace("#1=CARTESIAN_POINT('',(0.,0.,0.));", "#1=(((,'").encode(),
        Code.UNREADABLE,
        "damaged",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_file_is_one_line(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    text, code, says = BAD[name]
    path = tmp_path / "insert.stp"
    path.write_bytes(text)
    with pytest.raises(StepError, match=says) as caught:
        read_step(path, isolate=False)
    assert caught.value.code is code
    assert "insert.stp" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert capfd.readouterr().out == ""


def test_missing_file(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere.step", tmp_path):
        with pytest.raises(StepError) as caught:
            read_step(path)
        assert caught.value.code is Code.MISSING


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "large.step"
    path.write_bytes(WHOLE.encode() + b" " * 20_000)
    with pytest.raises(StepError, match=r"0\.01 MB") as caught:
        read_step(path, size_limit_mb=0.01)
    assert caught.value.code is Code.TOO_LARGE


def test_time_limit(tmp_path: Path) -> None:
    path = write_step(box(10, 10, 10), tmp_path / "box.step")
    with pytest.raises(StepError) as caught:
        read_step(path, time_limit_s=0.01)
    assert caught.value.code is Code.TIMED_OUT


def test_reading_in_a_child_gives_the_same(tmp_path: Path) -> None:
    path = write_step(box(10, 20, 30), tmp_path / "box.step", name="Box")
    apart, here = read_step(path), read_step(path, isolate=False)
    assert apart.sha256 == here.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    for one, other in zip(apart.parts, here.parts, strict=True):
        assert (one.name, one.face_names, one.source_faces) == (
            other.name,
            other.face_names,
            other.source_faces,
        )
        centres = [[v for f in each(p.solid, FACE) for v in centroid(f)] for p in (one, other)]
        assert centres[0] == pytest.approx(centres[1])  # the order of the faces survives the way


def test_an_inch_is_25_4_mm(tmp_path: Path) -> None:
    # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
    path = write_step(box(25.4, 50.8, 76.2), tmp_path / "inch.step", unit="INCH")
    points = re.findall(r"CARTESIAN_POINT\('',\(([^)]*)\)\)", path.read_text())
    assert max(float(v) for p in points for v in p.split(",")) == pytest.approx(3)  # the file holds inches
    document = read_step(path, isolate=False)
    assert document.source_units == "inch"
    assert volume_mm3(document.parts[0].solid) == pytest.approx(6 * 25.4**3)


def test_identical_solids_are_counted(tmp_path: Path) -> None:
    pin, plate = box(5, 5, 20), box(50, 40, 5)
    places = [motion(shift_mm=(x, 0, 5)) for x in (10, 20, 30)]
    path = write_assembly([("pin", pin, places), ("plate", plate, [motion()])], tmp_path / "a.step")
    found = {p.name: p for p in read_step(path, isolate=False).parts}
    assert {name: part.count for name, part in found.items()} == {"pin": 3, "plate": 1}
    (top,) = [c for c in map(centroid, each(found["pin"].solid, FACE)) if math.isclose(c[2], 25)]
    assert top == pytest.approx((12.5, 2.5, 25))  # at its first place


def test_several_solids_in_one_product(tmp_path: Path) -> None:
    pair = compound([box(10, 10, 10), moved(box(10, 10, 20), shift_mm=(50, 0, 0))])
    parts = read_step(write_step(pair, tmp_path / "pair.step", name="pair"), isolate=False).parts
    assert sorted(volume_mm3(p.solid) for p in parts) == pytest.approx([1000, 2000])
    assert len({p.name for p in parts}) == 2


def test_open_skin_tells_its_free_edges(tmp_path: Path) -> None:
    path = write_step(shell(each(box(10, 10, 10), FACE)[:-1]), tmp_path / "open.step")
    with pytest.raises(StepError, match="4 free edges") as caught:
        read_step(path, isolate=False)
    assert caught.value.code is Code.NO_SOLID


@pytest.mark.parametrize("gap_mm", [0.0, 0.004])
def test_loose_faces_are_sewn(tmp_path: Path, gap_mm: float) -> None:
    faces = [BRepBuilderAPI_Copy(f).Shape() for f in each(box(10, 20, 30), FACE)]
    faces[0] = moved(faces[0], shift_mm=(-gap_mm, 0, 0))
    path = write_step(compound(faces), tmp_path / "loose.step")
    (part,) = read_step(path, isolate=False).parts
    assert volume_mm3(part.solid) == pytest.approx(6000, rel=1e-3)
    assert free_edges(part.solid) == 0
    assert "sewing" in part.healed[0]
    assert sorted(part.source_faces) == list(range(6))


def test_wide_gaps_stay_open(tmp_path: Path) -> None:
    faces = [BRepBuilderAPI_Copy(f).Shape() for f in each(box(10, 20, 30), FACE)]
    faces[0] = moved(faces[0], shift_mm=(-0.1, 0, 0))
    path = write_step(compound(faces), tmp_path / "gap.step")
    with pytest.raises(StepError, match="8 free edges"):
        read_step(path, isolate=False)


def test_inside_out_solid_is_turned() -> None:
    (body,), left = heal_solid(TopoDS.Solid_s(box(10, 10, 10).Reversed()))
    assert volume_mm3(body.solid) == pytest.approx(1000)
    assert [str(note) for note in body.notes] == ["inside-out solid turned to face outwards"]
    assert body.source_faces == tuple(range(6))
    assert not left


def test_sound_solid_is_left_alone() -> None:
    solid = box(10, 10, 10)
    (body,), _ = heal_solid(solid)
    assert body.solid.IsSame(solid)
    assert body.notes == ()


def test_faulty_solid_is_repaired_and_faces_are_traced() -> None:
    # One face of the skin looks inwards: the kernel calls the shell not orientable.
    faces = each(each(box(10, 20, 30), SHELL)[0], FACE)
    builder, solid = BRep_Builder(), TopoDS_Solid()
    builder.MakeSolid(solid)
    builder.Add(solid, shell([faces[0].Reversed(), *faces[1:]]))
    assert not BRepCheck_Analyzer(solid).IsValid()
    as_read = [centroid(f) for f in each(solid, FACE)]
    (body,), _ = heal_solid(solid)
    assert BRepCheck_Analyzer(body.solid).IsValid()
    assert volume_mm3(body.solid) == pytest.approx(6000)
    assert any("orient" in note.message for note in body.notes)
    for face, source in zip(each(body.solid, FACE), body.source_faces, strict=True):
        assert centroid(face) == pytest.approx(as_read[source])


@pytest.mark.parametrize(("side_mm", "noted"), [(0.4, True), (10, False), (1400, False), (2540, True)])
def test_odd_sizes_are_noted(tmp_path: Path, side_mm: float, noted: bool) -> None:
    (part,) = read_step(write_step(box(side_mm, 0.3, 0.3), tmp_path / "b.step"), isolate=False).parts
    assert any("25.4 times off" in note.message for note in part.notes) is noted


def test_plain_reader_takes_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> None:
        raise RuntimeError("no document")

    def check(document: StepDocument) -> None:
        assert volume_mm3(document.parts[0].solid) == pytest.approx(1000)
        assert document.parts[0].face_colours == (None,) * 6
        assert any("without colours" in note.message for note in document.notes)

    path = write_step(box(10, 10, 10), tmp_path / "box.step")
    monkeypatch.setattr(kernel, "_products", fail)
    check(read_step(path, isolate=False))
    monkeypatch.undo()
    check(read_step(path, isolate=False, plain=True))


def test_a_crash_is_followed_by_a_plain_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_step(box(10, 10, 10), tmp_path / "box.step")
    monkeypatch.setattr(read, "_load", crash_unless_plain)
    assert len(read_step(path).parts) == 1


def crash_unless_plain(path: Path, header: Header, plain: bool) -> StepDocument:
    if not plain:
        os.abort()
    return kernel.load(path, header, plain)


def test_reading_loads_no_kernel_before_the_text_is_checked() -> None:
    program = "import sys, featurize.step.read; sys.exit(any(m.split('.')[0] == 'OCP' for m in sys.modules))"
    root = Path(__file__).resolve().parents[1]
    assert subprocess.run([sys.executable, "-c", program], check=False, cwd=root).returncode == 0


def test_colours_and_names_of_faces(tmp_path: Path) -> None:
    # The writer's own text is edited, so that names do not depend on our code or the kernel's.
    path = write_step(box(10, 20, 30), tmp_path / "named.step")
    count = iter(range(100))
    text = re.sub(r"ADVANCED_FACE\(''", lambda _: f"ADVANCED_FACE('M{next(count)}'", path.read_text())
    path.write_text(text)
    (part,) = read_step(path, isolate=False).parts
    assert sorted(part.face_names) == [f"M{i}" for i in range(6)]
    check_names_against_text(path)


def check_names_against_text(path: Path) -> None:
    """Each face lies on the plane that the file's text gives for the ADVANCED_FACE of its name."""
    entities = dict(re.findall(r"#(\d+)\s*=\s*(.*?);", path.read_text(), re.DOTALL))
    entities = {key: re.sub(r"\s+", "", text) for key, text in entities.items()}

    def vector(entity: str) -> list[float]:
        numbers = re.search(r"\(([^()]*)\)\)$", entities[entity])
        assert numbers is not None
        return [float(v) for v in numbers[1].split(",")]

    planes = {}
    for text in entities.values():
        face = re.match(r"ADVANCED_FACE\('([^']*)',\(.*\),#(\d+),", text)
        if face and (plane := re.match(r"PLANE\('[^']*',#(\d+)\)", entities[face[2]])):
            point, axis = re.findall(r"#(\d+)", entities[plane[1]])[:2]
            planes[face[1]] = (vector(point), vector(axis))
    (part,) = read_step(path, isolate=False).parts
    checked = 0
    for face, name in zip(each(part.solid, FACE), part.face_names, strict=True):
        if name not in planes:
            continue
        (px, py, pz), axis_in_file = planes[name]
        plane = BRepAdaptor_Surface(TopoDS.Face_s(face)).Plane()
        assert plane.Distance(gp_Pnt(px, py, pz)) < 1e-6
        normal = plane.Axis().Direction()
        along = sum(a * b for a, b in zip(axis_in_file, (normal.X(), normal.Y(), normal.Z()), strict=True))
        assert abs(along) / math.hypot(*axis_in_file) == pytest.approx(1)
        checked += 1
    assert checked >= 6


@needs_corpus
@pytest.mark.parametrize("path", corpus_files("mfcad", "*.step", 6), ids=lambda p: p.stem)
def test_labelled_parts_keep_their_face_numbers(path: Path) -> None:
    (part,) = read_step(path, isolate=False).parts
    assert sorted(map(int, part.face_names)) == list(range(len(part.face_names)))
    assert part.face_names != tuple(map(str, range(len(part.face_names))))  # not the explorer's order
    check_names_against_text(path)


@needs_corpus
@pytest.mark.parametrize("path", corpus_files("exports", "*.stp"), ids=lambda p: p.stem)
def test_exports_give_parts_or_one_line(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    if path.stem == "s1-c5-214":  # holds nothing but references to other files
        with pytest.raises(StepError) as told:
            read_step(path, isolate=False)
        assert told.value.code is Code.NO_SOLID
        assert "\n" not in str(told.value)
        return
    document = read_step(path, isolate=False)
    assert document.parts
    for part in document.parts:
        faces = len(each(part.solid, FACE))
        assert len(part.face_names) == len(part.face_colours) == faces
        assert sorted(part.source_faces) == list(range(faces))
        assert volume_mm3(part.solid) > 0
        assert len(each(pickle.loads(pickle.dumps(part)).solid, FACE)) == faces
    assert capfd.readouterr().out == ""


@needs_corpus
@pytest.mark.parametrize("stem", ["as1-oc-214", "as1_pe_203"])
def test_the_round_robin_assembly_is_counted(stem: str) -> None:
    # The AS1 test assembly: a plate, two brackets, six bolts, eight nuts, one rod (from memory;
    # two CAD systems' exports agree on it).
    (path,) = corpus_files("exports", f"{stem}.stp")
    found = {p.name.lower(): p.count for p in read_step(path, isolate=False).parts}
    assert found == {"plate": 1, "l-bracket": 2, "bolt": 6, "nut": 8, "rod": 1}


@needs_corpus
def test_colours_of_the_round_robin_assembly() -> None:
    (path,) = corpus_files("exports", "as1-oc-214.stp")
    colours = {p.name: set(p.face_colours) for p in read_step(path, isolate=False).parts}
    # As in the file's text: COLOUR_RGB('',1.,0.,0.) on the nut, (0.,0.,1.) on the bolt.
    assert colours["nut"] == {(1, 0, 0)}
    assert colours["bolt"] == {(0, 0, 1)}
