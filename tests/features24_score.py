"""How far recognition agrees with the labels of the features24 parts, by face and by feature.

    python -m tests.features24_score [--confusion] [--where] [NAME ...]

The labels are the corpus' own (see its README). A feature agrees when its class and its set of faces do.
The rules from kind, cross-section and openness to the 24 classes, and which names agree, are here and not in
the product.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from featurize.brep.build import build_part
from featurize.brep.part import Part
from featurize.brep.shapes import FACE, area_and_centre, each
from featurize.brep.surfaces import Cylinder, Plane
from featurize.feature import CrossSection, Feature, Kind, Role
from featurize.isolate import Child
from featurize.recognise import recognise
from featurize.recognise.bevels import webs
from featurize.recognise.scene import Scene
from featurize.step.read import read_step

CORPUS = Path(__file__).resolve().parents[2] / "shared" / "corpus" / "features24"
CLASSES = (
    "chamfer",
    "through hole",
    "triangular passage",
    "rectangular passage",
    "six-sided passage",
    "triangular through slot",
    "rectangular through slot",
    "circular through slot",
    "rectangular through step",
    "two-sided through step",
    "slanted through step",
    "ring groove",
    "blind hole",
    "triangular pocket",
    "rectangular pocket",
    "six-sided pocket",
    "round-ended pocket",
    "rectangular blind slot",
    "vertical round-ended blind slot",
    "horizontal round-ended blind slot",
    "triangular blind step",
    "circular blind step",
    "rectangular blind step",
    "round",
    "stock",
)
CHAMFER, ROUND, STOCK = 0, 23, 24
_TIME_LIMIT_S = 60.0
# Cosine above which a flat wall looks along a direction.
_ALONG = 0.7
_THREE, _FOUR, _SIX, _ROUND = CrossSection.THREE, CrossSection.FOUR, CrossSection.SIX, CrossSection.ROUND
_BY_SECTION = {
    (Kind.THROUGH_PROFILE, _ROUND): 1,
    (Kind.THROUGH_PROFILE, _THREE): 2,
    (Kind.THROUGH_PROFILE, _FOUR): 3,
    (Kind.THROUGH_PROFILE, _SIX): 4,
    (Kind.SLOT, _THREE): 5,
    (Kind.SLOT, _FOUR): 6,
    (Kind.SLOT, _ROUND): 7,
    (Kind.STEP, CrossSection.OTHER): 9,  # five-sided: two faces and a floor
    (Kind.POCKET, _ROUND): 12,
    (Kind.POCKET, _THREE): 13,
    (Kind.POCKET, _FOUR): 14,
    (Kind.POCKET, _SIX): 15,
    (Kind.BLIND_STEP, _THREE): 20,
    (Kind.BLIND_STEP, _FOUR): 22,
}
_BY_KIND = {
    Kind.CHAMFER: CHAMFER,
    Kind.EDGE_ROUND: ROUND,
    Kind.FILLET: ROUND,
    Kind.GROOVE: 11,
    Kind.OUTSIDE_FACE: STOCK,
    Kind.OUTSIDE_PROFILE: STOCK,
}


@dataclass(frozen=True)
class Answer:
    """One of our features: its class (None: none of the set's), its faces by their places in the labels."""

    said: str
    class_: int | None
    faces: frozenset[int]
    radii: frozenset[int]  # those of its faces that are corners or feet: radii and webs


@dataclass(frozen=True)
class Label:
    class_: int
    faces: frozenset[int]


def class_of(part: Part, feature: Feature) -> int | None:
    """The label's class number of a feature, or None when it has none."""
    kind, section = feature.kind, feature.cross_section or CrossSection.OTHER
    if kind in _BY_KIND:
        return _BY_KIND[kind]
    if kind in (Kind.HOLE, Kind.THREADED_HOLE):
        return 1 if len(feature.opens_to) == 2 else 12
    if kind == Kind.STEP and section == _FOUR:
        return 10 if {"wall_angle_deg", "floor_angle_deg", "slant_deg"} & set(feature.dims) else 8
    surfaces = [part.faces[f].surface for f in feature.faces]
    curved = [s for s in surfaces if isinstance(s, Cylinder) and s.hollow]
    if kind == Kind.SLOT and len(curved) == len(surfaces):
        return 7
    if kind == Kind.POCKET and section == CrossSection.OTHER and curved:
        return 16
    if kind == Kind.BLIND_SLOT:
        return _blind_slot(part, feature)
    if kind == Kind.BLIND_STEP and section in (CrossSection.OTHER, _ROUND) and curved:
        return 21
    return _BY_SECTION.get((kind, section))


def _blind_slot(part: Part, feature: Feature) -> int:
    """17: flat end and flat sides; 18: round end between flat sides; 19: flat end between round sides."""
    assert feature.run is not None
    assert feature.axis is not None
    run, access = np.array(feature.run), np.array(feature.axis.direction)
    surfaces = [part.faces[f].surface for f in feature.faces]
    flat = [s.normal for s in surfaces if isinstance(s, Plane)]
    if not any(isinstance(s, Cylinder) for s in surfaces):
        return 17
    if not any(abs(float(n @ np.cross(run, access))) > _ALONG for n in flat):
        return 19
    ends = [any(abs(float(n @ way)) > _ALONG for n in flat) for way in (run, access)]
    return 17 if all(ends) else 18


def _corners(scene: Scene, feature: Feature) -> list[int]:
    """Radii and webs on a recess' inward edges; those of an opening are part of its land."""
    if feature.kind != Kind.THROUGH_PROFILE:
        return list(feature.faces_with(Role.CORNER, Role.FOOT))
    round_ = [f for f in feature.faces if isinstance(scene.face(f).surface, Cylinder)]
    return [*webs(scene, feature.faces), *(round_ if len(round_) < len(feature.faces) else [])]


def labels_of(name: str) -> tuple[list[Label], list[dict[str, object]]]:
    data = json.loads((CORPUS / "labels" / f"{name}.json").read_text())
    faces = data["faces"]
    found = [Label(int(faces[i[0]]["seg"]), frozenset(i)) for i in data["inst"]]
    found += [Label(STOCK, frozenset([k])) for k, f in enumerate(faces) if f["seg"] == STOCK]
    return found, faces


def answers_of(name: str) -> list[Answer]:
    """Our features of one part."""
    _, faces = labels_of(name)
    (solid,) = read_step(CORPUS / "parts" / f"{name}.step", isolate=False).parts
    part = build_part(solid.solid)
    tree = cKDTree([[*f["c"], f["a"] ** 0.5] for f in faces])  # type: ignore[misc, operator]
    seen = [area_and_centre(f) for f in each(solid.solid, FACE)]
    away, place = tree.query([[x, y, z, max(a, 0.0) ** 0.5] for a, x, y, z in seen])
    assert sorted(place.tolist()) == list(range(len(faces))), "faces match one to one"
    assert float(away.max()) < 0.05, float(away.max())

    def places(ids: Iterable[int]) -> frozenset[int]:
        return frozenset(int(place[i]) for f in ids for i in part.faces[f].source)

    found = recognise(part)
    scene = Scene(found.part, frozenset())
    return [
        Answer(
            f"{f.kind} {f.cross_section or ''}".strip(),
            class_of(part, f),
            places(f.faces),
            places(_corners(scene, f)),
        )
        for f in found.features
    ]


def _answers_apart(name: str) -> list[Answer]:
    """As ``answers_of``, in a fork. Raises StepError when it crashes or hangs."""
    child = Child(fork=partial(answers_of, name))
    try:
        found: list[Answer] = child.result(_TIME_LIMIT_S)
    finally:
        child.kill()
    return found


@dataclass
class Tally:
    """Confusions (label, answer) of faces; faces and features in all and right; parts that were lost."""

    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    by_class: Counter[tuple[int, bool]] = field(default_factory=Counter)
    faces: int = 0
    faces_right: int = 0
    features: int = 0
    features_right: int = 0
    lost: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def compare(labels: list[Label], answers: list[Answer]) -> Iterator[tuple[Label, bool, list[bool]]]:
    """Each label, whether a feature agrees with it, and whether each of its faces does (in their order)."""
    of = {f: a for a in answers for f in a.faces}
    # A round laid on an inward edge is the corner or foot radius of the recess there, a chamfer its web.
    radii = {f for x in labels if x.class_ in (CHAMFER, ROUND) for f in x.faces if f in of[f].radii}
    bare = {(a.class_, a.faces - radii) for a in answers}
    for label in labels:
        kept = label.faces <= radii
        yield (
            label,
            kept or (label.class_, label.faces) in bare,
            [of[f].class_ == label.class_ or f in radii for f in sorted(label.faces)],
        )


def score(names: list[str]) -> Tally:
    sums = Tally()
    for name in names:
        labels, _ = labels_of(name)
        try:
            answers = _answers_apart(name)
        except Exception as error:
            sums.lost.append(f"{name}: {error!r}")
            answers = [Answer("lost", None, frozenset(f for x in labels for f in x.faces), frozenset())]
        of = {f: a for a in answers for f in a.faces}
        for label, right, faces in compare(labels, answers):
            title = CLASSES[label.class_]
            for f, agrees in zip(sorted(label.faces), faces, strict=True):
                found = of[f].class_
                said = CLASSES[found] if found is not None else of[f].said
                sums.confusion[title, title if agrees else said] += 1
            sums.faces += len(faces)
            sums.faces_right += sum(faces)
            if label.class_ == STOCK:
                if not all(faces):
                    sums.wrong.append(f"{name} {title} {sorted(label.faces)} -> {of[min(label.faces)].said}")
                continue
            sums.features += 1
            sums.features_right += right
            sums.by_class[label.class_, right] += 1
            if not right:
                seen = {(a.said, tuple(sorted(a.faces))) for f in label.faces for a in [of[f]]}
                sums.wrong.append(f"{name} {title} {sorted(label.faces)} -> {sorted(seen)}")
    return sums


def every_name() -> list[str]:
    return sorted(p.stem for p in (CORPUS / "parts").glob("*.step"))


def main() -> None:
    chosen = [word for word in sys.argv[1:] if not word.startswith("-")] or every_name()
    sums = score(chosen)
    print(f"{len(chosen)} parts, {len(sums.lost)} lost")
    print(f"faces:    {sums.faces_right} of {sums.faces} ({sums.faces_right / sums.faces:.2%})")
    print(f"features: {sums.features_right} of {sums.features} ({sums.features_right / sums.features:.2%})")
    for line in sums.lost:
        print("lost", line)
    if "--where" in sys.argv:
        print("\n".join(sums.wrong))
    if "--confusion" in sys.argv:
        for k, title in enumerate(CLASSES):
            right, wrong = sums.by_class[k, True], sums.by_class[k, False]
            print(f"{title:36} {right:4} of {right + wrong:4}")
        for (label, found), n in sorted(sums.confusion.items()):
            print(f"{label:36} {found:36} {n:5}")


if __name__ == "__main__":
    main()
