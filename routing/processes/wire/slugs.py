"""What falls out of a wired opening: how heavy it is, whether it falls, whether it may jam.

Densities: the mixture rule of tungsten carbide 15.63 and cobalt 8.90 g/cm3 (handbook values, from memory),
that is 14.95 at 6 % and 13.2 at 25 % of binder, full density; tool steel 7.8 g/cm3 (common practice). All
masses are estimates, on the high side: nothing that milling or grinding takes before is deducted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from routing.processes.hardness import CO_G_CM3, WC_G_CM3
from routing.processes.material import Material
from routing.processes.wire.outline import Outline
from routing.processes.wire.profiles import WireCut
from routing.processes.wire.shop import WireMachine

# A slug's width is found to twice this: a long opening has a whole line of middles, a digit more costs much.
_RADIUS_MM = 1e-3
_STEEL_G_CM3 = 7.8
# A start hole that leaves less than this share of the slug leaves crumbs.
_LEAST_SHARE = 0.05

CAUTION = (
    "A slug drops when the last thread is cut: keep hands out, catch or hold it, never let it fall on the\n"
    "lower guide; its edges are sharp. Local codes and the machine's manual come first."
)


class Fall(StrEnum):
    FALLS = "falls free"
    HELD = "held: it narrows downward and comes out upward only"
    LOCKED = "locked: it passes neither downward nor upward in one piece"
    NO_CORE = "no core: the wire takes all"


@dataclass(frozen=True)
class Slug:
    """An estimate. ``width_mm`` is its smallest width (largest inscribed circle), ``length_mm`` its largest.

    ``notes`` are whole sentences.
    """

    fall: Fall
    volume_mm3: float
    mass_g: float
    density_g_cm3: float
    height_mm: float
    width_mm: float
    length_mm: float
    may_jam: bool
    tab: bool
    notes: tuple[str, ...]


def density_g_cm3(material: Material) -> float:
    """Full density; a mixture's masses share their volumes: 1 / sum(share / density)."""
    if material.binder_percent is None:
        return _STEEL_G_CM3
    share = material.binder_percent / 100
    return 1 / (share / CO_G_CM3 + (1 - share) / WC_G_CM3)


def slug(
    cut: WireCut,
    span_mm: tuple[float, float],
    kerf_mm: float,
    start_mm: float,
    material: Material,
    machine: WireMachine,
) -> Slug:
    """The slug that the first pass of a closed opening cuts free, over ``span_mm`` of stock along the view.

    ``kerf_mm`` is the wire's diameter and two gaps, ``start_mm`` the start hole's diameter; the view's
    direction points up in the machine. Raises ValueError for a cut that is no opening.
    """
    if not cut.opening:
        raise ValueError("only a closed opening has a slug")
    levels = [(h, cut.first.at(h)) for h in (span_mm[1], sum(span_mm) / 2, span_mm[0])]
    cores = [_core(o, kerf_mm) for _, o in levels]
    volume = sum(
        (levels[k][0] - levels[k + 1][0]) * _mean(cores[k].area, cores[k + 1].area)
        for k in range(len(levels) - 1)
    )
    height = span_mm[1] - span_mm[0]
    drilled = np.pi / 4 * start_mm**2 * height
    rest = max(0.0, volume - drilled)
    narrow = min(cores, key=lambda c: float(c.area))
    width, length = _width(narrow), max(_length(c) for c in cores)
    density = density_g_cm3(material)
    mass = rest * density / 1000
    if width < kerf_mm or rest < _LEAST_SHARE * volume:
        why = f"The slug would be {width:.3f} mm wide, under the {kerf_mm:.3f} kerf"
        if width >= kerf_mm:
            why = f"The start hole of {start_mm:.3f} takes the slug of {width:.3f} mm or nearly all of it"
        text = f"{why}: cut without a core."
        return Slug(Fall.NO_CORE, 0.0, 0.0, density, height, width, length, False, False, (text,))
    fall = _fall([o for _, o in levels])
    # A sliding block driven off its middle by e jams when 2 e friction > its height; e is half its length.
    jam = fall == Fall.FALLS and height < machine.slug_friction * length
    tab = mass > machine.tab_over_g
    notes = tuple(_notes(fall, jam, tab, mass, material, machine))
    return Slug(fall, rest, mass, density, height, width, length, jam, tab, notes)


def _notes(
    fall: Fall, jam: bool, tab: bool, mass: float, material: Material, machine: WireMachine
) -> list[str]:
    found = []
    if fall == Fall.HELD:
        found.append("The slug narrows downward: lift it out upward, or wire with the other side up.")
    if fall == Fall.LOCKED:
        found.append("Walls lean both ways: cut the slug in pieces or without a core.")
    if jam:
        found.append("The slug is wide for its height: it may tilt and jam; hold it level, lift it out.")
    if tab:
        found.append(
            f"About {mass:.0f} g, over {machine.tab_over_g:g} g: leave a tab of {machine.tab_mm:g} mm and "
            "part it last, the slug being held (common practice)."
        )
        binder = material.binder_percent
        if binder is not None and binder < machine.slug_magnet_binder_percent:
            found.append("A magnet may not hold carbide of so little binder: clamp or bond the slug.")
    return found


def _core(outline: Outline, kerf_mm: float) -> Any:
    return shapely.buffer(outline.polygon(), -kerf_mm, quad_segs=64)


def _mean(a: float, b: float) -> float:
    """Mean section of a frustum between its two ends: (A + B + sqrt(A B)) / 3."""
    return float(a + b + np.sqrt(a * b)) / 3


def _width(core: Any) -> float:
    pieces = [p for p in shapely.get_parts(core) if p.area > tol.SURFACE_MM**2]
    return max(
        (2 * float(shapely.maximum_inscribed_circle(p, tolerance=_RADIUS_MM).length) for p in pieces),
        default=0.0,
    )


def _length(core: Any) -> float:
    return 0.0 if core.is_empty else 2 * float(shapely.minimum_bounding_radius(core))


def _fall(downward: Sequence[Outline]) -> Fall:
    """Whether every section passes all that lie below it, or above it."""
    polygons = [o.polygon() for o in downward]
    wide = [shapely.buffer(p, 2 * tol.LENGTH_MM) for p in polygons]
    pairs = [(i, j) for j in range(len(polygons)) for i in range(j)]
    if all(shapely.covers(wide[j], polygons[i]) for i, j in pairs):
        return Fall.FALLS
    if all(shapely.covers(wide[i], polygons[j]) for i, j in pairs):
        return Fall.HELD
    return Fall.LOCKED
