"""Reads a drawing: its file to callouts, notes and title block, in a process of its own.

Whatever a stranger's file does to its reader (a crash, an endless loop, all the memory) stays there.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from featurize import system
from featurize.errors import Code, StepError
from featurize.isolate import run_isolated
from routing.inputs.sheet.called import Called, SheetNote, Spot, Topic, What
from routing.inputs.sheet.callouts import callouts
from routing.inputs.sheet.errors import SheetError
from routing.inputs.sheet.glyphs import normal
from routing.inputs.sheet.joining import blocks, lines
from routing.inputs.sheet.notes import is_in_inches, labelled, notes, scale_of
from routing.inputs.sheet.placed import DrawnCircle, PlacedText, Polyline, SheetContent
from routing.inputs.sheet.spots import Spots

LIMIT_S = 120.0
_CPU_S, _MEMORY_BYTES = 120, 4 * 2**30
_LARGEST_BYTES = 100_000_000
# A drawing of an insert has some hundreds.
_MOST_LINES = 5_000
# A scan may bear a stamp of letters; a drawing has more.
_LEAST_LETTERS = 12
# The value of a field stands beside its label or below it, within so many heights.
_BESIDE, _UNDER = 25.0, 3.0


@dataclass(frozen=True)
class PlacedCallout:
    """One callout in its place, with a picture of the spot (PNG; empty where none was made)."""

    called: Called
    spot: Spot
    picture: bytes = field(default=b"", repr=False)


@dataclass(frozen=True)
class PlacedNote:
    """A note in its place, with a picture of the spot."""

    note: SheetNote
    spot: Spot
    picture: bytes = field(default=b"", repr=False)


@dataclass(frozen=True)
class Sheet:
    """All that was read of a drawing. ``how`` is "text", "DXF" or "scan"; ``title`` its block's fields.

    ``true_size`` tells that places are in millimetres of the part, but for the views' own scale.
    """

    name: str
    sha256: str
    how: str
    inches: bool
    scale: float | None
    title: Mapping[str, str]
    notes: tuple[PlacedNote, ...]
    entries: tuple[PlacedCallout, ...]
    rings: tuple[DrawnCircle, ...] = ()
    strokes: tuple[Polyline, ...] = ()
    true_size: bool = False


def read_sheet(path: Path, time_limit_s: float = LIMIT_S) -> Sheet:
    """Everything that a drawing says; raises SheetError, one line with its cure."""
    try:
        head = path.open("rb").read(1024)
        size = path.stat().st_size
    except OSError as error:
        raise SheetError(f"drawing {path} cannot be read ({error.strerror}): check the path.") from error
    if size > _LARGEST_BYTES:
        raise SheetError(f"{path.name} has {size / 1e6:.0f} MB: hand in the drawing of this part alone.")
    is_pdf = b"%PDF-" in head
    if not is_pdf and path.suffix.lower() != ".dxf":
        raise SheetError(f"{path.name} is neither a PDF nor a DXF: export the drawing as one of them.")
    try:
        return run_isolated(_read, path, is_pdf, time_limit_s=time_limit_s)
    except StepError as error:
        why = {
            Code.TIMED_OUT: f"reading it took over {time_limit_s:g} s",
            Code.OUT_OF_MEMORY: "reading it took too much memory",
        }.get(error.code, "its reader crashed on it")
        raise SheetError(
            f"{path.name} cannot be used ({why}): print it to a new PDF, or leave it out."
        ) from error


def _read(path: Path, is_pdf: bool) -> Sheet:
    """In the child."""
    system.limit_cpu(_CPU_S)
    system.limit_memory(_MEMORY_BYTES)
    return read_here(path, is_pdf)


def read_here(path: Path, is_pdf: bool) -> Sheet:
    """The same in this process, which must be able to afford it; raises SheetError."""
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    pictures = Spots(path, is_pdf)
    placed = _placed(path, is_pdf, pictures)
    found = lines(placed.texts)
    if not found:
        raise SheetError(f"{path.name} has no text that can be read: export it with its texts as text.")
    if len(found) > _MOST_LINES:
        raise SheetError(
            f"{path.name} has over {_MOST_LINES} lines of text: that is no drawing of an insert."
        )
    words = [line.text for line in found]
    said = is_in_inches(words)
    inches = bool(placed.inches) if said is None else said
    title, used = _title(found)
    rest = [line for n, line in enumerate(found) if n not in used or _calls(line.text)]
    entries = [
        PlacedCallout(called, _spot(block), b"")
        for block in blocks(rest)
        if labelled(block.text) is None
        for called in callouts(block.text, inches=inches)
    ]
    said_of_all = [PlacedNote(n, _spot(line)) for line in found for n in notes(line.text)]
    said_of_all += [note for note in _titled(title, found) if note.note not in {n.note for n in said_of_all}]
    general = {n.note.text for n in said_of_all if n.note.about == Topic.GENERAL_TEXTURE}
    entries = [e for e in entries if not (e.called.what == What.TEXTURE and e.called.text in general)]
    return Sheet(
        path.name,
        digest,
        placed.how,
        inches,
        scale_of(words) or _ratio(title.get("scale", "")),
        title,
        tuple(replace(n, picture=pictures.of(n.spot)) for n in said_of_all),
        tuple(replace(e, picture=pictures.of(e.spot)) if _shown(e) else e for e in entries),
        placed.rings,
        placed.strokes,
        placed.true_size,
    )


def _calls(text: str) -> bool:
    """Whether a text is a hole's callout, whatever label stands beside it: none may be lost."""
    return any(c.what in (What.THREAD, What.DIAMETER) for c in callouts(text))


def _shown(entry: PlacedCallout) -> bool:
    """Whether it may come to a question: a bare length binds nothing by itself."""
    called = entry.called
    return not called.reference and (called.what not in (What.LENGTH, What.RADIUS) or called.is_toleranced)


def _placed(path: Path, is_pdf: bool, pictures: Spots) -> SheetContent:
    if not is_pdf:
        from routing.inputs.sheet import dxf

        return dxf.read(path)
    from routing.inputs.sheet import pdf, scan

    placed = pdf.read(path)
    if len(placed.texts) >= (_LEAST_LETTERS if placed.pictured else 1):
        return placed
    texts: list[PlacedText] = []
    for page in range(1, len(placed.pages) + 1):
        picture, pixels_mm = pictures.sheet(page)
        texts += scan.read(page, picture, pixels_mm, path.name)
    return replace(placed, texts=tuple(texts), how="scan")


def _title(found: Sequence[PlacedText]) -> tuple[dict[str, str], set[int]]:
    """The fields of the title block, and the places of the lines that they take."""
    labels = {n: label for n, line in enumerate(found) if (label := labelled(line.text)) is not None}
    title: dict[str, str] = {}
    used: set[int] = set()
    for n, (name, value, colon) in labels.items():
        if not value:
            near = _near(found, n, set(labels) | used)
            if near is None:
                continue
            used |= {n, near}
            value = normal(found[near].text)
        elif colon or name in ("revision", "scale", "part number"):
            used.add(n)
        else:
            continue  # "material to be hardened" is a sentence
        title.setdefault(name, value)
    return title, used


def _near(found: Sequence[PlacedText], n: int, taken: set[int]) -> int | None:
    """The text beside a label, else that below it."""
    label = found[n]
    beside, below = [], []
    for k, other in enumerate(found):
        if k in taken or other.page != label.page or abs(other.angle_deg - label.angle_deg) > 2.0:
            continue
        along, up = label.local(other.x, other.y)
        high = max(label.height, other.height)
        if abs(up) <= 0.5 * high and 0 < along - label.width <= _BESIDE * label.height:
            beside.append((along, k))
        elif 0.8 * high <= -up <= _UNDER * high and -high <= along <= label.width:
            below.append((-up, k))
    nearest = min(beside, default=None) or min(below, default=None)
    return nearest[1] if nearest else None


def _titled(title: Mapping[str, str], found: Sequence[PlacedText]) -> Iterator[PlacedNote]:
    """Notes in the title block's fields: "D2" is a material only where a field says so."""
    material = title.get("material")
    if material and not any(n.about == Topic.MATERIAL for n in notes(material)):
        line = next((f for f in found if material in normal(f.text)), None)
        if line is not None:
            yield PlacedNote(SheetNote(Topic.MATERIAL, material, material), _spot(line))


def _ratio(text: str) -> float | None:
    above, _, below = normal(text).partition(":")
    try:
        return float(above) / float(below)
    except (ValueError, ZeroDivisionError):
        return None


def _spot(line: PlacedText) -> Spot:
    values = (line.x, line.y, line.width, line.height, line.angle_deg)
    return Spot(line.page, *(round(v, 2) + 0.0 for v in values))
