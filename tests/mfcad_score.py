"""Share of faces whose feature agrees with the labels of the MFCAD parts.

    python -m tests.mfcad_score [--confusion]

The labels are the corpus' own (see its README). The rules from feature kind, cross-section and
openness to the 16 classes and 8 families are here, not in the product.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from featurize.brep.build import build_part
from featurize.feature import CrossSection, Feature, Kind
from featurize.recognise import recognise
from featurize.step.read import read_step

CORPUS = Path(__file__).resolve().parents[2] / "shared" / "corpus" / "mfcad"
CLASSES = (
    "chamfer",
    "triangular passage",
    "rectangular passage",
    "six-sided passage",
    "triangular through slot",
    "rectangular through slot",
    "rectangular through step",
    "two-sided through step",
    "slanted through step",
    "triangular pocket",
    "rectangular pocket",
    "six-sided pocket",
    "rectangular blind slot",
    "triangular blind step",
    "rectangular blind step",
    "stock",
)
FAMILY = (
    ["chamfer"]
    + ["through profile"] * 3
    + ["slot"] * 2
    + ["step"] * 3
    + ["pocket"] * 3
    + ["blind slot"]
    + ["blind step"] * 2
    + ["outside"]
)
_THREE, _FOUR, _SIX = CrossSection.THREE, CrossSection.FOUR, CrossSection.SIX
_BY_SECTION = {
    (Kind.THROUGH_PROFILE, _THREE): 1,
    (Kind.THROUGH_PROFILE, _FOUR): 2,
    (Kind.THROUGH_PROFILE, _SIX): 3,
    (Kind.SLOT, _THREE): 4,
    (Kind.SLOT, _FOUR): 5,
    (Kind.STEP, CrossSection.OTHER): 7,  # five-sided: two faces and a floor
    (Kind.POCKET, _THREE): 9,
    (Kind.POCKET, _FOUR): 10,
    (Kind.POCKET, _SIX): 11,
    (Kind.BLIND_STEP, _THREE): 13,
    (Kind.BLIND_STEP, _FOUR): 14,
}


def class_of(feature: Feature) -> int | None:
    """The label's class number of a feature, or None when it has none."""
    if feature.kind == Kind.CHAMFER:
        return 0
    if feature.kind == Kind.OUTSIDE_FACE:
        return 15
    if feature.kind == Kind.BLIND_SLOT:
        return 12
    if feature.kind == Kind.STEP and feature.cross_section == _FOUR:
        return 8 if {"wall_angle_deg", "floor_angle_deg", "slant_deg"} & set(feature.dims) else 6
    return _BY_SECTION.get((feature.kind, feature.cross_section or CrossSection.OTHER))


def family_of(feature: Feature) -> str:
    """The family name of a feature."""
    return "outside" if feature.kind == Kind.OUTSIDE_FACE else str(feature.kind)


def faces_of(path: Path, labels: list[int]) -> Iterator[tuple[int, Feature]]:
    """For each face as read: its label and the feature it ended in."""
    document = read_step(path, isolate=False)
    for solid in document.parts:
        part = build_part(solid.solid, face_names=solid.face_names)
        of = {i: f for f in recognise(part).features for face in f.faces for i in part.faces[face].source}
        assert sorted(of) == list(range(len(solid.face_names))), "every face in exactly one feature"
        for index, name in enumerate(solid.face_names):
            yield labels[int(name)], of[index]


def score(paths: list[Path], labels: dict[str, list[int]]) -> tuple[Counter[tuple[str, str]], int, int, int]:
    """Confusions (label, answer) by class, and faces in all, right by class, right by family."""
    confusion: Counter[tuple[str, str]] = Counter()
    total = by_class = by_family = 0
    for path in paths:
        for label, feature in faces_of(path, labels[path.name]):
            found = class_of(feature)
            confusion[CLASSES[label], CLASSES[found] if found is not None else str(feature.kind)] += 1
            total += 1
            by_class += found == label
            by_family += family_of(feature) == FAMILY[label]
            if "--where" in sys.argv and found != label:
                print(
                    path.name,
                    CLASSES[label],
                    "->",
                    feature.kind,
                    feature.cross_section,
                    feature.faces,
                    feature.opens_to,
                )
    return confusion, total, by_class, by_family


def main() -> None:
    labels = json.loads((CORPUS / "labels.json").read_text())
    paths = sorted(CORPUS.glob("*.step"))
    confusion, total, by_class, by_family = score(paths, labels)
    print(f"{len(paths)} parts, {total} faces")
    print(f"16 classes: {by_class / total:.4%} of faces right")
    print(f" 8 families: {by_family / total:.4%} of faces right")
    if "--confusion" in sys.argv:
        for (label, found), n in sorted(confusion.items()):
            print(f"{label:26} {found:26} {n:5}")


if __name__ == "__main__":
    main()
