"""A DXF's texts, circles and leaders by ezdxf; pictures of it."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import ezdxf
from ezdxf import disassemble, recover
from ezdxf.math import Vec3

from routing.inputs.sheet.errors import SheetError
from routing.inputs.sheet.placed import DrawnCircle, PlacedText, Polyline, SheetContent

_MOST_ENTITIES, _LARGEST_BYTES = 200_000, 60_000_000
# $INSUNITS: millimetres for a unit, of those that drawings are made in; no unit is millimetres.
_UNITS_MM = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}
# A letter's width over its height, and the next line of a paragraph below it (the format's own 5/3).
_WIDTH, _LINE = 0.65, 5 / 3
_MOST_POINTS = 8


def read(path: Path) -> SheetContent:
    """Everything in a DXF; raises SheetError. Its first sheet is the model, the others its layouts."""
    document = opened(path)
    unit = int(document.header.get("$INSUNITS", 0))
    mm = _UNITS_MM.get(unit, 1.0)
    reader = _EntityReader(mm)
    spaces = [
        document.modelspace(),
        *(document.layouts.get(n) for n in document.layout_names() if n != "Model"),
    ]
    for number, space in enumerate(spaces, 1):
        reader.take(number, disassemble.recursive_decompose(space))
    return SheetContent(
        tuple((0.0, 0.0) for _ in spaces),
        tuple(reader.texts),
        tuple(reader.rings),
        tuple(reader.strokes),
        how="DXF",
        inches=None if unit not in _UNITS_MM or unit == 0 else unit in (1, 2),
        true_size=True,
    )


def opened(path: Path) -> Any:
    if path.stat().st_size > _LARGEST_BYTES:
        raise SheetError(
            f"{path.name} has over {_LARGEST_BYTES // 1_000_000} MB: that is no drawing of an insert."
        )
    try:
        return ezdxf.readfile(path)
    except Exception:  # what it cannot read is tried by its repairing reader
        pass
    try:
        document, _ = recover.readfile(path)
    except Exception as error:
        raise SheetError(f"{path.name} cannot be read as a DXF ({error}): export it again.") from error
    return document


class _EntityReader:
    def __init__(self, mm: float) -> None:
        self._mm, self._left = mm, _MOST_ENTITIES
        self.texts: list[PlacedText] = []
        self.rings: list[DrawnCircle] = []
        self.strokes: list[Polyline] = []

    def take(self, page: int, entities: Iterable[Any]) -> None:
        for entity in entities:
            self._left -= 1
            if self._left < 0:
                raise SheetError(
                    f"the drawing has over {_MOST_ENTITIES} pieces: that is no drawing of an insert."
                )
            if getattr(entity.dxf, "invisible", 0):
                continue
            kind = entity.dxftype()
            if kind in ("TEXT", "ATTRIB"):
                self.texts += self._text(page, entity)
            elif kind == "MTEXT":
                self.texts += self._paragraph(page, entity)
            elif kind == "CIRCLE":
                x, y = self._flat(entity.ocs().to_wcs(entity.dxf.center))
                self.rings.append(DrawnCircle(page, x, y, 2 * entity.dxf.radius * self._mm))
            elif (points := _points(entity)) is not None and 1 < len(points) <= _MOST_POINTS:
                self.strokes.append(Polyline(page, tuple(self._flat(p) for p in points)))

    def _flat(self, point: Any) -> tuple[float, float]:
        return float(point.x) * self._mm, float(point.y) * self._mm

    def _text(self, page: int, entity: Any) -> Iterator[PlacedText]:
        words, high = entity.plain_text(), entity.dxf.height * self._mm
        wide = _WIDTH * high * len(words) * entity.dxf.get("width", 1.0)
        _, first, _ = entity.get_placement()
        x, y = self._flat(entity.ocs().to_wcs(first))
        align = entity.get_align_enum().name
        turn = entity.dxf.rotation
        base = PlacedText(page, words, x, y, wide, high, turn)
        along = -wide if "RIGHT" in align else -wide / 2 if "CENTER" in align or align == "MIDDLE" else 0.0
        up = -high if align.startswith("TOP") else -high / 2 if align.startswith("MIDDLE") else 0.0
        x, y = base.at(along, up)
        yield PlacedText(page, words, x, y, wide, high, turn)

    def _paragraph(self, page: int, entity: Any) -> Iterator[PlacedText]:
        high = entity.dxf.char_height * self._mm
        rows = entity.plain_text().split("\n")
        step = _LINE * high * entity.dxf.get("line_spacing_factor", 1.0)
        x, y = self._flat(entity.dxf.insert)
        across = entity.get_rotation()
        base = PlacedText(page, "", x, y, 0.0, high, across)
        place = entity.dxf.attachment_point - 1  # 1 to 9: top, middle, bottom; left, centre, right
        whole = high + step * (len(rows) - 1)
        first = (0.0, whole / 2, whole)[place // 3] - high
        for n, words in enumerate(rows):
            wide = _WIDTH * high * len(words)
            along = (0.0, -wide / 2, -wide)[place % 3]
            at = base.at(along, first - n * step)
            yield PlacedText(page, words, *at, wide, high, across)


def _points(entity: Any) -> list[Any] | None:
    """The points of what may be a leader."""
    kind = entity.dxftype()
    if kind == "LINE":
        return [entity.dxf.start, entity.dxf.end]
    if kind == "LEADER":
        return [Vec3(v) for v in entity.vertices]
    if kind == "LWPOLYLINE" and not entity.closed:
        return list(entity.vertices_in_wcs())
    return None


class DxfLines:
    """The lines of a DXF's sheets, as ezdxf's own add-on draws them."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._drawn: dict[int, list[list[tuple[float, float]]]] = {}
        self._mm = 1.0

    def lines(self, page: int) -> list[list[tuple[float, float]]]:
        """All that is drawn on a sheet as polylines, mm."""
        if page not in self._drawn:
            from ezdxf.addons.drawing import Frontend, RenderContext
            from ezdxf.addons.drawing.backend import Backend

            found: list[list[tuple[float, float]]] = []

            class Lines(Backend):  # type: ignore[misc]
                def clear(self) -> None:
                    pass

                def set_background(self, color: Any) -> None:
                    pass

                def draw_point(self, pos: Any, properties: Any) -> None:
                    pass

                def draw_line(self, start: Any, end: Any, _: Any) -> None:
                    found.append([(start.x, start.y), (end.x, end.y)])

                def draw_filled_polygon(self, points: Any, _: Any) -> None:
                    found.append([(p.x, p.y) for p in points.vertices()])

                def draw_filled_paths(self, paths: Any, properties: Any) -> None:
                    for path in paths:
                        self.draw_path(path, properties)

                def draw_image(self, image_data: Any, properties: Any) -> None:
                    pass

            document = opened(self._path)
            names = ["Model", *(n for n in document.layout_names() if n != "Model")]
            self._mm = _UNITS_MM.get(int(document.header.get("$INSUNITS", 0)), 1.0)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                space = document.layouts.get(names[page - 1])
                Frontend(RenderContext(document), Lines()).draw_layout(space, finalize=False)
            self._drawn[page] = [
                [(x * self._mm, y * self._mm) for x, y in line]
                for line in found
                if all(math.isfinite(c) for point in line for c in point)
            ]
        return self._drawn[page]
