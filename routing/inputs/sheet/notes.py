"""Notes and the title block: what a sheet says of the whole part, in English and German.

General tolerances by ISO 2768, edges by ISO 13715, hardness as ISO 6508 and ISO 6507 write it, textures by
ISO 21920-1 (all from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from featurize.standards.threads import INCH_MM
from routing.inputs.sheet.called import EDGES_BROKEN, EDGES_SHARP, SheetNote, Topic
from routing.inputs.sheet.glyphs import normal

_N = r"\d+(?:\.\d+)?"
_TO = r"\s?(?:-|\.\.\.?|…|/|to|bis)\s?"
_HARD = re.compile(
    rf"(?P<a>{_N})\s?(?:HRC|HRA|HV)?(?:{_TO}(?P<b>{_N})|\s?±\s?(?P<pm>{_N})|\s?\+\s?(?P<plus>{_N}))?\s?"
    rf"(?P<u>HRC|HRA|HV\s?\d{{0,3}})\b|(?P<v>HRC|HRA|HV(?:\d{{1,3}}(?=[\s:=]))?)\s?[:=]?\s?(?:min\.?\s?)?(?P<c>{_N})(?:{_TO}(?P<d>{_N}))?",
    re.IGNORECASE,
)
_TOLERANCE = re.compile(r"ISO\s?2768(?:-[12])?[\s:-]*(?P<f>[fmcv])\s?-?(?P<k>[HKL])?(?![a-z])")
_EDGE_NORM = re.compile(rf"ISO\s?13715\b[^\d+±-]*(?P<s>[+±-]?)\s?(?P<n>{_N})?")
_REMOVE = (
    r"brechen|gebrochen|entgraten|entgratet|entfernen|verrunde[nt]|break|broken|deburr|remove|chamfer(?:ed)?"
    r"|radius|no\b|not\b|keine|ohne"
)
_SHARP = re.compile(
    r"(?:edges?|corners?)\b.*\bsharp|sharp\b.*\b(?:edge|corner)|scharfkantig|scharfe?n?\s+kanten|kanten.*\bscharf",
    re.IGNORECASE,
)
_BROKEN = re.compile(
    rf"(?:(?:edges?|corners?|kanten?)\b.*\b(?:{_REMOVE})|\b(?:{_REMOVE})\b.*(?:edges?|corners?|kanten?)\b|\bentgratet?n?\b|\bdeburr(?:ed)?\b|\bgratfrei\b)",
    re.IGNORECASE,
)
_PERMITTED = re.compile(r"permi|allow|zuläss|erlaubt", re.IGNORECASE)
_GENERAL = re.compile(
    r"general|all over|all surfaces|unless|allgemein|rundum|allseitig|sonst|übrige|\(\s*R[az]", re.IGNORECASE
)
_TEXTURE = re.compile(r"\bR(?P<p>[az])\s?=?\s?(?P<n>\d*\.?\d+)")
_CARBIDE = re.compile(
    r"\b(?:cemented|tungsten|sintered)\s+carbide\b|\bcarbide\b|\bhartmetall\b|\bVHM\b|\bWC[ -]?Co\b",
    re.IGNORECASE,
)
_BINDER = re.compile(
    rf"(?P<a>{_N})\s?%\s?(?:Co\b|cobalt|kobalt|binder|binde)|\bCo\s?(?P<b>{_N})\s?%|\bWC-(?P<c>{_N})\s?Co\b",
    re.IGNORECASE,
)
# Steels by number (EN 10027-2), by composition (EN 10027-1), or in words.
_STEEL = re.compile(
    r"\b1\.[2-4]\d{3}\b|\bX\d+\s?Cr\w*|\bHS\s?\d+-\d+\S*|\b\d+MnCrV\d*\b"
    r"|\btool steel\b|\bwerkzeugstahl\b|\bsteel\b|\bstahl\b",
    re.IGNORECASE,
)
_INCHES = re.compile(
    r"\b(?:dimensions?|units?|sizes?|maße?|einheit(?:en)?)\b[^.]*?\b(?:inch(?:es)?|in\.|zoll)(?=\W|$)|\b(?:inch|inches|zoll)\b\s*$",
    re.IGNORECASE,
)
_MILLIMETRES = re.compile(
    r"\b(?:dimensions?|units?|sizes?|maße?|einheit(?:en)?)\b[^.]*?\b(?:mm|millimet(?:er|re)s?|metric)\b",
    re.IGNORECASE,
)
_SCALE = re.compile(r"(?:\b(?:scale|maßstab|masst?ab|m)\b\s*:?\s*)(?P<a>\d+)\s?:\s?(?P<b>\d+)", re.IGNORECASE)
_RATIO = re.compile(r"(?P<a>\d{1,3})\s?:\s?(?P<b>\d{1,3})")


def notes(line: str) -> Iterator[SheetNote]:
    """What one line says of the whole part."""
    text = normal(line)
    for hard in _HARD.finditer(text):
        yield _hardness(text, hard)
    if (limits := _TOLERANCE.search(text)) is not None:
        yield SheetNote(Topic.GENERAL_TOLERANCE, text, f"ISO 2768-{limits['f']}{limits['k'] or ''}")
    yield from _edges(text)
    if _GENERAL.search(text) and (texture := _TEXTURE.search(text)):
        um = float(texture["n"])
        yield SheetNote(Topic.GENERAL_TEXTURE, text, f"R{texture['p']} {um:g} um", um, um, "um")
    yield from _material(text)


def _hardness(text: str, match: re.Match[str]) -> SheetNote:
    unit = (match["u"] or match["v"]).upper()
    unit = "HV" if unit.startswith("HV") else unit
    low = float(match["a"] or match["c"])
    high = low
    if second := match["b"] or match["d"]:
        high = float(second)
    elif match["pm"]:
        low, high = low - float(match["pm"]), low + float(match["pm"])
    elif match["plus"]:
        high = low + float(match["plus"])
    low, high = min(low, high), max(low, high)
    value = f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"
    return SheetNote(Topic.HARDNESS, text, value, low, high, unit)


def _edges(text: str) -> Iterator[SheetNote]:
    norm = _EDGE_NORM.search(text)
    if norm is not None:
        size = float(norm["n"]) if norm["n"] else None
        # By ISO 13715 "-0.1" takes material off, "+" leaves a burr, "±0.02" or less is a sharp edge.
        kept = norm["s"] in ("±", "+") or size == 0
        value = "" if size is None else EDGES_SHARP if kept else EDGES_BROKEN
        yield SheetNote(Topic.EDGES, text, value, size, size, "mm")
        return
    broken, sharp = _BROKEN.search(text), _SHARP.search(text)
    if (broken or sharp) and _PERMITTED.search(text):
        yield SheetNote(Topic.EDGES, text)
    elif broken:
        yield SheetNote(Topic.EDGES, text, EDGES_BROKEN)
    elif sharp:
        yield SheetNote(Topic.EDGES, text, EDGES_SHARP)


def _material(text: str) -> Iterator[SheetNote]:
    if _CARBIDE.search(text):
        binder = _BINDER.search(text)
        share = float(binder["a"] or binder["b"] or binder["c"]) if binder else None
        value = "carbide" + (f", {share:g} % binder" if share is not None else "")
        yield SheetNote(Topic.MATERIAL, text, value, share, share, "%")
    elif (steel := _STEEL.search(text)) is not None:
        yield SheetNote(Topic.MATERIAL, text, f"steel ({steel[0]})")


def is_in_inches(lines: Sequence[str]) -> bool | None:
    """Whether sizes are inches, as a note says; None where none does, or both are said."""
    texts = [normal(line) for line in lines]
    inches, metric = (any(p.search(t) for t in texts) for p in (_INCHES, _MILLIMETRES))
    return None if inches == metric else inches


def unit_mm(inches: bool) -> float:
    return INCH_MM if inches else 1.0


def scale_of(lines: Sequence[str]) -> float | None:
    """Sheet over part, as the title block says: 2 for 2:1; None where it says none or several."""
    found = {
        float(m["a"]) / float(m["b"]) for line in lines for m in _SCALE.finditer(normal(line)) if int(m["b"])
    }
    return found.pop() if len(found) == 1 else None


# The fields of a title block (ISO 7200, from memory), each with the words that stand for it.
FIELDS = {
    "part number": r"(?:part|dwg|drawing|item|article)\.?\s?(?:no|nr|number|num)\b\.?"
    r"|(?:zeichnungs|teile|sach|artikel)-?\s?(?:nr|nummer)\b\.?|(?:zeichn|zng)\.?-?\s?nr\b\.?",
    "revision": r"rev(?:ision)?\b\.?|index\b|änderung\b|änd\b\.?",
    "name": r"title\b|part name\b|name\b|description\b|benennung\b|bezeichnung\b|titel\b",
    "material": r"material\b|mat'?l\b\.?|werkstoff\b|mat\b\.",
    "scale": r"scale\b|maßstab\b|masst?ab\b",
    "unit": r"units?\b|einheit\b",
    "general tolerance": r"general tol(?:erances?)?\b\.?|allgemeintoleranz(?:en)?\b"
    r"|freimaß(?:toleranzen|e)?\b",
    "hardness": r"hardness\b|härte\b",
}
_LABELS = {
    name: re.compile(rf"^\s*(?:{words})\s*(?P<colon>[:=]?)\s*(?P<value>.*)$", re.IGNORECASE)
    for name, words in FIELDS.items()
}
_LONGEST_FIELD = 80


def labelled(line: str) -> tuple[str, str, bool] | None:
    """The field that a line is the label of, its value there ("" for none), and whether it has a colon."""
    text = normal(line)
    for name, pattern in _LABELS.items():
        match = pattern.match(text)
        if match is not None and len(text) <= _LONGEST_FIELD:
            return name, match["value"].strip(), bool(match["colon"])
    return None
