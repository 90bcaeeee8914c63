"""What the colours of bores say of threads: what a shop declares of a colour, or only that it stands apart.

A colour means nothing in itself: every system and every shop has its own.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from featurize import tolerances as tol
from featurize.brep.part import Face, Part
from featurize.brep.surfaces import Cylinder
from featurize.feature import Feature, Role, Vec3


@dataclass(frozen=True)
class ColourSign:
    """The colour ("#rrggbb") of a hole's bores of one diameter.

    ``means`` is a size, "thread" or "plain" as declared; None where nothing is, and among the round holes
    only those of this diameter have the colour, which is not the part's own either.
    """

    colour: str
    diameter_mm: float
    means: str | None

    def is_on(self, diameter_mm: float) -> bool:
        """Whether a bore of this diameter has the colour."""
        return abs(diameter_mm - self.diameter_mm) < tol.SURFACE_MM


def signs(
    part: Part, holes: Sequence[Feature], colours: Sequence[Vec3 | None], declared: Mapping[str, str]
) -> dict[str, tuple[ColourSign, ...]]:
    """The signs on each hole that has any, by the hole's id.

    ``colours`` (sRGB, 0 to 1) are by a face's place in the solid as read; ``declared`` maps "#rrggbb" to a
    meaning. Colours that differ by less than ``tol.COLOUR`` are one.
    """
    if not any(colours):
        return {}
    seen = [(hole, *bore) for hole in holes for bore in _bores(part, hole, colours)]
    found: dict[str, list[ColourSign]] = defaultdict(list)
    for hole, d, colour in seen:
        if colour is not None and (means := _declared(colour, declared)):
            found[hole.id].append(ColourSign(_hex(colour), d, means))
    own = _largest(part, colours)
    narrowest: dict[tuple[str, str], float] = {}
    for hole, d, colour in seen:
        if colour is not None and not _declared(colour, declared) and _hex(colour) != own:
            key = _hex(colour), hole.id
            narrowest[key] = min(d, narrowest.get(key, d))
    for (colour_, id_), d in narrowest.items():
        sizes = [other for (c, _), other in narrowest.items() if c == colour_]
        others = any(h.id != id_ and (c is None or _hex(c) != colour_) for h, _, c in seen)
        if others and max(sizes) - min(sizes) < tol.SURFACE_MM:
            found[id_].append(ColourSign(colour_, d, None))
    return {id_: tuple(dict.fromkeys(of)) for id_, of in found.items()}


def _bores(part: Part, hole: Feature, colours: Sequence[Vec3 | None]) -> list[tuple[float, Vec3 | None]]:
    """Diameter and colour of each straight bore; two colours on one are none."""
    of = []
    for face in (part.faces[i] for i in hole.faces_with(Role.BORE)):
        if isinstance(face.surface, Cylinder):
            shown = _colours_of(face, colours)
            of.append((2 * face.surface.radius_mm, shown[0] if len(set(shown)) == 1 else None))
    return of


def _colours_of(face: Face, colours: Sequence[Vec3 | None]) -> list[Vec3 | None]:
    return [colours[p] if p < len(colours) else None for p in face.source]


def _largest(part: Part, colours: Sequence[Vec3 | None]) -> str | None:
    """The colour on most of the surface."""
    areas: Counter[str | None] = Counter()
    for face in part.faces:
        shown = _colours_of(face, colours)
        for colour in shown:
            areas[_hex(colour) if colour else None] += face.area_mm2 / len(shown)  # type: ignore[assignment]
    return areas.most_common(1)[0][0]


def _declared(colour: Vec3, declared: Mapping[str, str]) -> str | None:
    """What the nearest declared colour means, if it is near enough."""
    off = {key: max(abs(a - b) for a, b in zip(colour, _rgb(key), strict=True)) for key in declared}
    nearest = min(off, key=lambda key: off[key], default=None)
    return declared[nearest] if nearest is not None and off[nearest] < tol.COLOUR else None


def _rgb(text: str) -> Vec3:
    red, green, blue = (int(text[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue


def _hex(colour: Vec3) -> str:
    return "#" + "".join(f"{round(255 * c):02x}" for c in colour)
