"""Drawings are read as they are seen, whichever program wrote them; what cannot be read ends in one line."""

from __future__ import annotations

import random
import stat
from contextlib import suppress
from pathlib import Path
from typing import Any

import ezdxf
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from featurize import system
from routing.cli.app import app
from routing.inputs.sheet import scan
from routing.inputs.sheet.called import What
from routing.inputs.sheet.callouts import callouts
from routing.inputs.sheet.errors import SheetError
from routing.inputs.sheet.glyphs import normal
from routing.inputs.sheet.joining import blocks, lines
from routing.inputs.sheet.placed import PlacedText
from routing.inputs.sheet.read import Sheet, read_here, read_sheet
from tests.support.sheets import PROGRAMS, Paper, Words, by_ezdxf, by_reportlab, draw

TEXTS = (
    "4x M6 ↧12", "M8x1-6H LH", "2x Ø6 H7", "Ø20 ±0.01", "18 +0.018/0", "Ra 0.4", "4 Bohrungen Ø5 tief 12",
    "1/4-20 UNC THRU", "Ø8 h6 (0/-0.009)", "R0.8", "ISO 2768-mK", "58-60 HRC",
)  # fmt: skip


def _listed(*texts: str, turn: float = 0.0) -> Paper:
    """Texts below each other, some upright as dimensions stand."""
    words = [Words(40, 270 - 20 * n, t) for n, t in enumerate(texts)]
    words += [Words(200 + 15 * n, 100, t, turn=90) for n, t in enumerate(texts)]
    paper = Paper(tuple(words), wide=400)
    return paper.turned(turn) if turn else paper


def read(path: Path) -> Sheet:
    return read_here(path, path.suffix == ".pdf")


def texts_of(path: Path) -> list[str]:
    from routing.inputs.sheet import dxf, pdf

    placed = (pdf if path.suffix == ".pdf" else dxf).read(path)
    return sorted(normal(line.text) for line in lines(placed.texts))


@pytest.mark.parametrize("program", PROGRAMS)
@pytest.mark.parametrize("turn", [0.0, 33.0, pytest.param(45.0, marks=pytest.mark.thorough), 180.0])
def test_every_line_comes_back(program: str, turn: float, tmp_path: Path) -> None:
    if program == "chromium" and turn == 180:
        pytest.skip("a browser takes a second for each sheet")
    wanted = sorted(normal(t) for t in TEXTS * 2)
    assert texts_of(draw(program, _listed(*TEXTS, turn=turn), tmp_path)) == wanted


_LETTER = 0.6


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from(TEXTS), min_size=1, max_size=6), st.floats(-179, 179), st.floats(0.2, 20),
    st.randoms(use_true_random=False),
)  # fmt: skip
def test_pieces_are_joined_however_they_are_cut(
    texts: list[str], angle: float, height: float, chance: random.Random
) -> None:
    """Letters 0.6 wide for a height of 1, cut anywhere, in any order, at any angle and size."""
    pieces = []
    for n, text in enumerate(texts):
        base = PlacedText(1, "", 5.0, 7.0, 0.0, height, angle)
        start = 0
        while start < len(text):
            end = start + chance.randint(1, 4)
            piece = text[start:end]
            # A space at an end is a gap: many programs leave it out.
            stripped = piece.strip()
            if stripped:
                before = len(piece) - len(piece.lstrip())
                x, y = base.at((start + before) * _LETTER * height, -4 * n * height)
                pieces.append(PlacedText(1, stripped, x, y, len(stripped) * _LETTER * height, height, angle))
            start = end
    chance.shuffle(pieces)
    assert sorted(line.text for line in lines(pieces)) == sorted(texts)


def _at(text: str, x: float, y: float, height: float = 3.0) -> PlacedText:
    return PlacedText(1, text, x, y, len(text) * _LETTER * height, height)


def test_limits_over_each_other_are_those_of_their_size() -> None:
    small = 2.0
    end = 2 * _LETTER * 3
    found = lines([_at("18", 0, 0), _at("+0,02", end + 1, 1.8, small), _at("-0,01", end + 1, -1.2, small)])
    assert [line.text for line in found] == ["18 +0,02/-0,01"]
    apart = lines([_at("18", 0, 0), _at("+0,02", end + 12, 1.8, small), _at("-0,01", end + 12, -1.2, small)])
    assert len(apart) == 3


@pytest.mark.parametrize(
    ("first", "second", "together"),
    [
        ("4x Ø6.6 THRU", "⌴Ø11 ↧6.8", True),
        ("4x Ø4.2 ↧16", "M5-6H ↧12", True),
        ("2x M5", "Ø4.2 ↧12", True),
        ("2x M5", "12 deep", True),
        ("2x M5", "2x Ø6 H7", False),
        ("2x M5", "Ø6 H7", False),
        ("Ø6 H7", "M5", False),
        ("18", "24", False),
        ("NOTES", "⌴", False),
    ],
)
def test_what_stands_below_goes_on_with_its_callout(first: str, second: str, together: bool) -> None:
    found = blocks([_at(first, 0, 0), _at(second, 0, -5)])
    assert len(found) == (1 if together else 2)
    assert len(blocks([_at(first, 0, 0), _at(second, 0, -12)])) == 2


def test_the_title_block_has_its_values_beside_or_below(tmp_path: Path) -> None:
    words = (
        Words(200, 40, "Benennung", 1.8), Words(200, 34, "Prägeeinsatz"),
        Words(260, 40, "Zeichnungs-Nr.", 1.8), Words(260, 34, "CI-0458"),
        Words(200, 24, "Werkstoff:", 1.8), Words(222, 24, "1.2379"),
        Words(260, 24, "Maßstab", 1.8), Words(280, 24, "2:1"),
        Words(200, 14, "Rev B", 1.8),
    )  # fmt: skip
    sheet = read(by_reportlab(Paper(words), tmp_path / "title.pdf"))
    assert sheet.title == {
        "name": "Prägeeinsatz",
        "part number": "CI-0458",
        "material": "1.2379",
        "scale": "2:1",
        "revision": "B",
    }
    assert sheet.scale == 2
    assert [n.note.value for n in sheet.notes] == ["steel (1.2379)"]


def test_a_dxf_of_dimensions_blocks_and_leaders(tmp_path: Path) -> None:
    document = ezdxf.new(setup=True)
    document.header["$INSUNITS"] = 4
    space = document.modelspace()
    block = document.blocks.new("CALL")
    block.add_text("4x M5", height=3)
    space.add_blockref("CALL", (50, 50), dxfattribs={"xscale": 2, "yscale": 2, "rotation": 90})
    style = {"dimtol": 1, "dimtp": 0.02, "dimtm": 0.01, "dimlfac": 1.0}
    space.add_linear_dim((0, 10), (0, 0), (20, 0), override=style).render()
    space.add_mtext(
        r"{\fArial|b0;24} \H0.7x;\S+0,02^ -0,01;", dxfattribs={"char_height": 3.5, "insert": (0, 90)}
    )
    space.add_text("%%c8 H7 %%p0", height=3, dxfattribs={"insert": (0, 120)})
    document.saveas(tmp_path / "a.dxf")
    sheet = read(tmp_path / "a.dxf")
    found = {(e.called.what, e.called.value_mm, e.called.upper_mm, e.called.lower_mm) for e in sheet.entries}
    assert (What.THREAD, 5, None, None) in found
    assert (What.LENGTH, 20, 0.02, -0.01) in found
    assert (What.LENGTH, 24, 0.02, -0.01) in found
    (called,) = [e for e in sheet.entries if e.called.what == What.THREAD]
    assert called.spot.height_mm == pytest.approx(6)
    assert called.spot.angle_deg == pytest.approx(90)
    assert called.picture.startswith(b"\x89PNG")


def test_a_dxf_in_inches(tmp_path: Path) -> None:
    path = by_ezdxf(Paper((Words(25.4, 25.4, "Ø.25 ±.001"),)), tmp_path / "in.dxf", unit=1, mm=25.4)
    sheet = read(path)
    assert sheet.inches
    assert (sheet.entries[0].called.value_mm, sheet.entries[0].spot.x_mm) == pytest.approx((6.35, 25.4))


def test_a_picture_shows_its_callout(tmp_path: Path) -> None:
    """There is ink in the middle of the picture, where the callout stands, and paper at its rim."""
    import io

    import numpy as np
    from PIL import Image

    drawn = by_reportlab(Paper((Words(100, 100, "4x M5 ↧12", turn=90),)), tmp_path / "a.pdf")
    writer = pypdf.PdfWriter(clone_from=drawn)
    writer.pages[0].rotate(90)
    writer.write(tmp_path / "turned.pdf")
    for file in (
        drawn,
        tmp_path / "turned.pdf",
        by_ezdxf(Paper((Words(100, 100, "4x M5 ↧12", turn=90),)), tmp_path / "a.dxf"),
    ):
        (entry,) = read(file).entries
        picture = np.array(Image.open(io.BytesIO(entry.picture)))
        high, wide = picture.shape
        assert wide > high  # turned so that it can be read
        middle = picture[high * 2 // 5 : high * 3 // 5, wide // 3 : wide * 2 // 3]
        assert middle.min() < 128
        assert picture[: high // 5].min() > 128


# Tesseract's own table: level, page, block, paragraph, line, word, box, confidence, text.
_TSV = (
    "level\tpage_num\tblock_num\tpar_num\tline_num\tword_num\tleft\ttop\twidth\theight\tconf\ttext\n"
    "1\t1\t0\t0\t0\t0\t0\t0\t1000\t500\t-1\t\n"
    "5\t1\t1\t1\t1\t1\t100\t100\t40\t30\t96\t4x\n"
    "5\t1\t1\t1\t1\t2\t150\t100\t40\t30\t91\tM6\n"
    "5\t1\t1\t1\t2\t1\t100\t300\t40\t30\t12\tM8\n"
)


def _scanned(folder: Path) -> Path:
    from PIL import Image
    from reportlab.lib.utils import ImageReader
    from reportlab.pdfgen.canvas import Canvas

    path = folder / "scan.pdf"
    canvas = Canvas(str(path), pagesize=(480, 240))
    canvas.drawImage(ImageReader(Image.new("L", (1000, 500), 255)), 0, 0, 480, 240)
    canvas.save()
    return path


def test_a_scan_needs_tesseract_and_says_so(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SheetError, match=r"scan.pdf has no text.*install Tesseract"):
        read(_scanned(tmp_path))


@pytest.mark.skipif(
    not hasattr(system, "limit_memory") or not Path("/bin/sh").exists(), reason="needs a shell"
)
def test_a_scan_is_read_by_tesseract_where_it_is(tmp_path: Path, monkeypatch: Any) -> None:
    """A stand-in that answers as Tesseract's documentation of its table says (from memory)."""
    tool = tmp_path / scan.TOOL
    tool.write_text(f"#!/bin/sh\n/bin/cat > /dev/null\n/bin/cat <<'END'\n{_TSV}END\n")
    tool.chmod(tool.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", str(tmp_path))
    sheet = read(_scanned(tmp_path))
    assert sheet.how == "scan"
    # Of what it is unsure nothing is taken.
    assert [(e.called.count, e.called.thread) for e in sheet.entries] == [(4, "M6")]


def _broken(folder: Path) -> dict[str, bytes]:
    whole = by_reportlab(_listed(*TEXTS), folder / "whole.pdf").read_bytes()
    return {
        "cut.pdf": whole[: len(whole) // 3],
        "junk.pdf": b"%PDF-1.7\n" + bytes(range(256)) * 50,
        "text.pdf": b"no PDF at all",
        "junk.dxf": b"0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n10\nabc\n",
        "empty.dxf": b"",
        "picture.png": b"\x89PNG",
    }


@pytest.mark.parametrize("name", ["junk.pdf", "text.pdf", "junk.dxf", "empty.dxf", "picture.png"])
def test_what_is_broken_ends_in_one_line(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(_broken(tmp_path)[name])
    # Only what is no drawing by its first bytes is refused without a child.
    refused = name in ("text.pdf", "picture.png")
    with pytest.raises(SheetError) as caught:
        read_sheet(path) if refused else read(path)
    assert str(caught.value).startswith(name)
    assert "\n" not in str(caught.value)


def test_what_is_cut_off_is_an_error_or_has_nothing_made_up(tmp_path: Path) -> None:
    path = tmp_path / "cut.pdf"
    path.write_bytes(_broken(tmp_path)["cut.pdf"])
    with suppress(SheetError):
        wanted = {c.text for t in TEXTS for c in callouts(t)}
        assert {e.called.text for e in read(path).entries} <= wanted


def test_a_reader_that_takes_too_long_is_stopped(tmp_path: Path) -> None:
    path = by_reportlab(_listed(*TEXTS), tmp_path / "a.pdf")
    with pytest.raises(SheetError, match=r"a.pdf cannot be used \(reading it took over 0.01 s\)"):
        read_sheet(path, time_limit_s=0.01)


def test_the_command_says_what_is_wrong_with_a_drawing(tmp_path: Path) -> None:
    model = Path(__file__).parents[1] / "demo_models" / "pierce_die.step"
    broken = tmp_path / "junk.pdf"
    broken.write_bytes(b"%PDF-1.7\n" + bytes(range(256)) * 50)
    words = ["route", str(model), "--drawing", str(broken), "-o", str(tmp_path / "out")]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert broken.name in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_drawing_that_is_not_there() -> None:
    with pytest.raises(SheetError, match=r"none\.pdf cannot be read"):
        read_sheet(Path("none.pdf"))
