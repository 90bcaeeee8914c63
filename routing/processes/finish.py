"""What a tight tolerance or a fine finish asks of a feature beyond what its process leaves by itself.

The limits are common practice, no source: what drilling, one wire cut, grinding or milling holds
without a step of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from featurize.feature import Callout, Feature

# A size that may vary less than this in all needs a sizing step.
SIZE_MM = 0.02
# A form or direction held closer than this is finished last, when nothing can move the face any more.
FORM_MM = 0.005
# Ra of a good finish-ground, finish-milled or skim-cut face; finer needs a step of its own.
RA_MM = 0.0004

_SIZES = ("diameter", "radius", "thickness", "linear distance")
_FORMS = (
    "flatness",
    "straightness",
    "roundness",
    "cylindricity",
    "parallelism",
    "perpendicularity",
    "angularity",
    "profile of surface",
)


@dataclass(frozen=True)
class Demand:
    """``because`` names the callout and the limit, without a full stop."""

    callout: Callout
    because: str


def demands(feature: Feature) -> tuple[Demand, ...]:
    """The feature's callouts that are under a limit, with the reason in words."""
    return tuple(_demands(feature))


def _demands(feature: Feature) -> Iterator[Demand]:
    for callout in feature.callouts:
        width, value = callout.width_mm, callout.value_mm
        if callout.kind in _SIZES and width is not None and width < SIZE_MM:
            text = f"{callout.kind} {value:.6g} may vary by {width:.3g} mm only, under {SIZE_MM:g}"
            yield Demand(callout, text)
        elif callout.kind in _FORMS and value is not None and value < FORM_MM:
            yield Demand(callout, f"{callout.kind} {value:.3g} mm is under {FORM_MM:g}")
        elif callout.kind == "surface texture" and value is not None and value < RA_MM:
            yield Demand(callout, f"Ra {value * 1000:.3g} um is under {RA_MM * 1000:g}")
