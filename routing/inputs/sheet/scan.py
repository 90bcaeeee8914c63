"""Sheets that are pictures, read by Tesseract where it is installed."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from typing import Any

from routing.inputs.sheet.errors import SheetError
from routing.inputs.sheet.placed import PlacedText

TOOL = "tesseract"
_LIMIT_S = 120.0
# Words that the reader is less sure of than this (percent) are no evidence.
_LEAST_SURE = 60.0
_CAPITAL = 0.8  # of the box around a word, which has room for what hangs below the line


def read(page: int, picture: Any, pixels_mm: float, name: str) -> list[PlacedText]:
    """The words of a picture (of Pillow) in mm of the sheet; raises SheetError without Tesseract."""
    tool = shutil.which(TOOL)
    if tool is None:
        raise SheetError(
            f"{name} has no text, only a picture: hand in the drawing as a text PDF or DXF, or install "
            "Tesseract (the command `tesseract`) to have the scan read."
        )
    data = io.BytesIO()
    picture.save(data, "PNG")
    words = [tool, "stdin", "stdout", "--psm", "11", "--dpi", str(round(pixels_mm * 25.4)), "tsv"]
    try:
        run = subprocess.run(words, input=data.getvalue(), capture_output=True, timeout=_LIMIT_S, check=True)
    except (OSError, subprocess.SubprocessError) as error:
        raise SheetError(
            f"{name} is a scan that Tesseract could not read ({error}): hand in a text PDF."
        ) from error
    return words_of(run.stdout.decode("utf-8", "replace"), page, picture.height, pixels_mm)


def words_of(table: str, page: int, height_pixels: int, pixels_mm: float) -> list[PlacedText]:
    """The words of Tesseract's table (TSV) that it is sure of."""
    found = []
    for row in csv.DictReader(io.StringIO(table), delimiter="\t", quoting=csv.QUOTE_NONE):
        try:
            sure, left, top, width, height = (
                float(row[k]) for k in ("conf", "left", "top", "width", "height")
            )
        except (KeyError, TypeError, ValueError):
            continue
        words = (row.get("text") or "").strip()
        if sure < _LEAST_SURE or not words or width <= 0 or height <= 0:
            continue
        x, y = left / pixels_mm, (height_pixels - top - height) / pixels_mm
        found.append(PlacedText(page, words, x, y, width / pixels_mm, _CAPITAL * height / pixels_mm))
    return found
