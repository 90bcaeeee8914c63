"""What would make the part cheaper, for the report and as a letter to the customer: words and pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import fill
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import Body, HiddenLineView
from routing.export.report.blocks import (
    Block,
    Facts,
    Pictures,
    Report,
    Section,
    Table,
    Text,
    clean,
    number,
    sentence,
)
from routing.export.report.drawing import Drawing, Line, Runs
from routing.export.report.inked import Fit, shades
from routing.export.report.pictures import MOST_FACES, Subject
from routing.export.viewer.mesh import mesh_of

TITLE = "What would make it cheaper"
_MARKED, _PLAIN, _INK = "#d5694f", "#eceae4", "#a3112f"
_VIEWS = ("iso", "iso below")
_WIDE, _HIGH = 87.0, 62.0
# The spot is shown with this much around it, and no less or more of the part than shares of its size.
_AROUND, _LEAST, _MOST = 2.2, 0.3, 0.55
_COLUMNS = 78
# A batch of which a piece saves the same within this is not told.
_SAME_SHARE = 0.02
_CLOSE = (
    "A corner of a cutting edge, a fit or a sealing edge may not be changed: say no where it is one. What "
    "you agree to we ask you to send as a changed model."
)

Content = Mapping[str, Any]


def subject_of_part(solid: Any, source_faces: Sequence[int], recognition: Any) -> Subject:
    """A part to be drawn by its features alone; ``source_faces`` has the place as read of each face."""
    part = recognition.part
    place = {at: face.id for face in part.faces for at in face.source}
    owner = {i: f.id for f in recognition.features for i in f.faces}
    names = [owner.get(place.get(at, -1), "") for at in source_faces]
    return Subject(Body(solid, mesh_of(solid)), [("", name) for name in names], {}, part.frame.axes)


def section(content: Content, subject: Subject) -> Section | None:
    """For the report; None where nothing was tried."""
    found = content.get("cheaper")
    if found is None:
        return None
    blocks: list[Block] = []
    shown = set()
    for n, hint in enumerate(found["hints"]):
        pictures, facts = _hint(found, n, subject, titled=True)
        blocks += [facts] if str(hint["features"]) in shown else [pictures, facts]
        shown.add(str(hint["features"]))
    return Section(TITLE, (*_lead(found), *blocks))


def letter(found: Content, title: str, head: Sequence[tuple[str, str]], subject: Subject) -> Report:
    """A letter that a shop can send."""
    hints = [
        Section(f"{n + 1}. {_first(hint['text'])}", tuple(_hint(found, n, subject, titled=False)))
        for n, hint in enumerate(found["hints"])
    ]
    start = Section("Your part", (*_lead(found), *((_listed(found),) if hints else ())))
    end = [Section("Please note", (Text(_CLOSE), Text(found["note"], "note")))] if hints else []
    return Report(clean(title), tuple(head), (start, *hints, *end), TITLE)


def plain_text(found: Content, title: str, head: Sequence[tuple[str, str]]) -> str:
    """The letter without pictures, in lines of 78 letters."""
    fields = [("Part", clean(title)), *head]
    wide = max(len(name) for name, _ in fields) + 2
    lines = [TITLE, "", *(f"{name + ':':<{wide}}{value}" for name, value in fields), ""]
    lines += [fill(block.words, _COLUMNS) for block in _lead(found)]
    for n, hint in enumerate(found["hints"]):
        lines += ["", fill(f"{n + 1}. {sentence(hint['text'])}", _COLUMNS, subsequent_indent="   ")]
        for name, words in _facts(found, hint):
            lines.append(fill(f"{name}: {words}", _COLUMNS, initial_indent="   ", subsequent_indent="     "))
    if found["hints"]:
        lines += ["", fill(_CLOSE, _COLUMNS), "", fill(found["note"], _COLUMNS)]
    return "\n".join(lines) + "\n"


def _lead(found: Content) -> list[Text]:
    takes = f"{number(found['minutes'], 0)} minutes and {number(found['cost'], 0)} {found['currency']}"
    start = f"As drawn, one piece takes about {takes}: an estimate, not an offer."
    tried = f"{found['tried']} changes to the model were tried by routing the changed part"
    count = len(found["hints"])
    if not count:
        return [Text(f"{start} {tried}: none makes it cheaper.")]
    these = "one of them makes" if count == 1 else f"{count} of them make"
    return [Text(f"{start} {tried}: {these} it cheaper.")]


def _listed(found: Content) -> Table:
    rows = tuple(
        (str(n), sentence(h["text"]), _span(h["cost"]), _span(h["minutes"]))
        for n, h in enumerate(found["hints"], 1)
    )
    return Table(("no.", "change", f"less, {found['currency']}", "less, minutes"), rows, (0.5, 5, 2, 2))


def _hint(found: Content, n: int, subject: Subject, *, titled: bool) -> list[Block]:
    hint = found["hints"][n]
    title = [(f"{n + 1}. {hint['kind']}", sentence(hint["text"]))] if titled else []
    return [Pictures(tuple(_pictures(subject, hint)), 2), Facts((*title, *_facts(found, hint)), wide=True)]


def _facts(found: Content, hint: Content) -> list[tuple[str, str]]:
    money, alone = found["currency"], hint["cost"]["value"]
    saved = [f"{_span(hint['cost'])} {money} and {_span(hint['minutes'])} minutes of one piece"]
    lots = [lot for lot in hint["lots"] if abs(lot["cost"] - alone) > _SAME_SHARE * abs(alone)]
    saved += [f"{number(lot['cost'], 0)} {money} each of {lot['pieces']}" for lot in lots]
    same = hint["before"] == hint["after"]
    made = f"{hint['before']}, as now" if same else f"now {hint['before']}, then {hint['after']}"
    if more := abs(hint["setups"]):
        made += f"; {more} setup{'s' if more > 1 else ''} {'less' if hint['setups'] > 0 else 'more'}"
    rows = [
        ("Saves", "; ".join(saved)),
        ("Made by", made),
        ("Please say", hint["ask"]),
        ("Bear in mind", sentence(hint["risk"])),
    ]
    if hint["overlaps"]:
        others = ", ".join(map(str, hint["overlaps"]))
        rows.append(("Beside", f"number {others} changes the same feature: the savings do not add"))
    return rows


def _span(saved: Content) -> str:
    return f"{number(saved['value'], 0)} ({number(saved['low'], 0)} to {number(saved['high'], 0)})"


def _first(text: str) -> str:
    """What is said before the reason."""
    words = text.partition(":")[0]
    return clean(f"{words[:1].upper()}{words[1:]}")


def _pictures(subject: Subject, hint: Content) -> list[tuple[Drawing, str]]:
    """The part from where most of the features is seen, and the spot."""
    if len(subject.faces) > MOST_FACES:
        return []
    faces = {
        name: {i for i, (_, feature) in enumerate(subject.faces) if feature == name}
        for name in hint["features"]
    }
    own = set().union(*faces.values())
    sight = max((subject.sight(view) for view in _VIEWS), key=lambda s: _seen(s, own))
    best = max(faces, key=lambda name: _seen(sight, faces[name]))
    box, near = _box(subject, sight, own), _box(subject, sight, faces[best])
    if box is None or near is None:
        return []
    size = float((sight.box[1] - sight.box[0]).max())
    half = np.clip((near[1] - near[0]) * _AROUND, _LEAST * size, _MOST * size) / 2
    middle = near.mean(axis=0)
    names = ", ".join(hint["features"])
    part = _drawn(sight, sight.box, own, box, f"The part, {names} marked")
    spot = _drawn(sight, np.array([middle - half, middle + half]), own, None, f"{best}, near")
    return [(part, f"{names} on the part"), (spot, f"{best}, near")]


def _box(subject: Subject, sight: HiddenLineView, faces: set[int]) -> Array | None:
    """Low and high (2, 2) of some faces in a view."""
    facets = subject.body.corners[np.isin(subject.mesh.face_of_triangle, list(faces))]
    if not len(facets):
        return None
    corners = sight.flat(facets.reshape(-1, 3))
    return np.array([corners.min(axis=0), corners.max(axis=0)])


def _seen(sight: HiddenLineView, faces: set[int]) -> float:
    return float(sum(c.region.area for c in sight.cells if c.face in faces))


def _drawn(sight: HiddenLineView, box: Array, own: set[int], spot: Array | None, text: str) -> Drawing:
    fit = Fit.of(box, _WIDE, _HIGH)
    items = shades(sight, fit, lambda _, face: _MARKED if face in own else _PLAIN, hatched=False)
    items.append(Runs(tuple(fit(s.points) for s in sight.strokes if not s.hidden), 0.2))
    if spot is not None:
        (left, low), (right, high) = fit(spot)
        frame = ((left - 1, low - 1), (right + 1, low - 1), (right + 1, high + 1), (left - 1, high + 1))
        items.append(Line(frame, 0.35, (1.2, 0.8), closed=True, ink=_INK))
    return Drawing(_WIDE, _HIGH, tuple(items), text)
