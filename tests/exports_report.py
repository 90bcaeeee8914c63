"""Every file of the corpus' exports: faces, features and the share of faces left unassigned.

    python tests/exports_report.py [--pictures DIR] [FILE ...]

``--pictures`` writes a PNG of each part, from above and from below, its faces coloured by kind.
"""

from __future__ import annotations

import argparse
import colorsys
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(1, str(Path(__file__).resolve().parents[1]))

from support.corpus import corpus_files
from support.picture import picture, write_png

from featurize.brep.build import build_part
from featurize.errors import StepError
from featurize.feature import Kind
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step


def colour_of(kind: Kind) -> tuple[int, int, int]:
    """Hues spread over the kinds, neighbours in the list far apart; outside faces near white."""
    if kind == Kind.OUTSIDE_FACE:
        return (235, 233, 228)
    if kind == Kind.UNASSIGNED:
        return (20, 20, 20)
    place = list(Kind).index(kind)
    rgb = colorsys.hls_to_rgb(place * 0.382 % 1, 0.42 + 0.16 * (place % 3), 0.75)
    return (round(255 * rgb[0]), round(255 * rgb[1]), round(255 * rgb[2]))


def report(path: Path, pictures: Path | None) -> tuple[int, int]:
    """Prints one file's parts; faces in all and faces unassigned."""
    try:
        document = read_step(path, isolate=False)
    except StepError as error:
        print(f"{path.name}: refused, {error}")
        return 0, 0
    faces = left = 0
    for number, solid in enumerate(document.parts):
        start = time.perf_counter()
        try:
            part = build_part(solid.solid, face_names=solid.face_names, name=solid.name, count=solid.count)
        except StepError as error:
            print(f"{path.name} {solid.name}: refused, {error}")
            continue
        seen = recognise(part)
        tally = Counter(str(f.kind) for f in seen.features for _ in f.faces)
        assert sum(tally.values()) == len(part.faces), "every face in exactly one feature"
        unassigned = tally[Kind.UNASSIGNED]
        faces, left = faces + len(part.faces), left + unassigned
        print(
            f"{path.name} {solid.name}: {len(part.faces)} faces, {len(seen.features)} features, "
            f"{unassigned / len(part.faces):.1%} unassigned, {time.perf_counter() - start:.1f} s"
        )
        for f in seen.features:
            dims = " ".join(f"{k}={v:.3f}" for k, v in f.dims.items())
            print(f"    {f.id} {f.kind} {f.faces} {dims} {'/'.join(f.opens_to)} {f.confidence:g}")
        if pictures is not None:
            draw(seen, pictures / f"{path.stem}-{number}.png")
    return faces, left


def draw(seen: Recognition, path: Path) -> None:
    """One picture, and the colours its kinds have."""
    path.parent.mkdir(parents=True, exist_ok=True)
    colours = {face: colour_of(f.kind) for f in seen.features for face in f.faces}
    write_png(picture(seen.part, colours), path)
    kinds = sorted({f.kind for f in seen.features})
    print("    " + ", ".join(f"{k} #{bytes(colour_of(k)).hex()}" for k in kinds))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--pictures", type=Path)
    asked = parser.parse_args()
    tallies = [report(p, asked.pictures) for p in asked.files or corpus_files("exports", "*.st*p")]
    faces, left = (sum(t) for t in zip(*tallies, strict=True))
    print(f"{len(tallies)} files, {faces} faces, {left / max(faces, 1):.1%} unassigned")


if __name__ == "__main__":
    main()
