"""The demo inserts against the answer keys a die maker signed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import keys
from support.transforms import as_bsplines, mirrored, moved, with_split_faces, write_in_assembly, write_step

from featurize.brep.build import build_part
from featurize.feature import Feature
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step

NAMES = keys.names()


def recognised(path: Any, threads: dict[str, str] | None = None) -> Recognition:
    (solid,) = read_step(path, isolate=False).parts
    part = build_part(
        solid.solid,
        face_names=solid.face_names,
        source_faces=solid.source_faces,
        source_face_count=len(solid.face_names),
        name=solid.name,
    )
    return recognise(part, threads=threads)


def side_words(feature: Feature) -> set[str]:
    """Sides in the key's words."""
    words = {"+z": "working", "-z": "mounting"}
    return {words.get(s, "side") for s in feature.opens_to}


def differences(key: keys.Key, r: Recognition) -> list[str]:
    """What the key has and recognition has not, in words; empty when they agree."""
    left = list(r.features)
    wrong = []
    for wanted in sorted(key.features, key=lambda f: -len(f.dims)):
        hit = next((f for f in left if _agrees(wanted, f)), None)
        if hit is None:
            near = [f"{dict(f.dims)} {f.faces} {f.opens_to}" for f in left if f.kind == wanted.kind]
            wrong.append(f"{wanted.name}: {wanted.kind} {wanted.faces} faces {dict(wanted.dims)}, seen {near}")
        else:
            left.remove(hit)
    return wrong + [f"not in the key: {f.kind} {f.faces} {dict(f.dims)}" for f in left]


def _agrees(wanted: keys.KeyFeature, f: Feature) -> bool:
    return (
        f.kind == wanted.kind
        and len(f.faces) == wanted.faces
        and all(k in f.dims and abs(f.dims[k] - v) < _tolerance(k) for k, v in wanted.dims.items())
        and (not wanted.opens_to or side_words(f) == set(wanted.opens_to))
        and (not wanted.thread or (f.thread is not None and f.thread.designation == wanted.thread))
    )


def _tolerance(name: str) -> float:
    return 1e-3 if name.endswith("_mm") else 0.02


@pytest.mark.parametrize("name", NAMES)
def test_features_are_those_of_the_key(name: str) -> None:
    key = keys.load(name)
    assert differences(key, recognised(key.step)) == []


@pytest.mark.parametrize("name", NAMES)
def test_working_side_is_that_of_the_key(name: str) -> None:
    key = keys.load(name)
    r = recognised(key.step)
    if r.sides.confidence > 0.5:
        assert np.allclose(r.part.frame.axes[2], key.working_side, atol=1e-6)


_CHANGES: dict[str, Callable[[Any, Any], Any]] = {
    "as it is": lambda shape, draw: shape,
    "split": lambda shape, draw: with_split_faces(shape, every=draw(st.integers(1, 4)), start=draw(st.integers(0, 3))),
    "bsplines": lambda shape, draw: as_bsplines(shape),
    "mirrored": lambda shape, draw: mirrored(shape, draw(st.sampled_from([(1, 0, 0), (0, 1, 0), (1, 1, 2)]))),
}


@pytest.mark.parametrize("change", _CHANGES)
@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=2, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(data=st.data())
def test_keys_hold_however_the_model_is_written(tmp_path_factory: Any, name: str, change: str, data: Any) -> None:
    key = keys.load(name)
    (solid,) = read_step(key.step, isolate=False).parts
    angle = data.draw(st.floats(-180, 180, allow_nan=False))
    axis = data.draw(st.tuples(*[st.integers(-3, 3)] * 3).filter(any))
    shift = data.draw(st.tuples(*[st.integers(-200, 200)] * 3))
    shape = moved(_CHANGES[change](solid.solid, data.draw), axis, angle, shift)
    path = tmp_path_factory.mktemp("key") / "model.step"
    unit = data.draw(st.sampled_from(["MM", "INCH"]))
    schema = data.draw(st.sampled_from(["AP203", "AP214", "AP242"]))
    if data.draw(st.booleans()):
        write_in_assembly(shape, path)
    else:
        write_step(shape, path, schema=schema, unit=unit)
    # The kernel's transforms drop face names, so what only a name told is told as a person would.
    threads = {f"{f.dims['diameter_mm']:g}": f.thread for f in key.features if f.thread}
    assert differences(key, recognised(path, threads)) == []
