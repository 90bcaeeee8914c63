"""Drawings for tests: one description, drawn by programs that have nothing in common.

reportlab draws each letter by itself, Matplotlib and Chromium have their own PDF writers (each with its own
fonts, matrices and curves), ezdxf writes DXF.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.part import Part
from featurize.feature import Feature

WIDE_MM, HIGH_MM = 420.0, 297.0


@dataclass(frozen=True)
class Words:
    x: float
    y: float
    text: str
    height: float = 2.6  # of a capital
    turn: float = 0.0


@dataclass(frozen=True)
class Paper:
    """mm of the sheet from its lower left corner."""

    words: tuple[Words, ...] = ()
    circles: tuple[tuple[float, float, float], ...] = ()
    lines: tuple[tuple[tuple[float, float], ...], ...] = ()
    wide: float = WIDE_MM
    high: float = HIGH_MM

    def turned(self, degrees: float) -> Paper:
        """About the middle of the sheet, on one that has room."""
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        side = math.hypot(self.wide, self.high)

        def at(x: float, y: float) -> tuple[float, float]:
            u, v = x - self.wide / 2, y - self.high / 2
            return u * c - v * s + side / 2, u * s + v * c + side / 2

        return Paper(
            tuple(
                replace(w, x=at(w.x, w.y)[0], y=at(w.x, w.y)[1], turn=w.turn + degrees) for w in self.words
            ),
            tuple((*at(x, y), d) for x, y, d in self.circles),
            tuple(tuple(at(*p) for p in line) for line in self.lines),
            side,
            side,
        )


@dataclass
class Bench:
    """Puts a part's bores and callouts on a sheet."""

    words: list[Words] = field(default_factory=list)
    circles: list[tuple[float, float, float]] = field(default_factory=list)
    lines: list[tuple[tuple[float, float], ...]] = field(default_factory=list)

    def note(self, *texts: str, x: float = 20.0, y: float = 60.0) -> None:
        for n, text in enumerate(texts):
            self.words.append(Words(x, y - 9.0 * n, text))

    def view(
        self, part: Part, features: Sequence[Feature], side: str, scale: float, middle: tuple[float, float]
    ) -> dict[str, tuple[float, float, float]]:
        """Bores along a side of the frame as it shows them; where each hole's widest circle is."""
        k = "xyz".index(side[1])
        sign = 1.0 if side[0] == "+" else -1.0
        u, v = part.frame.axes[(k + 1) % 3] * sign, part.frame.axes[(k + 2) % 3]
        centre = _middle(part)
        found: dict[str, tuple[float, float, float]] = {}
        for f in features:
            if not f.bores or f.axis is None or abs(np.array(f.axis.direction) @ part.frame.axes[k]) < 0.999:
                continue
            away = np.array(f.axis.origin) - centre
            x, y = middle[0] + scale * float(away @ u), middle[1] + scale * float(away @ v)
            bores = sorted({b.start_diameter_mm for b in f.bores if b.is_cylinder})
            self.circles += [(x, y, scale * d) for d in bores]
            found[f.id] = x, y, scale * bores[-1] / 2
        return found

    def lead(self, text: str, to: tuple[float, float, float], x: float, y: float) -> None:
        """A callout with a leader to a circle's rim."""
        self.words.append(Words(x, y, text))
        away = math.atan2(y - to[1], x - to[0])
        rim = (to[0] + to[2] * math.cos(away), to[1] + to[2] * math.sin(away))
        self.lines.append(((x - 0.8, y + 1.0), rim))

    @property
    def paper(self) -> Paper:
        return Paper(tuple(self.words), tuple(self.circles), tuple(self.lines))


def _middle(part: Part) -> Any:
    box = (part.low + part.high) / 2
    return part.frame.origin + box @ part.frame.axes


def typeface() -> Path:
    """One with the trade's signs, which Matplotlib brings."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"


_CAPITAL = 0.729  # of that typeface


def by_reportlab(paper: Paper, path: Path) -> Path:
    """Each letter by itself, as some programs place them."""
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    pdfmetrics.registerFont(TTFont("Trade", str(typeface())))
    canvas = Canvas(str(path), pagesize=(paper.wide * mm, paper.high * mm))
    for w in paper.words:
        size = w.height / _CAPITAL * mm
        canvas.saveState()
        canvas.translate(w.x * mm, w.y * mm)
        canvas.rotate(w.turn)
        canvas.setFont("Trade", size)
        along = 0.0
        for letter in w.text:
            canvas.drawString(along, 0, letter)
            along += pdfmetrics.stringWidth(letter, "Trade", size)
        canvas.restoreState()
    for x, y, d in paper.circles:
        canvas.circle(x * mm, y * mm, d / 2 * mm)
    for line in paper.lines:
        for a, b in zip(line, line[1:], strict=False):
            canvas.line(a[0] * mm, a[1] * mm, b[0] * mm, b[1] * mm)
    canvas.save()
    return path


def by_matplotlib(paper: Paper, path: Path) -> Path:
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle

    figure = Figure(figsize=(paper.wide / 25.4, paper.high / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, paper.wide)
    axes.set_ylim(0, paper.high)
    for w in paper.words:
        size = w.height / _CAPITAL / 25.4 * 72
        axes.text(
            w.x,
            w.y,
            w.text.replace("$", r"\$"),
            fontsize=size,
            rotation=w.turn,
            rotation_mode="anchor",
            va="baseline",
        )
    for x, y, d in paper.circles:
        axes.add_patch(Circle((x, y), d / 2, fill=False))
    for line in paper.lines:
        axes.add_line(Line2D([p[0] for p in line], [p[1] for p in line]))
    FigureCanvasPdf(figure).print_pdf(path)
    return path


def page_of(paper: Paper) -> str:
    """The sheet as a page for a browser to print."""
    inner = [
        f'<text transform="translate({w.x:.4f} {paper.high - w.y:.4f}) rotate({-w.turn:g})" '
        f'font-size="{w.height / _CAPITAL:.4f}" xml:space="preserve">{escape(w.text)}</text>'
        for w in paper.words
    ]
    inner += [
        f'<circle cx="{x:.4f}" cy="{paper.high - y:.4f}" r="{d / 2:.4f}"/>' for x, y, d in paper.circles
    ]
    inner += [
        '<polyline points="' + " ".join(f"{x:.4f},{paper.high - y:.4f}" for x, y in line) + '"/>'
        for line in paper.lines
    ]
    size = f"{paper.wide:g}mm {paper.high:g}mm"
    return (
        f"<style>@page{{size:{size};margin:0}}body{{margin:0}}svg{{display:block}}text{{font-family:sans-serif}}"
        "circle,polyline{fill:none;stroke:#000;stroke-width:.2}</style>"
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{paper.wide:g}mm" height="{paper.high:g}mm" '
        f'viewBox="0 0 {paper.wide:g} {paper.high:g}">{"".join(inner)}</svg>'
    )


def by_chromium(paper: Paper, path: Path) -> Path:
    """Skips the test where there is none."""
    import subprocess

    from tests.support.browser import chromium

    page = path.with_suffix(".html")
    page.write_text(page_of(paper), encoding="utf-8")
    words = [chromium(), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [*words, f"--print-to-pdf={path}", page.resolve().as_uri()],
        check=True,
        capture_output=True,
        timeout=60,
    )
    return path


def by_ezdxf(paper: Paper, path: Path, *, unit: int = 4, mm: float = 1.0) -> Path:
    """``unit`` is $INSUNITS, ``mm`` how many mm it is. The old programs' codes stand for the signs."""
    import ezdxf

    document = ezdxf.new(setup=True)
    document.header["$INSUNITS"] = unit
    space = document.modelspace()
    for n, w in enumerate(paper.words):
        text = w.text.replace("Ø", "%%c").replace("°", "%%d").replace("±", "%%p")
        if n % 2:  # as a paragraph
            text = w.text
            space.add_mtext(
                text,
                dxfattribs={
                    "char_height": w.height / mm,
                    "insert": (w.x / mm, w.y / mm),
                    "attachment_point": 7,
                    "rotation": w.turn,
                },
            )
        else:
            space.add_text(
                text, height=w.height / mm, rotation=w.turn, dxfattribs={"insert": (w.x / mm, w.y / mm)}
            )
    for x, y, d in paper.circles:
        space.add_circle((x / mm, y / mm), d / 2 / mm)
    for line in paper.lines:
        space.add_lwpolyline([(x / mm, y / mm) for x, y in line])
    document.saveas(path)
    return path


Draw = Callable[[Paper, Path], Path]
PROGRAMS: dict[str, tuple[Draw, str]] = {
    "reportlab": (by_reportlab, ".pdf"),
    "matplotlib": (by_matplotlib, ".pdf"),
    "chromium": (by_chromium, ".pdf"),
    "ezdxf": (by_ezdxf, ".dxf"),
}


def draw(program: str, paper: Paper, folder: Path) -> Path:
    """The drawing's file."""
    by, suffix = PROGRAMS[program]
    return by(paper, folder / f"drawing_{program}{suffix}")
