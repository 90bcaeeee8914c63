"""Callouts (PMI, and Ra values in face names) brought to the features that own their faces."""

from __future__ import annotations

import re
from collections.abc import Sequence

from featurize.brep.part import Part
from featurize.feature import Callout, Feature

# "Ra 0.4", "Ra=0,4 um", "RA0.2": micrometres, as ISO 21920-1 and its forerunner ISO 1302 write it.
_TEXTURE = re.compile(r"(?<![A-Za-z])R[aA]\s*=?\s*(\d*[.,]?\d+)")


def with_callouts(
    part: Part, features: Sequence[Feature], callouts: Sequence[Callout]
) -> tuple[Feature, ...]:
    """The same features, each with the callouts on its faces; what these say joins its text.

    ``Callout.faces`` are places in the solid as read, as in ``Face.source``.
    """
    return tuple(_with_own(part, feature, callouts) for feature in features)


def _with_own(part: Part, feature: Feature, callouts: Sequence[Callout]) -> Feature:
    places = {p for f in feature.faces for p in part.faces[f].source}
    ours = [c.on(own) for c in callouts if (own := tuple(p for p in c.faces if p in places))]
    message = " ".join(dict.fromkeys(c.text for c in ours if c.text))
    for f in feature.faces:
        ours += _textures(" ".join(part.faces[f].names), part.faces[f].source)
    for c in tuple(ours):
        ours += _textures(c.text, c.faces)
    if not ours:
        return feature
    return feature.but(
        callouts=tuple(dict.fromkeys(ours)), text=" ".join(filter(None, (feature.text, message)))
    )


def _textures(text: str, faces: tuple[int, ...]) -> list[Callout]:
    return [
        Callout("surface texture", float(m[1].replace(",", ".")) / 1000, text=m[0], faces=faces)
        for m in _TEXTURE.finditer(text)
    ]
