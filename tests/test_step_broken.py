"""Broken files: each ends in a part with a warning, or in one line that names what is wrong and where."""

from __future__ import annotations

import re
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_Copy,
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.gp import gp_Pnt, gp_Vec
from OCP.Interface import Interface_Static
from OCP.TDataStd import TDataStd_Name
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Compound
from support import transforms
from support.corpus import corpus_files, needs_corpus
from support.mutate import Outcome, Worker, verdict
from support.transforms import motion, moved, write_step

from featurize.brep.build import build_part
from featurize.brep.shapes import FACE, each, volume_mm3
from featurize.errors import Code, StepError
from featurize.recognise import recognise
from featurize.step.document import StepDocument
from featurize.step.read import read_step
from featurize.step.syntax import Content

UNHURRIED = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
VOLUME_MM3 = 10.0 * 20 * 30


def box(x: float = 10, y: float = 20, z: float = 30) -> Any:
    return BRepPrimAPI_MakeBox(x, y, z).Solid()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The text of a block."""
    return write_step(box(), tmp_path_factory.mktemp("good") / "box.step", name="block").read_bytes()


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    """For what may take the kernel down with it."""
    own = Worker(time_limit_s=30)
    yield own
    own.close()


def read(text: bytes, folder: Path) -> StepDocument:
    path = folder / "insert.step"
    path.write_bytes(text)
    return read_step(path, isolate=False)


def refused(text: bytes, folder: Path, code: Code | None = None) -> str:
    with pytest.raises(StepError) as caught:
        read(text, folder)
    assert code in (None, caught.value.code)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def fate(text: bytes, folder: Path) -> str:
    """What is told of the file, be it an error or warnings; empty when nothing is."""
    try:
        return told(read(text, folder))
    except StepError as error:
        return str(error)


def told(document: StepDocument) -> str:
    return " ".join(map(str, (note for part in document.parts for note in document.noticed(part))))


def loose(faces: list[Any]) -> Any:
    whole, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(whole)
    for face in faces:
        builder.Add(whole, face)
    return whole


def prism(corners: list[tuple[float, float]], height_mm: float = 10) -> Any:
    """Over an outline that may cross itself."""
    wire = BRepBuilderAPI_MakeWire()
    for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
        wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(ax, ay, 0), gp_Pnt(bx, by, 0)).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire(), True).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(0, 0, height_mm)).Shape()


# Skins


def test_a_gap_too_wide_is_named_by_its_place(tmp_path: Path) -> None:
    faces = [BRepBuilderAPI_Copy(f).Shape() for f in each(box(), FACE)]
    faces[0] = moved(faces[0], shift_mm=(-0.25, 0, 0))  # the face at x = 0
    path = write_step(loose(faces), tmp_path / "gap.step")
    says = refused(path.read_bytes(), tmp_path, Code.NO_SOLID)
    assert "8 free edges" in says
    found = re.search(r"widest gap is ([\d.]+) mm at x (-?[\d.]+), y ([\d.]+), z ([\d.]+)", says)
    assert found is not None
    width, x, y, z = map(float, found.groups())
    assert width == pytest.approx(0.25, abs=1e-3)
    assert x in (pytest.approx(0), pytest.approx(-0.25))
    # In the middle of an edge around that face.
    assert (y in (0, 20) and z == pytest.approx(15)) or (z in (0, 30) and y == pytest.approx(10))


def test_a_missing_face_is_named_by_its_place(tmp_path: Path) -> None:
    path = write_step(loose(each(box(), FACE)[:-1]), tmp_path / "open.step")  # without the face at z = 30
    assert re.search(r"4 free edges; .* z 30\.000", refused(path.read_bytes(), tmp_path, Code.NO_SOLID))


@pytest.mark.parametrize("gap_mm", [0.002, 0.008])
def test_a_gap_within_tolerance_is_closed_and_told(gap_mm: float, tmp_path: Path) -> None:
    faces = [BRepBuilderAPI_Copy(f).Shape() for f in each(box(), FACE)]
    faces[3] = moved(faces[3], shift_mm=(0, gap_mm, 0))
    document = read(write_step(loose(faces), tmp_path / "a.step").read_bytes(), tmp_path)
    assert volume_mm3(document.parts[0].solid) == pytest.approx(VOLUME_MM3, rel=1e-3)
    assert "sewing" in told(document)


def test_flipped_normals(good: bytes, tmp_path: Path) -> None:
    """The sense of each face in turn, then of all: the block stays what it is."""
    faces = list(re.finditer(rb"(ADVANCED_FACE\('',\([^)]*\),#\d+,\.)([TF])", good))
    assert len(faces) == 6
    for chosen in ([f] for f in faces):
        check_block(good, [m.start(2) for m in chosen], tmp_path)
    check_block(good, [m.start(2) for m in faces], tmp_path)


def check_block(good: bytes, flags: list[int], folder: Path) -> None:
    text = bytearray(good)
    for at in flags:
        text[at] ^= ord("T") ^ ord("F")
    document = read(bytes(text), folder)
    assert volume_mm3(document.parts[0].solid) == pytest.approx(VOLUME_MM3)


def test_a_face_twice_in_a_skin(good: bytes, tmp_path: Path) -> None:
    text = re.sub(rb"(CLOSED_SHELL\('',\()(#\d+)", rb"\1\2,\2", good)
    document = read(text, tmp_path)
    assert volume_mm3(document.parts[0].solid) == pytest.approx(VOLUME_MM3)


def test_a_copy_of_a_face_on_a_face_is_told(tmp_path: Path) -> None:
    faces = each(box(), FACE)
    double = loose([*faces, BRepBuilderAPI_Copy(faces[0]).Shape()])
    path = write_step(double, tmp_path / "double.step")
    assert fate(path.read_bytes(), tmp_path)


def test_an_outline_that_crosses_itself_is_told(tmp_path: Path) -> None:
    path = write_step(prism([(0, 0), (10, 10), (10, 0), (0, 10)]), tmp_path / "bow.step")
    assert fate(path.read_bytes(), tmp_path)


def test_an_edge_of_almost_no_length(tmp_path: Path) -> None:
    outline = [(0.0, 0.0), (20.0, 0.0), (20.0, 10.0), (10.0, 10.0), (9.99999, 10.0), (0.0, 10.0)]
    document = read(write_step(prism(outline), tmp_path / "short.step").read_bytes(), tmp_path)
    part = build_part(document.parts[0].solid)
    assert part.volume_mm3 == pytest.approx(2000)
    features = recognise(part).features
    assert sorted(f for feature in features for f in feature.faces) == [f.id for f in part.faces]


def test_an_edge_of_no_length(good: bytes, worker: Worker) -> None:
    """Both ends of an edge are made the same corner."""
    text = re.sub(rb"(EDGE_CURVE\('',)(#\d+),#\d+", rb"\1\2,\2", good, count=1)
    assert text != good
    assert_told(worker.judge(text))


def test_pcurves_may_be_missing(tmp_path: Path) -> None:
    solid = BRepPrimAPI_MakeCylinder(5, 20).Solid()
    with_curves = write_step(solid, tmp_path / "with.step").read_text()
    assert "PCURVE" in with_curves
    with transforms._settings({}):
        Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
        try:
            path = write_step(solid, tmp_path / "without.step")
        finally:
            Interface_Static.SetIVal_s("write.surfacecurve.mode", 1)
    assert "PCURVE" not in path.read_text()
    document = read(path.read_bytes(), tmp_path)
    assert volume_mm3(document.parts[0].solid) == pytest.approx(3.14159265 * 25 * 20)
    assert not document.notes


def test_one_missing_pcurve(tmp_path: Path, worker: Worker) -> None:
    text = write_step(BRepPrimAPI_MakeCylinder(5, 20).Solid(), tmp_path / "with.step").read_bytes()
    lines = text.splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if b"PCURVE" in line)
    assert_told(worker.judge(b"".join(lines[:at] + lines[at + 1 :])))


def test_edges_that_miss_their_faces_are_told(good: bytes, tmp_path: Path) -> None:
    """One plane is shifted in the text: the kernel hides it in a tolerance."""
    plane = re.search(rb"PLANE\('',(#\d+)\)", good)
    assert plane is not None
    frame = re.search(plane[1] + rb" = AXIS2_PLACEMENT_3D\('',(#\d+)", good)
    assert frame is not None
    shifted = re.sub(
        frame[1] + rb" = CARTESIAN_POINT\('',\([^)]*\)\)",
        frame[1] + rb" = CARTESIAN_POINT('',(1.,1.,1.))",
        good,
    )
    assert shifted != good
    assert re.search(r"mm at x|not remove", fate(shifted, tmp_path))


@pytest.mark.parametrize(("off", "shown"), [(25.4, "25.4 times off"), (1000.0, "1000 times off")])
@pytest.mark.parametrize("smaller", [True, False])
def test_wrong_units_are_told_with_the_likely_size(
    off: float, shown: str, smaller: bool, tmp_path: Path
) -> None:
    right_mm = (15.0 if off < 100 else 150.0) if smaller else 150.0
    factor = 1 / off if smaller else off
    path = write_step(box(right_mm * factor, factor, factor), tmp_path / "unit.step")
    said = fate(path.read_bytes(), tmp_path)  # what is too long by far is refused, and asked the same
    before, _, _ = said.partition(f" mm ({shown}")
    assert float(before.split()[-1]) == pytest.approx(right_mm, rel=1e-3)


# Texts


@UNHURRIED
@given(data=st.binary(max_size=3000))
def test_binary_junk(data: bytes, tmp_path: Path) -> None:
    refused(data, tmp_path)


@UNHURRIED
@given(data=st.data())
def test_cut_at_any_byte(data: st.DataObject, good: bytes, tmp_path: Path) -> None:
    # The last line is whole but for its line end.
    at = data.draw(st.integers(0, len(good.rstrip()) - 1))
    assert re.search("cut short|first line|empty", refused(good[:at], tmp_path))


@UNHURRIED
@given(text=st.text(alphabet="#=(),;'/*$. \n1AZ\\", max_size=400))
def test_any_words_in_the_data_section(text: str, good: bytes, tmp_path: Path) -> None:
    start = good.index(b"DATA;") + 5
    says = fate(good[:start] + text.encode() + good[good.index(b"ENDSEC;", start) :], tmp_path)
    assert says
    assert "\n" not in says


def test_a_zip_by_mistake(good: bytes, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "insert.step", "w") as archive:
        archive.writestr("insert.step", good)
    with pytest.raises(StepError, match="unpack it"):
        read_step(tmp_path / "insert.step")


@pytest.mark.parametrize("limit_mb", [1, 200])
def test_a_hundred_megabytes_of_nothing(limit_mb: float, tmp_path: Path) -> None:
    path = tmp_path / "nothing.step"
    with path.open("wb") as file:
        file.truncate(100_000_000)  # takes no room on most file systems
    start = time.monotonic()
    with pytest.raises(StepError) as caught:
        read_step(path, size_limit_mb=limit_mb)
    assert caught.value.code is (Code.TOO_LARGE if limit_mb == 1 else Code.NOT_STEP)
    assert time.monotonic() - start < 1


@pytest.mark.parametrize("filler", [b" ", b"/*a", b"'", b"(", b"#1=A(#1);", b"\0"])
def test_megabytes_of_one_thing(filler: bytes, good: bytes, worker: Worker) -> None:
    """Nothing in the text makes the reader slower than its length."""
    text = good.replace(b"DATA;", b"DATA;" + filler * (3_000_000 // len(filler)))
    start = time.monotonic()
    outcome = worker.judge(text)
    assert outcome.end != "hung"
    assert time.monotonic() - start < 75  # after a crash of the kernel it is read twice more
    if filler != b" ":
        assert_told(outcome)


DAMAGE = {
    "an entity is gone": (rb"#\d+ = VERTEX_POINT[^;]*;", b"", "not in the file"),
    "a number is given twice": (rb"(#\d+ = VERTEX_POINT[^;]*;)", rb"\1\1", "given before"),
    "a string does not end": (rb"VERTEX_POINT\(''", b"VERTEX_POINT('", "cannot be read"),
    "a parenthesis is gone": (rb"VERTEX_POINT\('',(#\d+)\)", rb"VERTEX_POINT('',\1", "cannot be read"),
    "a comma is gone": (rb"VERTEX_POINT\('',", b"VERTEX_POINT(''", "cannot be read"),
    "a stray byte": (rb"VERTEX_POINT", b"VERTEX\x00POINT", "cannot be read"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_told_with_its_line(name: str, good: bytes) -> None:
    pattern, instead, says = DAMAGE[name]
    assert tuple(map(str, Content(good).damage())) == ()
    bad = re.sub(pattern, instead, good, count=1)
    first = re.search(pattern, good)
    assert first is not None
    assert bad != good
    said = [s for s in map(str, Content(bad).damage()) if says in s]
    assert said
    line = re.search(r"first at line (\d+)", said[0])
    assert line is not None
    if says == "cannot be read":
        assert int(line[1]) == good.count(b"\n", 0, first.start()) + 1


@needs_corpus
@pytest.mark.parametrize("folder", ["exports", "mfcad"])
def test_good_files_are_not_called_damaged(folder: str) -> None:
    """Files of several CAD systems, as published."""
    files = corpus_files(folder, "*.st*p", 40)
    assert files
    assert {path.name: said for path in files if (said := Content(path.read_bytes()).damage())} == {}


LOOPS = {
    "a face is its own surface": (rb"(#\d+)( = ADVANCED_FACE\('',\([^)]*\),)#\d+", rb"\1\2\1"),
    "a face is its own bound": (rb"(#\d+)( = ADVANCED_FACE\('',\()#\d+", rb"\1\2\1"),
    "a bound is its own loop": (rb"(#\d+)( = FACE_BOUND\('',)#\d+", rb"\1\2\1"),
    "an edge is its own edge": (rb"(#\d+)( = ORIENTED_EDGE\('',\*,\*,)#\d+", rb"\1\2\1"),
    "a curve is itself": (rb"(#\d+)( = SURFACE_CURVE\('',)#\d+", rb"\1\2\1"),
    "a solid is its own skin": (rb"(#\d+)( = MANIFOLD_SOLID_BREP\('',)#\d+", rb"\1\2\1"),
    "a shape holds itself": (rb"(#\d+)( = ADVANCED_BREP_SHAPE_REPRESENTATION\('',\()#\d+", rb"\1\2\1"),
}


@pytest.mark.parametrize("name", LOOPS)
def test_entity_loops(name: str, good: bytes, worker: Worker) -> None:
    pattern, instead = LOOPS[name]
    bad = re.sub(pattern, instead, good, count=1)
    assert bad != good
    assert_told(worker.judge(bad))


ASSEMBLY_LOOPS = {
    "a product holds itself": (rb"(NEXT_ASSEMBLY_USAGE_OCCURRENCE\([^#]*)(#\d+),#\d+", rb"\1\2,\2"),
    "a product holds what holds it": (rb"(NEXT_ASSEMBLY_USAGE_OCCURRENCE\([^#]*)(#\d+),(#\d+)", rb"\1\3,\2"),
    "a relation goes to itself": (rb"(\( REPRESENTATION_RELATIONSHIP\([^#]*)(#\d+),#\d+", rb"\1\2,\2"),
}


@pytest.mark.parametrize("name", ASSEMBLY_LOOPS)
def test_assembly_loops(name: str, tmp_path: Path, worker: Worker) -> None:
    places = [motion(shift_mm=(40.0 * i, 0, 0)) for i in range(2)]
    good = transforms.write_assembly([("block", box(), places)], tmp_path / "two.step").read_bytes()
    pattern, instead = ASSEMBLY_LOOPS[name]
    bad = re.sub(pattern, instead, good, count=1)
    assert bad != good
    whole, outcome = worker.judge(good), worker.judge(bad)
    assert whole.end == "parts"
    assert outcome.end not in ("traceback", "hung")
    assert outcome.end != "parts" or outcome.said or outcome.parts == whole.parts


def test_every_flag_turned(tmp_path: Path, worker: Worker) -> None:
    """Senses of faces, bounds and edges, closed ones too: the part as it was, or something is told."""
    solid = BRepPrimAPI_MakeCylinder(5, 20).Solid()
    good = write_step(solid, tmp_path / "round.step").read_bytes()
    before = worker.judge(good)
    assert (before.end, before.said) == ("parts", ())
    flags = [m.start() + 1 for m in re.finditer(rb"\.[TF]\.", good)]
    assert len(flags) > 10
    for at in flags:
        bad = bytearray(good)
        bad[at] ^= ord("T") ^ ord("F")
        after = worker.judge(bytes(bad))
        assert verdict(good, before, bytes(bad), after) in ("same", "blocked", "refused"), good[
            at - 60 : at + 3
        ]


def assert_told(outcome: Outcome) -> None:
    """A part as it was, a part with a warning, or an error."""
    assert outcome.end not in ("traceback", "hung")
    if outcome.end == "parts" and not outcome.said:
        assert [volume for volume, *_ in outcome.parts] in (["6000"], ["1570.8"])


@pytest.mark.parametrize("depth", [100, 100_000])
def test_deep_parentheses(depth: int, good: bytes, worker: Worker) -> None:
    deep = b"#99999=A(" + b"(" * depth + b")" * depth + b");"
    assert_told(worker.judge(good.replace(b"DATA;", b"DATA;\n" + deep)))


@pytest.mark.parametrize("depth", [30, 300])
def test_deep_assemblies(depth: int, tmp_path: Path, worker: Worker) -> None:
    document, tool = transforms._document()
    label = tool.AddShape(box(), False)
    for n in range(depth):
        above = tool.NewShape()
        TDataStd_Name.Set_s(above, transforms.TCollection_ExtendedString(f"level {n}"))
        tool.AddComponent(above, label, TopLoc_Location(motion(shift_mm=(1, 0, 0))))
        label = above
    tool.UpdateAssemblies()
    path = transforms._write(document, tmp_path / "deep.step", "AP214", "MM")
    outcome = worker.judge(path.read_bytes())
    assert outcome.end == "parts"
    assert [volume for volume, *_ in outcome.parts] == ["6000"]


NAMES = {
    rb"plain": "plain",
    rb"caf\X2\00E9\X0\ ": "café",
    rb"caf\X\E9": "café",
    "Einsatz Größe".encode(): None,
    "Einsatz Größe".encode("latin-1"): None,
    "嵌件".encode(): None,
    "insert 😀".encode(): None,
    rb"\X4\0001F600\X0\ ": None,
    rb"\X2\00": None,
    rb"\S\i \P\ \X\ZZ": None,
    b"it''s": "it's",
    b"a\nb": None,
    b"": None,
    b"N" * 5_000: "N" * 5_000,
}


@pytest.mark.parametrize("name", NAMES)
def test_names_in_any_encoding(name: bytes, good: bytes, tmp_path: Path) -> None:
    text = good.replace(b"'block'", b"'" + name + b"'")
    assert text != good or name == b"block"
    document = read(text, tmp_path)
    (part,) = document.parts
    assert volume_mm3(part.solid) == pytest.approx(VOLUME_MM3)
    part.name.encode()  # no half characters
    if NAMES[name] is not None:
        assert part.name == NAMES[name]
