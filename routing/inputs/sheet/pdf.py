"""A PDF's texts, circles and lines by PDFium; pictures of its sheets."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw
from numpy.typing import NDArray

from routing.inputs.sheet.errors import SheetError
from routing.inputs.sheet.placed import DrawnCircle, PlacedText, Polyline, SheetContent

POINT_MM = 25.4 / 72
# No drawing of an insert has more; what does is a manual, or means harm.
_MOST_PAGES, _MOST_LETTERS, _MOST_OBJECTS = 20, 100_000, 100_000
# Height of a capital over the type size, of most typefaces.
_CAPITAL = 0.72
# A letter's width over its type size, where it cannot be measured.
_WIDTH, _TALL = 0.55, 1.1
_DEEPEST_FORM = 4
# A subpath is a circle when its points keep this share of the radius, and leave no wider gap (degrees).
_ROUND_SHARE, _WIDEST_GAP_DEG = 0.012, 50.0
_LEAST_POINTS = 8
_PICTURE_DPI, _MOST_PIXELS = 150, 40_000_000

Matrix = tuple[float, float, float, float, float, float]
_AS_IS: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


def read(path: Path) -> SheetContent:
    """Everything on the sheets of a PDF; raises SheetError."""
    with closing(opened(path)) as document:
        if len(document) > _MOST_PAGES:
            raise SheetError(
                f"{path.name} has {len(document)} sheets: hand in the drawing of this part alone."
            )
        pages: list[tuple[float, float]] = []
        texts: list[PlacedText] = []
        rings: list[DrawnCircle] = []
        strokes: list[Polyline] = []
        pictured = False
        for number, page in enumerate(document, 1):
            left, bottom, right, top = page.get_cropbox()
            pages.append(((right - left) * POINT_MM, (top - bottom) * POINT_MM))
            texts += _letters(page, number, left, bottom)
            if len(texts) > _MOST_LETTERS:
                raise SheetError(
                    f"{path.name} has over {_MOST_LETTERS} letters: that is no drawing of an insert."
                )
            for points, closed in _subpaths(page, left, bottom):
                ring = _ring(number, points)
                if ring is not None:
                    rings.append(ring)
                elif not closed and len(points) <= 8:
                    strokes.append(Polyline(number, tuple((float(x), float(y)) for x, y in points)))
            pictured = pictured or any(page.get_objects([raw.FPDF_PAGEOBJ_IMAGE], max_depth=2))
        return SheetContent(tuple(pages), tuple(texts), tuple(rings), tuple(strokes), pictured=pictured)


def opened(path: Path) -> pdfium.PdfDocument:
    try:
        document = pdfium.PdfDocument(path)
        if len(document) == 0:
            raise SheetError(f"{path.name} has no sheet: export the drawing again.")
    except pdfium.PdfiumError as error:
        cure = "save it without a password" if "assword" in str(error) else "export it again"
        raise SheetError(f"{path.name} cannot be read as a PDF ({error}): {cure}.") from error
    return document


def _letters(page: Any, number: int, left: float, bottom: float) -> Iterator[PlacedText]:
    """Each letter that is drawn, in its place; spaces are left out, gaps tell them."""
    text = page.get_textpage()
    handle = text.raw
    x, y = raw.c_double(), raw.c_double()
    matrix, box = raw.FS_MATRIX(), raw.FS_RECTF()
    for n in range(min(text.count_chars(), _MOST_LETTERS + 1)):
        code = raw.FPDFText_GetUnicode(handle, n)
        if code in (0, 2, 0xFFFE, 0xFFFF) or raw.FPDFText_IsGenerated(handle, n) == 1 or chr(code).isspace():
            continue
        sign = "\ufffd" if 0xD800 <= code < 0xE000 else chr(code)
        if not raw.FPDFText_GetCharOrigin(handle, n, x, y) or not raw.FPDFText_GetMatrix(handle, n, matrix):
            continue
        size = raw.FPDFText_GetFontSize(handle, n)
        height = size * math.hypot(matrix.c, matrix.d)
        angle = math.degrees(math.atan2(matrix.b, matrix.a))
        if not (math.isfinite(height) and math.isfinite(angle)) or height <= 0:
            continue
        width = _WIDTH * height
        if raw.FPDFText_GetLooseCharBox(handle, n, box):
            tall = _tall(raw.FPDFText_GetTextObject(handle, n)) * height
            width = _advance(box.right - box.left, box.top - box.bottom, angle, height, tall)
        yield PlacedText(
            number,
            sign,
            (x.value - left) * POINT_MM,
            (y.value - bottom) * POINT_MM,
            width * POINT_MM,
            height * _CAPITAL * POINT_MM,
            angle,
        )


def _tall(item: Any) -> float:
    """From the deepest to the highest letter of a text's typeface, in type sizes."""
    up, down = raw.c_float(), raw.c_float()
    font = raw.FPDFTextObj_GetFont(item) if item else None
    if not (font and raw.FPDFFont_GetAscent(font, 1.0, up) and raw.FPDFFont_GetDescent(font, 1.0, down)):
        return _TALL
    return up.value - down.value if 0.5 < up.value - down.value < 3 else _TALL


def _advance(across: float, high: float, angle_deg: float, size: float, tall: float) -> float:
    """A letter's width from the upright box around it, turned as it is, and the height of its typeface."""
    c, s = (abs(f(math.radians(angle_deg))) for f in (math.cos, math.sin))
    width = (across - tall * s) / c if c > s else (high - tall * c) / s
    return width if 0.1 * size < width < 1.6 * size else _WIDTH * size


def _subpaths(page: Any, left: float, bottom: float) -> Iterator[tuple[NDArray[np.float64], bool]]:
    """Every path drawn, by points (n, 2) in mm of the sheet, and whether it closes."""
    budget = [_MOST_OBJECTS]

    def walk(count: int, get: Any, outer: Matrix, depth: int) -> Iterator[tuple[NDArray[np.float64], bool]]:
        for n in range(count):
            budget[0] -= 1
            if budget[0] < 0:
                return
            item = get(n)
            kind = raw.FPDFPageObj_GetType(item)
            own = _matrix_of(item, outer)
            if kind == raw.FPDF_PAGEOBJ_FORM and depth < _DEEPEST_FORM:
                inner = raw.FPDFFormObj_CountObjects(item)
                yield from walk(
                    inner, lambda k, item=item: raw.FPDFFormObj_GetObject(item, k), own, depth + 1
                )
            elif kind == raw.FPDF_PAGEOBJ_PATH:
                for points, closed in _points(item, budget):
                    a, b, c, d, e, f = own
                    turned = points @ np.array([[a, b], [c, d]]) + [e - left, f - bottom]
                    yield turned * POINT_MM, closed

    objects = raw.FPDFPage_CountObjects(page.raw)
    yield from walk(objects, lambda k: raw.FPDFPage_GetObject(page.raw, k), _AS_IS, 0)


def _matrix_of(item: Any, outer: Matrix) -> Matrix:
    m = raw.FS_MATRIX()
    if not raw.FPDFPageObj_GetMatrix(item, m):
        return outer
    a, b, c, d, e, f = outer
    return (
        m.a * a + m.b * c, m.a * b + m.b * d, m.c * a + m.d * c, m.c * b + m.d * d,
        m.e * a + m.f * c + e, m.e * b + m.f * d + f,
    )  # fmt: skip


def _points(item: Any, budget: list[int]) -> Iterator[tuple[NDArray[np.float64], bool]]:
    """A path's subpaths; of a Bézier curve its ends and its middle."""
    x, y = raw.c_float(), raw.c_float()
    found: list[tuple[float, float]] = []
    curve: list[tuple[float, float]] = []
    closed = False
    count = raw.FPDFPath_CountSegments(item)
    for n in range(count):
        budget[0] -= 1
        if budget[0] < 0:
            return
        segment = raw.FPDFPath_GetPathSegment(item, n)
        raw.FPDFPathSegment_GetPoint(segment, x, y)
        kind, at = raw.FPDFPathSegment_GetType(segment), (x.value, y.value)
        if kind == raw.FPDF_SEGMENT_MOVETO:
            if len(found) > 1:
                yield np.array(found), closed
            found, curve, closed = [at], [], False
        elif kind == raw.FPDF_SEGMENT_BEZIERTO:
            curve.append(at)
            if len(curve) == 3 and found:
                p = np.array([found[-1], *curve])
                middle = np.array([1, 3, 3, 1]) @ p / 8
                found += [(float(middle[0]), float(middle[1])), at]
                curve = []
        else:
            found.append(at)
        closed = closed or bool(raw.FPDFPathSegment_GetClose(segment))
    if len(found) > 1:
        yield np.array(found), closed


def _ring(page: int, points: NDArray[np.float64]) -> DrawnCircle | None:
    """The circle that points (n, 2) lie on, all round."""
    if len(points) < _LEAST_POINTS or not np.isfinite(points).all():
        return None
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    away = points - middle
    radii = np.linalg.norm(away, axis=1)
    radius = float(np.median(radii))
    if radius < 0.1 or np.abs(radii - radius).max() > _ROUND_SHARE * radius:
        return None
    turns = np.sort(np.degrees(np.arctan2(away[:, 1], away[:, 0])))
    if max(np.diff(turns).max(initial=0.0), 360 - (turns[-1] - turns[0])) > _WIDEST_GAP_DEG:
        return None
    return DrawnCircle(page, float(middle[0]), float(middle[1]), 2 * radius)


class PdfSheets:
    """The sheets of a PDF as pictures, each drawn once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._sheets: dict[int, Any] = {}

    def sheet(self, page: int) -> Any:
        """A sheet as a picture (of Pillow), and its pixels per mm."""
        if page not in self._sheets:
            with closing(opened(self._path)) as document:
                own = document[page - 1]
                own.set_rotation(0)  # as its texts' places are; pieces of it are turned to be read
                width, height = own.get_size()
                scale = _PICTURE_DPI / 72
                scale = min(scale, math.sqrt(_MOST_PIXELS / max(width * height, 1.0)))
                picture = own.render(scale=scale, may_draw_forms=False).to_pil().convert("RGB")
                self._sheets[page] = picture, scale / POINT_MM
        return self._sheets[page]
