"""The codes of the traveller: a QR code (ISO/IEC 18004) for each step, by which its minutes are entered.

A code holds the first 12 figures of the model's SHA-256, a mark of the plan and the number of the step, so
that it finds its step on whatever server has the job, and never that of another plan. Where the shop file
tells the address of the toolroom's page, the code is a link to the form; else it is text for a scanner that
types.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from routing.export.report.blocks import Pictures, Section, Text, clean
from routing.export.report.drawing import Area, Drawing

_CODE = re.compile(r"(?:^|/)([0-9a-f]{12})/([0-9a-f]{8})/([0-9]{1,5})$")
# A module of 0.5 mm is read by a telephone from a hand's breadth; four light ones are the quiet zone (18004).
_MODULE_MM, _QUIET = 0.5, 4
_COLUMNS = 5


@dataclass(frozen=True)
class StepCode:
    """``file`` begins the model's SHA-256, ``plan`` is ``plan_mark``."""

    file: str
    plan: str
    step: int


def plan_mark(content: Mapping[str, Any]) -> str:
    """Eight figures that tell a plan from others: part, and each step's number, kind, process, features."""
    steps = [[o["number"], o["stage"], o["process"], o["features"]] for o in content["operations"]]
    told = json.dumps([content["part"]["sha256"], content["part"]["name"], steps])
    return hashlib.sha256(told.encode()).hexdigest()[:8]


def code_text(content: Mapping[str, Any], step: int, page: str = "") -> str:
    """What the code of a step holds; ``page`` is the address of the toolroom's page, if it has one."""
    code = f"{content['part']['sha256'][:12]}/{plan_mark(content)}/{step}"
    # In capitals it is of the small alphabet: fewer modules.
    return f"{page.rstrip('/')}/#/took/{code}" if page else f"DIEROUTE/{code}".upper()


def read_code(text: str) -> StepCode | None:
    """What was scanned; None for what is none of ours."""
    match = _CODE.search(text.strip().lower())
    return StepCode(match[1], match[2], int(match[3])) if match else None


def codes(content: Mapping[str, Any], page: str = "") -> Section:
    """A code for each step, with what it is for under it."""
    drawn = tuple(
        (
            _qr(code_text(content, o["number"], page), f"Code of step {o['number']}"),
            f"step {o['number']}, S{o['setup']}: {o['stage']}, {clean(o['process'])}",
        )
        for o in content["operations"]
    )
    how = (
        "a telephone opens the form of the step"
        if page
        else "into the field for codes on the page of minutes, or the column code of a CSV"
    )
    return Section(
        "Minutes taken: scan the step",
        (
            Text(f"Scan when a step is done: {how}. The next estimate learns from it.", "note"),
            Pictures(drawn, _COLUMNS),
        ),
    )


def _qr(text: str, description: str) -> Drawing:
    """Dark modules as runs in each row; level M mends 15 % of what is dirty."""
    from reportlab.graphics.barcode import qrencoder

    made = qrencoder.QRCode(None, qrencoder.QRErrorCorrectLevel.M)
    made.addData(text)
    made.make()
    count = made.getModuleCount()
    side = (count + 2 * _QUIET) * _MODULE_MM
    rings = []
    for row in range(count):
        column = 0
        while column < count:
            start = column
            while column < count and made.isDark(row, column):
                column += 1
            if column > start:
                left, right = ((n + _QUIET) * _MODULE_MM for n in (start, column))
                top = side - (row + _QUIET) * _MODULE_MM
                low = top - _MODULE_MM
                rings.append(((left, low), (right, low), (right, top), (left, top)))
            column += 1
    return Drawing(side, side, (Area(tuple(rings), "#000000"),), description)
