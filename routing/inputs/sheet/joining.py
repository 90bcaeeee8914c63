"""Letters and pieces to lines, and lines to callouts: by baseline, angle, gap and height.

The programs that write drawings cut a text wherever they like, letter by letter at worst, and write the two
limits of a size as two small texts after it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from routing.inputs.sheet.glyphs import normal
from routing.inputs.sheet.placed import PlacedText

# In heights of the letters: how far a piece may lie off the baseline, what gap ends a line, what gap is a
# space (a letter is some 0.6 high, a space 0.25 to 0.3), and how unlike heights may be.
_OFF, _GAP, _SPACE, _OVERLAP = 0.15, 1.3, 0.17, 0.6
_ALIKE = 1.25
# Limits over each other: how far off the baseline, how far into their size and how far behind its end.
_STACK_OFF, _STACK_IN, _STACK_GAP = 1.3, 0.3, 1.6
_LIMIT = re.compile(r"[+-±]?\s?\d*\.?\d+")
_SIGNED = re.compile(r"[+-]\s?\d*\.?\d+|0(?:\.0+)?")
_ENDS_IN_SIZE = re.compile(r"\d[A-Za-z\d.\s]*$")
# A line that goes on with the callout above it, and how near below it stands.
_GOES_ON = re.compile(
    r"⌴|⌵|↧|c'?bore|csk|c'?sink|counter|(?:zylinder|flach|kegel|an)?senkung|(?:x\s?)?\d*\.?\d+\s?(?:deep|tief)\b|"
    r"tief|tiefe|depth|thru|through|durch|\d+\s?(?:plcs?|places|holes)\b|kernloch|/",
    re.IGNORECASE,
)
_THREAD = re.compile(r"(?:M\s?\d|#?\d+(?:/\d+)?\"?-\d+\s?UN)")
_BORE_ALONE = re.compile(
    r"(?:\d+\s?x\s?)?Ø\s?\d*\.?\d+(?:\s?(?:↧\s?\d*\.?\d+|thru|(?:x\s?)?\d*\.?\d+\s?(?:deep|tief)))?",
    re.IGNORECASE,
)
_BELOW = (0.9, 2.4)
_ASIDE, _TALLEST = 1.5, 2.0
# Angles nearer than this are one.
_ANGLE_DEG = 2.0


def lines(pieces: Iterable[PlacedText]) -> list[PlacedText]:
    """The pieces as lines of text, limits that stand over each other after their size."""
    found = []
    for own in _one_way([p for p in pieces if p.text.strip()]):
        angle = own[0].angle_deg
        found += _with_limits(_joined([replace(p, angle_deg=angle) for p in own], own[0].page, angle))
    return found


def _one_way(pieces: Sequence[PlacedText]) -> Iterator[list[PlacedText]]:
    """The pieces of one page and one direction together."""
    # From just under 0 degrees on, so that no usual direction lies at the seam.
    turned = [replace(p, angle_deg=(p.angle_deg + _ANGLE_DEG) % 360 - _ANGLE_DEG) for p in pieces]
    turned.sort(key=lambda p: (p.page, p.angle_deg))
    group: list[PlacedText] = []
    for piece in turned:
        if group and (piece.page != group[0].page or piece.angle_deg - group[0].angle_deg > _ANGLE_DEG):
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _joined(pieces: Sequence[PlacedText], page: int, angle: float) -> list[PlacedText]:
    """Pieces of one direction, each line from left to right."""
    base = PlacedText(page, "", 0.0, 0.0, 0.0, 1.0, angle)
    placed = sorted(((*base.local(p.x, p.y), p) for p in pieces), key=lambda e: (-round(e[1], 3), e[0]))
    rows: list[list[tuple[float, float, PlacedText]]] = []
    for u, v, piece in placed:
        own = next(
            (
                row
                for row in reversed(rows[-40:])
                if abs(row[0][1] - v) <= _OFF * min(row[0][2].height, piece.height)
                and max(row[0][2].height, piece.height) <= _ALIKE * min(row[0][2].height, piece.height)
            ),
            None,
        )
        rows.append([(u, v, piece)]) if own is None else own.append((u, v, piece))
    return [line for row in rows for line in _cut(sorted(row, key=lambda e: e[0]))]


def _cut(row: Sequence[tuple[float, float, PlacedText]]) -> list[PlacedText]:
    """A row of pieces, cut where the gap is wide."""
    found: list[PlacedText] = []
    end = 0.0
    for u, _, piece in row:
        if found:
            last, gap = found[-1], (u - end) / piece.height
            if (
                gap <= -_OVERLAP
                and last.text == piece.text
                and abs(u - (end - last.width)) < _OFF * piece.height
            ):
                continue  # drawn twice to look bold
            if -_OVERLAP < gap <= _GAP:
                space = (
                    " "
                    if gap > _SPACE and not last.text.endswith(" ") and not piece.text.startswith(" ")
                    else ""
                )
                width = max(last.width, u + piece.width - (end - last.width))
                found[-1] = replace(last, text=last.text + space + piece.text, width=width)
                end = max(end, u + piece.width)
                continue
        found.append(piece)
        end = u + piece.width
    return found


def _with_limits(found: Sequence[PlacedText]) -> list[PlacedText]:
    """Upper and lower limit as they stand over each other behind a size, written after it."""
    limits = [n for n, line in enumerate(found) if _SIGNED.fullmatch(normal(line.text))]
    taken: set[int] = set()
    merged = {}
    for n, line in enumerate(found):
        if n in limits or not _ENDS_IN_SIZE.search(normal(line.text)):
            continue
        near = []
        for k in limits:
            along, up = line.local(found[k].x, found[k].y)
            if (
                k not in taken
                and -_STACK_IN * line.height <= along - line.width <= _STACK_GAP * line.height
                and -_STACK_OFF * line.height <= up <= _STACK_OFF * line.height
                and found[k].height <= _ALIKE * line.height
            ):
                near.append((up, k))
        near.sort(reverse=True)
        if len(near) == 2:
            (_, a), (_, b) = near
            taken |= {a, b}
            words = f"{line.text} {found[a].text.strip()}/{found[b].text.strip()}"
            merged[n] = replace(line, text=words, width=line.width + max(found[a].width, found[b].width))
        elif len(near) == 1 and normal(found[near[0][1]].text)[:1] in "+-":
            taken.add(near[0][1])
            k = near[0][1]
            merged[n] = replace(line, text=f"{line.text} {found[k].text}", width=line.width + found[k].width)
    return [merged.get(n, line) for n, line in enumerate(found) if n not in taken]


def blocks(found: Sequence[PlacedText]) -> list[PlacedText]:
    """Lines with what goes on below them: "4x Ø6.6 THRU" over "⌴Ø11 ↧6.8" is one callout."""
    levels = [PlacedText(f.page, "", 0.0, 0.0, 0.0, 1.0, f.angle_deg).local(f.x, f.y)[1] for f in found]
    order = sorted(range(len(found)), key=lambda n: (found[n].page, found[n].angle_deg, -levels[n]))
    below: dict[int, int] = {}
    taken: set[int] = set()
    for place, n in enumerate(order):
        line = found[n]
        for k in order[place + 1 :]:
            other = found[k]
            if other.page != line.page or other.angle_deg - line.angle_deg > _ANGLE_DEG:
                break
            if levels[n] - levels[k] > _BELOW[1] * _TALLEST * line.height:
                break
            if k not in taken and _goes_on(line, other):
                below[n] = k
                taken.add(k)
                break
    heads = [n for n in range(len(found)) if n not in taken]
    result = []
    for n in heads:
        line, k = found[n], n
        while k in below:
            k = below[k]
            line = replace(line, text=f"{line.text} {found[k].text}", width=max(line.width, found[k].width))
        result.append(line)
    return result


def _goes_on(line: PlacedText, other: PlacedText) -> bool:
    if line.page != other.page or abs(line.angle_deg - other.angle_deg) > _ANGLE_DEG:
        return False
    along, up = line.local(other.x, other.y)
    height = max(line.height, other.height)
    aside = min(
        abs(along), abs(along + other.width / 2 - line.width / 2), abs(along + other.width - line.width)
    )
    if not (_BELOW[0] * height <= -up <= _BELOW[1] * height and aside <= _ASIDE * height):
        return False
    first, second = normal(line.text), normal(other.text)
    if not re.search(r"\d", first):
        return False
    if _GOES_ON.match(second) is not None:
        return True
    # A thread and its drill, in either order; a count would begin a callout of its own.
    if _BORE_ALONE.fullmatch(first):
        return _THREAD.match(second) is not None
    return (
        second.startswith("Ø")
        and _BORE_ALONE.fullmatch(second) is not None
        and _THREAD.search(first) is not None
    )
