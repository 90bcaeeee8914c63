"""Semantic PMI of an XCAF document: dimensions, geometric tolerances and datums, in millimetres.

The kernel brings PMI to its faces, but drops the signs of limits and the letter of a fit; those are
read from the STEP entities (ISO 10303-47). It exposes no surface texture.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from OCP.StepBasic import StepBasic_MeasureWithUnit
from OCP.STEPConstruct import STEPConstruct_UnitContext
from OCP.StepShape import (
    StepShape_DimensionalLocation,
    StepShape_DimensionalSize,
    StepShape_PlusMinusTolerance,
)
from OCP.TDF import TDF_LabelSequence
from OCP.XCAFDoc import (
    XCAFDoc_Datum,
    XCAFDoc_Dimension,
    XCAFDoc_DimTolTool,
    XCAFDoc_DocumentTool,
    XCAFDoc_GeomTolerance,
    XCAFDoc_ShapeTool,
)

from featurize.brep.shapes import FACE, each
from featurize.feature import Callout
from featurize.standards.fits import deviations_mm

_DIMENSIONS = (StepShape_DimensionalSize, StepShape_DimensionalLocation)
# The kernel's own words where the file gives none.
_MADE_UP = re.compile(r"DGT:.*|diameter|radius|linear distance|thickness|curved distance|angle|NONE", re.I)


@dataclass(frozen=True, eq=False)
class Seen:
    """A callout (its ``faces`` still empty) and the kernel faces that it refers to."""

    callout: Callout
    faces: tuple[Any, ...]

    def among(self, places: Callable[[Any], int | None]) -> Callout | None:
        """The callout with the places of its faces in one solid; None when it has none there."""
        found = sorted({p for p in map(places, self.faces) if p is not None})
        return self.callout.on(tuple(found)) if found else None


def read_pmi(document: Any, session: Any) -> list[Seen]:
    """All callouts that refer to faces, in the order of the file."""
    tool = XCAFDoc_DocumentTool.DimTolTool_s(document.Main())
    labels = _listed(tool.GetDimensionLabels)
    found = [
        Seen(_dimension(label, limits), _faces(label))
        for label, limits in zip(labels, _all_limits(session.Model(), len(labels)), strict=True)
    ]
    found += [Seen(_tolerance(label), _faces(label)) for label in _listed(tool.GetGeomToleranceLabels)]
    found += [
        Seen(Callout("datum", datum=_letter(label)), _faces(label)) for label in _listed(tool.GetDatumLabels)
    ]
    return [seen for seen in found if seen.faces]


def _listed(get: Callable[[Any], Any]) -> list[Any]:
    labels = TDF_LabelSequence()
    get(labels)
    return [labels.Value(i + 1) for i in range(labels.Length())]


def _faces(label: Any) -> tuple[Any, ...]:
    first, second = TDF_LabelSequence(), TDF_LabelSequence()
    XCAFDoc_DimTolTool.GetRefShapeLabel_s(label, first, second)
    shapes = [
        XCAFDoc_ShapeTool.GetShape_s(s.Value(i + 1)) for s in (first, second) for i in range(s.Length())
    ]
    return tuple(face for shape in shapes if not shape.IsNull() for face in each(shape, FACE))


_Limits = tuple[float | None, float | None, str]  # upper and lower deviation, and the fit's letters


def _dimension(label: Any, limits: _Limits | None) -> Callout:
    seen = XCAFDoc_Dimension.Set_s(label).GetObject()  # the attribute that is there: no label lacks it
    lines = [seen.GetDescription(k) for k in range(seen.NbDescriptions())]
    kind = _kind(seen.GetType())
    if kind == "angular":
        return Callout("angle", text=_text(seen.GetSemanticName(), *lines))
    value = float(seen.GetValue())
    upper: float | None = None
    lower: float | None = None
    fit = ""
    if limits is not None:
        upper, lower, fit = limits
        if fit and (by_table := deviations_mm(value, fit)):
            upper, lower = by_table
        elif seen.IsDimWithRange() and upper is not None:
            # The kernel takes a size with two negative deviations for a range that starts at the size.
            value = float(seen.GetLowerBound())
    elif seen.IsDimWithPlusMinusTolerance():
        upper, lower = abs(float(seen.GetUpperTolValue())), -abs(float(seen.GetLowerTolValue()))
    if seen.IsDimWithRange() and upper is None:
        value = (seen.GetUpperBound() + seen.GetLowerBound()) / 2
        upper = abs(seen.GetUpperBound() - seen.GetLowerBound()) / 2
        lower = -upper
    return Callout(kind, value, upper, lower, _text(seen.GetSemanticName(), *lines, fit))


def _tolerance(label: Any) -> Callout:
    seen = XCAFDoc_GeomTolerance.Set_s(label).GetObject()
    datums = _listed(lambda labels: XCAFDoc_DimTolTool.GetDatumOfTolerLabels_s(label, labels))
    letters = dict.fromkeys(_letter(d) for d in sorted(datums, key=_position))
    kind = _kind(seen.GetType())
    text = _text(seen.GetSemanticName())
    return Callout(kind, float(seen.GetValue()), text=text, datum="|".join(letters))


def _letter(label: Any) -> str:
    return _text(XCAFDoc_Datum.Set_s(label).GetObject().GetName())


def _position(label: Any) -> int:
    return int(XCAFDoc_Datum.Set_s(label).GetObject().GetPosition())


def _kind(member: Any) -> str:
    """ "...DimensionType_Size_Diameter" -> "diameter", "...Type_ProfileOfSurface" -> "profile of surface"."""
    name = re.sub(r".*Type_(Size_|Location_)?", "", member.name).partition("_")[0]
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()
    return {"circularity or roundness": "roundness", "none": "dimension"}.get(words, words)


def _text(*strings: Any) -> str:
    words = []
    for string in strings:
        try:
            word = "" if string is None else string if isinstance(string, str) else str(string.ToCString())
        except UnicodeDecodeError:  # bytes of an unknown code page: no text is better than a wrong one
            continue
        if word.strip() and not _MADE_UP.fullmatch(word.strip()):
            words.append(word.strip())
    return " ".join(dict.fromkeys(words))


def _all_limits(model: Any, count: int) -> Sequence[_Limits | None]:
    """The limits of each dimension: the kernel makes a label for each entity, in the file's order.

    Where it left one out the two cannot be paired, and its own, unsigned values have to do.
    """
    if not count:
        return []
    entities = [model.Value(i) for i in range(1, model.NbEntities() + 1)]
    dimensions = [e for e in entities if isinstance(e, _DIMENSIONS)]
    if len(dimensions) != count:
        return [None] * count
    # By identity: the binding knows an entity again as long as it is held, the model's own Number() does not.
    found: dict[int, _Limits] = {}
    for entity in entities:
        if isinstance(entity, StepShape_PlusMinusTolerance):
            of = entity.TolerancedDimension()
            target = of.DimensionalSize() or of.DimensionalLocation()
            found |= {id(target): limits for limits in _limits(entity.Range())}
    return [found.get(id(d)) for d in dimensions]


def _limits(given: Any) -> Iterator[_Limits]:
    span, fit = given.ToleranceValue(), given.LimitsAndFits()
    if span is not None:
        upper, lower = _mm(span.UpperBound()), _mm(span.LowerBound())
        if upper is not None and lower is not None:
            yield max(upper, lower), min(upper, lower), ""
    elif fit is not None:
        # "IT7" and "7" both occur.
        grade = _text(fit.Grade()).upper().removeprefix("IT")
        yield None, None, f"{_text(fit.FormVariance())}{grade}"


def _mm(measure: Any) -> float | None:
    if not isinstance(measure, StepBasic_MeasureWithUnit):
        return None
    context = STEPConstruct_UnitContext()
    if context.ComputeFactors(measure.UnitComponent().NamedUnit()) or not context.LengthDone():
        return None
    return float(measure.ValueComponent() * context.LengthFactor())
