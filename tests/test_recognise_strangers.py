"""Parts nobody here drew: the feature list is the same however the file says the same solid."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support.corpus import corpus_files, needs_corpus
from support.reorder import reordered
from support.transforms import as_bsplines, mirrored, moved, with_joined_faces, with_split_faces, write_step

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from tests.support.sampled import few

PARTS = corpus_files("mfcad", "*.step", limit=40)
_CHANGES = ("none", "split", "bsplines", "mirrored", "joined", "entities")


def features_of(path: Path) -> Counter[Any]:
    """Kinds, sizes (to 0.01) and openness of all features."""
    (solid,) = read_step(path, isolate=False).parts
    return Counter(
        (str(f.kind), tuple(sorted((k, round(v, 2)) for k, v in f.dims.items())), len(f.opens_to))
        for f in recognise(build_part(solid.solid)).features
    )


def _near(a: Counter[Any], b: Counter[Any]) -> bool:
    """Equal up to the last digit of a rounded size."""
    left = list(b.elements())
    for kind, dims, opens in a.elements():
        hit = next(
            (
                o
                for o in left
                if o[0] == kind
                and o[2] == opens
                and [k for k, _ in o[1]] == [k for k, _ in dims]
                and all(abs(u - v) < 0.0151 for (_, u), (_, v) in zip(o[1], dims, strict=True))
            ),
            None,
        )
        if hit is None:
            return False
        left.remove(hit)
    return not left


@needs_corpus
@pytest.mark.parametrize("path", few(PARTS, 14), ids=lambda p: p.stem)
@settings(
    max_examples=3,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(data=st.data())
def test_same_features_from_another_file_of_the_same_solid(
    tmp_path_factory: pytest.TempPathFactory, path: Path, data: st.DataObject
) -> None:
    wanted = features_of(path)
    target = tmp_path_factory.mktemp("other") / "model.step"
    change = data.draw(st.sampled_from(_CHANGES))
    if change == "entities":
        reordered(path, target, data.draw(st.integers(0, 99)))
    else:
        (solid,) = read_step(path, isolate=False).parts
        shape = moved(
            solid.solid,
            data.draw(st.tuples(*[st.integers(-3, 3)] * 3).filter(any)),
            data.draw(st.floats(-180, 180)),
            data.draw(st.tuples(*[st.integers(-99, 99)] * 3)),
        )
        if change == "split":
            shape = with_split_faces(shape, every=data.draw(st.integers(1, 3)))
        elif change == "bsplines":
            shape = as_bsplines(shape)
        elif change == "mirrored":
            shape = mirrored(shape)
        elif change == "joined":
            shape = with_joined_faces(with_split_faces(shape))
        schema = data.draw(st.sampled_from(["AP203", "AP214", "AP242"]))
        write_step(shape, target, schema=schema, unit=data.draw(st.sampled_from(["MM", "INCH"])))
    assert _near(features_of(target), wanted), change
