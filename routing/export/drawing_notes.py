"""What the route file says of the customer's drawing."""

from __future__ import annotations

from typing import Any

from routing.export.numbers import rounded
from routing.inputs.sheet.apply import spot_of
from routing.inputs.sheet.called import Spot
from routing.inputs.sheet.said import Said

PICTURE = "drawing_question_{:02d}.png"


def content(said: Said) -> dict[str, Any]:
    """The drawing, its title block and notes, each callout with what became of it, and what is asked."""
    sheet, matched = said.sheet, said.matched
    asked = {q.entry for q in matched.questions}
    return {
        "file": sheet.name,
        "sha256": sheet.sha256,
        "read_as": sheet.how,
        "inches": sheet.inches,
        "title": dict(sorted(sheet.title.items())),
        "notes": [
            {"about": str(n.note.about), "text": n.note.text, "value": n.note.value} for n in sheet.notes
        ],
        "callouts": [
            {
                "text": entry.called.text,
                "what": str(entry.called.what),
                "count": entry.called.count,
                **_place(entry.spot),
                "features": list(matched.found.get(n, ())),
                "came_to": "matched" if n in matched.found else "asked" if n in asked else "noted",
            }
            for n, entry in enumerate(sheet.entries)
        ],
        "questions": [
            {
                "code": q.code,
                "question": q.text,
                "features": list(q.features),
                **_place(spot_of(q, sheet)[0]),
                "picture": PICTURE.format(n) if spot_of(q, sheet)[1] else None,
            }
            for n, q in enumerate(matched.questions, 1)
        ],
    }


def pictures(said: Said) -> dict[str, bytes]:
    """The pictures of the questions by the names of their files (PNG)."""
    found = {PICTURE.format(n): spot_of(q, said.sheet)[1] for n, q in enumerate(said.matched.questions, 1)}
    return {name: data for name, data in found.items() if data}


def _place(spot: Spot | None) -> dict[str, Any]:
    at = None if spot is None else [rounded(spot.x_mm, 1), rounded(spot.y_mm, 1)]
    return {"sheet": spot.page if spot else None, "at_mm": at}
