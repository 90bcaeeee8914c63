"""The report as PDF: A4 pages whose print area also fits Letter, type embedded, the same bytes every time."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from copy import copy
from functools import cache, lru_cache
from importlib import import_module
from itertools import zip_longest
from typing import Any

from routing.export.report.blocks import Block, Facts, Pictures, Report, Section, Table, Text
from routing.export.report.drawing import PT_MM, Drawing, Raster, Words, box_of
from routing.export.report.operators import painted
from routing.export.report.type import BOLD, NORMAL, draw, is_wide, markup

_MM = 1 / PT_MM
_WIDE = 178.0
# About what a row of facts takes.
_FACT_MM = 4.6
# Letter is 297 - 279.4 = 17.6 mm lower than A4: half of it stays free above and below.
_SIDE, _END = (210 - _WIDE) / 2, 21.0
_HIGH = 297 - 2 * _END
# What is higher than this share of a page is torn at its end: else much of the page would stay white.
_KEPT = 0.3


def pdf(report: Report) -> bytes:
    """The file."""
    from reportlab import rl_config
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    rl_config.useA85 = 0  # bytes as they are, not as text: smaller and sooner
    made = io.BytesIO()
    width, height = A4
    document = BaseDocTemplate(
        made, pagesize=A4, title=f"{report.title}: {report.what.lower()}", author="dieroute", invariant=1
    )
    frame = Frame(_SIDE * _MM, _END * _MM, _WIDE * _MM, height - 2 * _END * _MM, 0, 0, 0, 0)
    document.addPageTemplates([PageTemplate(frames=[frame], pagesize=(width, height))])
    story: list[Any] = _head(report)
    for section in report.sections:
        story += _section(section)
    document.build(story, canvasmaker=_numbered(report.title, report.what.lower()))
    return made.getvalue()


def prepare() -> None:
    """Loads the library and the type, so that forks need not each."""
    import_module("reportlab.platypus")
    for face in (NORMAL, BOLD):
        markup("A", face)


@cache
def _ink(name: str) -> Any:
    from reportlab.lib.colors import toColor

    return toColor(name)


@cache
def _style(look: str, wrap: str = "") -> Any:
    from reportlab.lib.styles import ParagraphStyle

    common: dict[str, Any] = {"fontName": NORMAL, "fontSize": 7.6, "leading": 10.4, "spaceAfter": 4}
    more: dict[str, dict[str, Any]] = {
        "note": {"fontSize": 6.8, "leading": 9.2, "textColor": _ink("#3c4249"), "spaceBefore": 3},
        "alert": {
            "borderWidth": 1,
            "borderColor": _ink("#16191d"),
            "borderPadding": 4,
            "spaceBefore": 6,
            "spaceAfter": 9,
            "leftIndent": 5,
            "rightIndent": 5,
        },
        "item": {"leftIndent": 9, "bulletIndent": 0},
        "cell": {"fontSize": 6.7, "leading": 8.7, "spaceAfter": 0},
        "head": {"fontSize": 6.7, "leading": 8.7, "spaceAfter": 0, "fontName": BOLD},
        "title": {"fontSize": 19, "leading": 23, "fontName": BOLD},
        "section": {"fontSize": 11, "leading": 14, "fontName": BOLD, "spaceAfter": 0},
        "caption": {"fontSize": 6.5, "leading": 8.5, "textColor": _ink("#3c4249"), "spaceAfter": 5},
    }
    return ParagraphStyle(look, **common | more.get(look, {}), **({"wordWrap": wrap} if wrap else {}))


def _words(text: str, look: str, bullet: str | None = None) -> Any:
    """A paragraph, its own in each place: while it lays out, the library marks what did not fit a page."""
    return copy(_parsed(text, look, bullet))


@lru_cache(maxsize=4_000)
def _parsed(text: str, look: str, bullet: str | None) -> Any:
    """The same words are parsed, and broken into lines for a width, once for every paper and cell."""
    style = _style(look, "CJK" if is_wide(text) else "")
    paragraph = _paragraph_kind()(markup(text, style.fontName), style, bulletText=bullet)
    paragraph.laid = {}
    return paragraph


@cache
def _paragraph_kind() -> Any:
    from reportlab.platypus import Paragraph

    class Laid(Paragraph):  # type: ignore[misc]
        """Broken into lines once for each width; the library asks for that again before it draws."""

        def wrap(self, width: float, height: float) -> tuple[float, float]:
            laid = self.__dict__.setdefault("laid", {})  # a piece of a torn one has none
            if width not in laid:
                before = dict(self.__dict__)
                size = super().wrap(width, height)
                made = {k: v for k, v in self.__dict__.items() if before.get(k, before) is not v}
                laid[width] = size, made
            size, made = laid[width]
            self.__dict__.update(made)
            return size[0], size[1]

    return Laid


def _head(report: Report) -> list[Any]:
    from reportlab.platypus import Spacer

    return [
        _words(report.what, "note"),
        _words(report.title, "title"),
        Spacer(1, 4),
        _facts(Facts(report.head), 3),
    ]


def _facts(facts: Facts, by: float) -> Any:
    from reportlab.platypus import Table as Grid

    cells = [[_words(k, "caption"), _words(v, "cell")] for k, v in facts.rows]
    columns = 1 if facts.wide else 2
    cells += [[_words("", "cell")] * 2] * (-len(cells) % columns)
    rows = [[c for pair in cells[k : k + columns] for c in pair] for k in range(0, len(cells), columns)]
    grid = Grid(rows, [22 * _MM, (_WIDE / columns - 22) * _MM] * columns, spaceAfter=5)
    lines: list[Any] = [
        ("BOX", (0, 0), (-1, -1), 1, _ink("#16191d")),
        ("LINEBELOW", (0, 0), (-1, -2), 0.4, _ink("#b9bec4")),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        *_padding(by),
    ]
    if columns > 1:
        lines.append(("LINEAFTER", (1, 0), (1, -1), 0.4, _ink("#b9bec4")))
    grid.setStyle(lines)
    return grid


def _padding(by: float) -> list[Any]:
    sides = (("LEFTPADDING", 3.5), ("RIGHTPADDING", 3.5), ("TOPPADDING", by), ("BOTTOMPADDING", by))
    return [(side, (0, 0), (-1, -1), size) for side, size in sides]


def _section(section: Section) -> list[Any]:
    from reportlab.platypus import CondPageBreak, HRFlowable, PageBreak, Spacer

    blocks: list[Any] = []
    for block, after in zip_longest(section.blocks, section.blocks[1:]):
        leads = isinstance(block, Text) and block.look == "note" and isinstance(after, Table)
        blocks += [*([CondPageBreak(24 * _MM)] if leads else []), *_block(block)]
    start: list[Any] = (
        [PageBreak()] if section.new_page else [Spacer(1, 12), CondPageBreak(_room(section) * _MM)]
    )
    rule = HRFlowable(width="100%", thickness=1.2, color=_ink("#16191d"), spaceBefore=1.5, spaceAfter=5)
    return [*start, _words(section.title, "section"), rule, *blocks]


def _room(section: Section) -> float:
    """What must fit under a heading (mm): all up to the first picture near its start, or a few lines."""
    room = 22.0
    for block in section.blocks[:2]:
        if isinstance(block, Pictures):
            return room + max(d.height_mm for d, _ in block.drawings[:2])
        if isinstance(block, Facts):
            room += _FACT_MM * len(block.rows)
    return 30.0


def _block(block: Block) -> list[Any]:
    if isinstance(block, Text):
        if block.look == "item":  # a caution is not torn by the end of a page
            from reportlab.platypus import KeepTogether

            return [KeepTogether([_words(block.words, block.look, "–")])]
        return [_words(block.words, block.look)]
    if isinstance(block, Facts):
        return [_facts(block, 1.6)]
    return [_table(block)] if isinstance(block, Table) else _pictures(block)


def _table(table: Table) -> Any:
    from reportlab.platypus import Table as Grid

    rows = [[_words(h, "head") for h in table.head]]
    rows += [
        [_words(c, "head" if n in table.leads else "cell") for c in row] for n, row in enumerate(table.rows)
    ]
    whole = sum(table.widths)
    widths = [w / whole * _WIDE * _MM for w in table.widths]
    by = 6.5 if table.tall else 2.2
    heights = _heights(rows, widths, by) if table.tall else []
    torn = not table.tall or max(heights) > _KEPT * _HIGH * _MM
    grid = Grid(rows, widths, repeatRows=1, splitInRow=1 if torn else 0, spaceAfter=5)
    lines: list[Any] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, _ink("#16191d")),
        ("LINEBELOW", (0, 1), (-1, -1), 0.35, _ink("#b9bec4")),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        *_padding(by),
    ]
    if table.tall:
        lines.append(("GRID", (0, 1), (-1, -1), 0.5, _ink("#16191d")))
        lines += [
            ("NOSPLIT", (0, first), (-1, last))
            for first, last in _kept(table)
            if sum(heights[first : last + 1]) <= _KEPT * _HIGH * _MM
        ]
    grid.setStyle(lines)
    return grid


def _heights(rows: Sequence[Sequence[Any]], widths: Sequence[float], padding: float) -> list[float]:
    """How high each row of paragraphs will stand, in points."""
    return [
        2 * padding + max(cell.wrap(width - 7, 1e6)[1] for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]


def _kept(table: Table) -> Iterator[tuple[int, int]]:
    """Rows that stay on one page, the heading counted: a lead with the next, what goes on with its start."""
    first = 0
    for n, row in enumerate(table.rows):
        if row[0] and n - 1 not in table.leads:
            if n - first > 1:
                yield first + 1, n
            first = n
    if len(table.rows) - first > 1:
        yield first + 1, len(table.rows)


def _pictures(block: Pictures) -> list[Any]:
    from reportlab.platypus import Table as Grid

    cells = [[_flowable(d), *([_words(text, "caption")] if text else [])] for d, text in block.drawings]
    rows = [cells[k : k + block.columns] for k in range(0, len(cells), block.columns)]
    rows[-1] += [[]] * (block.columns - len(rows[-1]))
    grid = Grid(rows, [_WIDE / block.columns * _MM] * block.columns)
    grid.setStyle([("VALIGN", (0, 0), (-1, -1), "BOTTOM"), *((s, a, b, 0.5) for s, a, b, _ in _padding(0))])
    return [grid]


def _flowable(drawing: Drawing) -> Any:
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Flowable

    class Drawn(Flowable):  # type: ignore[misc]
        def wrap(self, *_: float) -> tuple[float, float]:
            return drawing.width_mm * _MM, drawing.height_mm * _MM

        def draw(self) -> None:
            self.canv.saveState()
            self.canv.scale(_MM, _MM)
            frame = self.canv.beginPath()
            frame.rect(0, 0, drawing.width_mm, drawing.height_mm)
            self.canv.clipPath(frame, stroke=0, fill=0)  # as a page of HTML does with what is drawn larger
            for item in painted(drawing):
                if isinstance(item, str):
                    self.canv.addLiteral(item)
                elif isinstance(item, Raster):
                    picture = ImageReader(io.BytesIO(item.png))
                    self.canv.drawImage(picture, item.x, item.y, item.width_mm, item.height_mm)
                else:
                    _write(self.canv, item)
            self.canv.restoreState()

    return Drawn()


def _write(canvas: Any, item: Words) -> None:
    if item.boxed:
        left, low, right, top = box_of(item)
        canvas.setFillColor(_ink("#ffffff"))
        canvas.setStrokeColor(_ink("#16191d"))
        canvas.setLineWidth(0.1)
        canvas.setDash()
        canvas.roundRect(left, low, right - left, top - low, 0.6, stroke=1, fill=1)
    canvas.saveState()
    canvas.setFillColor(_ink(item.ink))
    canvas.translate(item.x, item.y)
    if item.upright:
        canvas.rotate(90)
    draw(canvas, 0, 0, item.text, item.size_pt * PT_MM, item.place, BOLD if item.bold else NORMAL)
    canvas.restoreState()


def _numbered(title: str, what: str) -> Any:
    """A canvas that knows at the end how many pages there are."""
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **more)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 (the name is the library's)
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for n, page in enumerate(self._pages, 1):
                self.__dict__.update(page)
                y = (_END - 5) * _MM
                text = f"{what}; minutes and money are estimates"
                draw(self, _SIDE * _MM, y, title[:60], 6.5, "start")
                draw(self, 105 * _MM, y, text, 6.5, "middle")
                draw(self, (210 - _SIDE) * _MM, y, f"page {n} of {len(self._pages)}", 6.5, "end")
                super().showPage()
            super().save()

    return Numbered
