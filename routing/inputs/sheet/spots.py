"""Pictures of spots of a drawing, each with a frame around what is asked about."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from routing.inputs.sheet.called import Spot
from routing.inputs.sheet.placed import PlacedText

# Of one drawing at most; around a callout, in heights of its letters; the longest side, pixels.
_MOST, _AROUND, _LONGEST_PX = 200, 9.0, 640
_FRAME = 0.6
_PAPER, _INK, _MARK = 255, 0, 90

Box = tuple[float, float, float, float]


class Spots:
    """Pictures of the spots of one file, as PNG; empty where none can be made."""

    def __init__(self, path: Path, is_pdf: bool) -> None:
        self._left = _MOST
        if is_pdf:
            from routing.inputs.sheet import pdf

            self._sheets: Any = pdf.PdfSheets(path)
        else:
            from routing.inputs.sheet import dxf

            self._sheets = dxf.DxfLines(path)
        self._is_pdf = is_pdf

    def sheet(self, page: int) -> tuple[Any, float]:
        """A whole sheet of a PDF as a picture (of Pillow), and its pixels per mm."""
        picture, pixels_mm = self._sheets.sheet(page)
        return picture, pixels_mm

    def of(self, spot: Spot) -> bytes:
        self._left -= 1
        if self._left < 0:
            return b""
        text = PlacedText(spot.page, "", spot.x_mm, spot.y_mm, spot.width_mm, spot.height_mm, spot.angle_deg)
        gap = _FRAME * spot.height_mm
        frame = [
            text.at(along, up)
            for along, up in (
                (-gap, -gap),
                (spot.width_mm + gap, -gap),
                (spot.width_mm + gap, spot.height_mm + gap),
                (-gap, spot.height_mm + gap),
            )
        ]
        around = _AROUND * spot.height_mm
        xs, ys = zip(*frame, strict=True)
        box = (min(xs) - around, min(ys) - around, max(xs) + around, max(ys) + around)
        try:
            return self._drawn(spot, frame, box)
        except Exception:  # a picture is a help, the words of a question are enough
            return b""

    def _drawn(self, spot: Spot, frame: Sequence[tuple[float, float]], box: Box) -> bytes:
        from PIL import ImageDraw

        picture, mm, left, top = self._cut(spot.page, box) if self._is_pdf else self._inked(spot.page, box)
        corners = [((x - left) * mm, (top - y) * mm) for x, y in frame]
        ImageDraw.Draw(picture).polygon(corners, outline=_MARK, width=2)
        picture = picture.rotate(-90 * round(spot.angle_deg / 90), expand=True)
        picture.thumbnail((_LONGEST_PX, _LONGEST_PX))
        data = io.BytesIO()
        picture.save(data, "PNG", optimize=True)
        return data.getvalue()

    def _cut(self, page: int, box: Box) -> tuple[Any, float, float, float]:
        """A piece of a sheet of a PDF, its pixels per mm, and where its upper left corner is."""
        sheet, mm = self.sheet(page)
        left, right = (min(max(x * mm, 0), sheet.width) for x in (box[0], box[2]))
        top, low = (min(max(sheet.height - y * mm, 0), sheet.height) for y in (box[3], box[1]))
        piece = sheet.crop(tuple(map(round, (left, top, right, low)))).convert("L")
        return piece, mm, left / mm, (sheet.height - top) / mm

    def _inked(self, page: int, box: Box) -> tuple[Any, float, float, float]:
        """The same of a DXF, whose lines are drawn anew."""
        from PIL import Image, ImageDraw

        mm = _LONGEST_PX / max(box[2] - box[0], box[3] - box[1])
        size = (max(1, round((box[2] - box[0]) * mm)), max(1, round((box[3] - box[1]) * mm)))
        picture = Image.new("L", size, _PAPER)
        pen = ImageDraw.Draw(picture)
        for line in self._sheets.lines(page):
            pen.line([((x - box[0]) * mm, (box[3] - y) * mm) for x, y in line], fill=_INK, width=1)
        return picture, mm, box[0], box[3]
