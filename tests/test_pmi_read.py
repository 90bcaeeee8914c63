"""Semantic PMI: what a person wrote on a face comes back from the file, in millimetres and with its sign."""

from __future__ import annotations

import os
import re
from pathlib import Path

import cadquery as cq
import pytest

from featurize.brep.build import build_part
from featurize.feature import Callout, Feature, Kind
from featurize.recognise import recognise
from featurize.standards.fits import deviations_mm
from featurize.step import kernel, pmi, read
from featurize.step.document import Skip, SolidPart, StepDocument
from featurize.step.header import Header
from featurize.step.read import read_step
from tests.support.pmi import MM_PER, Pick, Size, Tolerance, at_height, bore, write

HEIGHT = 20.0
ASKED = (
    Size(bore, 6.0, 0.006, -0.002),
    Tolerance(at_height(HEIGHT), "Flatness", 0.004),
    Tolerance(bore, "Perpendicularity", 0.01, "A"),
    Tolerance(bore, "Position", 0.05, "AB"),
)
DATUMS = {"A": at_height(0), "B": lambda f: abs(f.Center().x + 20) < 1e-6}


def block(hole_mm: float = 6.0) -> cq.Workplane:
    return (
        cq.Workplane().box(40, 30, HEIGHT, centered=(True, True, False)).faces(">Z").workplane().hole(hole_mm)
    )


def only(part: SolidPart, kind: str) -> Callout:
    (found,) = [c for c in part.callouts if c.kind == kind]
    return found


def faces_where(part: SolidPart, pick: object) -> tuple[int, ...]:
    return tuple(i for i, f in enumerate(cq.Shape.cast(part.solid).Faces()) if pick(f))  # type: ignore[operator]


@pytest.mark.parametrize("unit", MM_PER)
def test_sizes_tolerances_and_datums_come_back(tmp_path: Path, unit: str) -> None:
    path = write(tmp_path / "b.step", block(), ASKED, DATUMS, unit)
    assert "AP242" in path.read_text()[:2000]
    document = read_step(path, isolate=False)
    (part,) = document.parts
    size = only(part, "diameter")
    assert (size.value_mm, size.upper_mm, size.lower_mm) == pytest.approx((6, 0.006, -0.002))
    assert size.width_mm == pytest.approx(0.008)
    assert size.faces == faces_where(part, bore)
    flat = only(part, "flatness")
    assert flat.value_mm == pytest.approx(0.004)
    assert flat.faces == faces_where(part, at_height(HEIGHT))
    assert only(part, "perpendicularity").datum == "A"
    assert only(part, "position").datum == "A|B"
    assert only(part, "position").value_mm == pytest.approx(0.05)
    datums = {c.datum: c.faces for c in part.callouts if c.kind == "datum"}
    assert datums == {letter: faces_where(part, pick) for letter, pick in DATUMS.items()}
    assert not document.notes


def test_the_second_edition_of_ap203_has_pmi_too(tmp_path: Path) -> None:
    """The same entities under the other schema's name; the kernel's writer knows no AP203 with PMI."""
    path = write(tmp_path / "b.step", block(), ASKED, DATUMS)
    schema = "AP203_CONFIGURATION_CONTROLLED_3D_DESIGN_OF_MECHANICAL_PARTS_AND_ASSEMBLIES_MIM_LF"
    changed = re.sub(r"FILE_SCHEMA\(\(.*?\)\)", f"FILE_SCHEMA(('{schema}'))", path.read_text(), flags=re.S)
    second = tmp_path / "e2.step"
    second.write_text(changed)
    assert schema in changed
    first, same = (read_step(p, isolate=False).parts[0].callouts for p in (path, second))
    assert first == same
    assert len(same) == 6


@pytest.mark.parametrize(("upper", "lower"), [(0.01, 0.004), (0.0, -0.01), (-0.004, -0.01), (0.02, -0.02)])
def test_limits_keep_their_signs(tmp_path: Path, upper: float, lower: float) -> None:
    """G6, h6 and such lie on one side of the nominal size: the sign is the fit."""
    path = write(tmp_path / "b.step", block(), [Size(bore, 6.0, upper, lower)])
    size = only(read_step(path, isolate=False).parts[0], "diameter")
    assert (size.value_mm, size.upper_mm, size.lower_mm) == pytest.approx((6, upper, lower))


def test_every_size_keeps_its_own_limits(tmp_path: Path) -> None:
    """One with limits, one with others, one with none: in the file's order and against it."""

    def of(diameter_mm: float) -> Pick:
        return lambda face: bore(face) and abs(face.BoundingBox().ylen - diameter_mm) < 1e-3

    plate = cq.Workplane().box(60, 30, HEIGHT, centered=(True, True, False))
    for x, diameter_mm in ((-18, 4), (0, 6), (18, 8)):
        plate = plate.faces(">Z").workplane(origin=(x, 0, HEIGHT)).hole(diameter_mm)
    asked = [Size(of(4), 4.0, 0.01, 0.002), Size(of(6), 6.0), Size(of(8), 8.0, 0.05, -0.03)]
    for order in (asked, asked[::-1]):
        (part,) = read_step(write(tmp_path / "b.step", plate, order), isolate=False).parts
        found = {c.value_mm: (c.upper_mm, c.lower_mm) for c in part.callouts}
        assert found[4] == pytest.approx((0.01, 0.002))
        assert found[6] == (None, None)
        assert found[8] == pytest.approx((0.05, -0.03))


def test_a_size_without_limits_has_none(tmp_path: Path) -> None:
    part = read_step(write(tmp_path / "b.step", block(), [Size(bore, 6.0)]), isolate=False).parts[0]
    assert only(part, "diameter").width_mm is None


def test_a_fit_gets_its_limits(tmp_path: Path) -> None:
    """6 H7 is +0.012/0 (ISO 286-2, from memory); the kernel writes no fit, so the text is turned into one."""
    path = write(tmp_path / "b.step", block(), [Size(bore, 6.0, 0.1, -0.1)])
    text = path.read_text()
    fitted, count = re.subn(r"= TOLERANCE_VALUE\([^)]*\)", "= LIMITS_AND_FITS('H','','7','')", text)
    assert count == 1
    path.write_text(fitted)
    size = only(read_step(path, isolate=False).parts[0], "diameter")
    assert (size.upper_mm, size.lower_mm, size.text) == (0.012, 0.0, "H7")


@pytest.mark.parametrize(
    # ISO 286-2, from memory.
    ("nominal", "fit", "limits"),
    [(6, "H7", (0.012, 0)), (10, "h6", (0, -0.009)), (25, "H6", (0.013, 0)), (50, "JS7", (0.0125, -0.0125))],
)
def test_common_fits(nominal: float, fit: str, limits: tuple[float, float]) -> None:
    assert deviations_mm(nominal, fit) == pytest.approx(limits)
    assert deviations_mm(nominal, "P7") is None
    assert deviations_mm(500, fit) is None


def recognised(path: Path) -> tuple[Feature, ...]:
    part = read_step(path, isolate=False).parts[0]
    built = build_part(part.solid, face_names=part.face_names, source_faces=part.source_faces)
    return recognise(built, working_side="+z", callouts=part.callouts).features


def test_callouts_go_to_the_feature_that_owns_the_face(tmp_path: Path) -> None:
    features = recognised(write(tmp_path / "b.step", block(), ASKED, DATUMS))
    (hole,) = [f for f in features if f.kind == Kind.HOLE]
    assert {c.kind for c in hole.callouts} == {"diameter", "perpendicularity", "position"}
    by_kind = [{(c.kind, c.datum) for c in f.callouts} for f in features if f is not hole and f.callouts]
    assert sorted(map(sorted, by_kind)) == [[("datum", "A")], [("datum", "B")], [("flatness", "")]]


@pytest.mark.parametrize(("note", "designation"), [("M6x0.75 - 6H THRU", "M6x0.75"), ("", "M6x0.75")])
def test_a_thread_note_names_the_thread(tmp_path: Path, note: str, designation: str) -> None:
    """5.2 bears M6x0.75 and is odd enough for nothing: without the note it is no such thread."""
    path = write(tmp_path / "b.step", block(5.25), [Size(bore, 5.25, 0.1, -0.1, note)])
    (hole,) = [f for f in recognised(path) if f.kind in (Kind.HOLE, Kind.THREADED_HOLE)]
    named = hole.thread.designation if hole.thread else None
    assert (named == designation) is bool(note)
    assert hole.text == note


def test_a_roughness_in_a_note_is_a_texture(tmp_path: Path) -> None:
    path = write(
        tmp_path / "b.step", block(), [Size(at_height(HEIGHT), 20.0, text="Ra 0.2", kind="Size_Thickness")]
    )
    found = [c for f in recognised(path) for c in f.callouts if c.kind == "surface texture"]
    assert [c.value_mm for c in found] == [pytest.approx(0.0002)]


def test_pmi_that_fails_is_left_out_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("bad PMI")

    path = write(tmp_path / "b.step", block(), ASKED, DATUMS)
    monkeypatch.setattr(kernel, "read_pmi", fail)
    document = read_step(path, isolate=False)
    assert document.parts[0].callouts == ()
    assert len(document.parts[0].face_names) == 7
    assert any("without tolerances" in note.message for note in document.notes)


def test_a_crash_in_the_pmi_is_followed_by_a_reading_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "b.step", block(), ASKED, DATUMS)
    monkeypatch.setattr(read, "_load", crash_with_pmi)
    document = read_step(path)
    assert [note.message for note in document.notes if "without" in note.message] == [
        "Read without tolerances and other PMI: the kernel could not read the file with them."
    ]


def crash_with_pmi(path: Path, header: Header, skip: Skip) -> StepDocument:
    def crash(*_: object) -> list[pmi.Seen]:
        os.abort()

    kernel.read_pmi = crash  # in the child only
    return kernel.load(path, header, skip)
