"""The demo inserts against the answer keys a die maker signed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support import keys
from support.transforms import as_bsplines, mirrored, moved, with_split_faces, write_in_assembly, write_step

from featurize.brep.build import build_part
from featurize.feature import Feature
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.plan.make import make_plan
from routing.stock.blank import blank_for
from routing.stock.proof import prove
from tests.support.grinding import ground_stock
from tests.support.sampled import few

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
    return matched(key, r)[1]


def matched(key: keys.Key, r: Recognition) -> tuple[list[tuple[keys.KeyFeature, Feature]], list[str]]:
    """Each row of the key with the feature that answers it, and what does not agree, in words."""
    left = list(r.features)
    pairs, wrong = [], []
    for wanted in sorted(key.features, key=lambda f: -len(f.dims)):
        hit = next((f for f in left if _agrees(wanted, f)), None)
        if hit is None:
            near = [f"{dict(f.dims)} {f.faces} {f.opens_to}" for f in left if f.kind == wanted.kind]
            wrong.append(
                f"{wanted.name}: {wanted.kind} {wanted.faces} faces {dict(wanted.dims)}, seen {near}"
            )
        else:
            left.remove(hit)
            pairs.append((wanted, hit))
    return pairs, wrong + [f"not in the key: {f.kind} {f.faces} {dict(f.dims)}" for f in left]


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


@pytest.mark.parametrize("name", NAMES)
def test_processes_and_flags_are_those_of_the_key(name: str) -> None:
    key = keys.load(name)
    r = recognised(key.step)
    route = make_plan(r, load_shop(), Choices(material=_material(key)))
    pairs, wrong = matched(key, r)
    assert not wrong
    chosen = {w.name: (w.process, route.process_of(f.id)) for w, f in pairs}
    assert {n: c for n, c in chosen.items() if c[0] != c[1]} == {}
    # Holes that are alike in kind and size have flags of their own, so flags are compared as they fall.
    wanted = Counter(f.code for f in key.flags)
    assert Counter(f.code for f in route.flags if f.code in keys.FLAGS) == wanted
    by_id = {f.id: w.name for w, f in pairs}
    for flag in key.flags:
        named = {by_id[f.feature] for f in route.flags if f.code == flag.code and f.feature}
        sizes = {w.name: w.dims for w, _ in pairs}
        assert any(sizes[n] == sizes[flag.feature] for n in named), (flag, named)


@pytest.mark.parametrize("name", NAMES)
def test_ground_stock_is_what_the_key_works_out(name: str) -> None:
    key = keys.load(name)
    r = recognised(key.step)
    shop = load_shop()
    route = make_plan(r, shop, Choices(material=_material(key)))
    ground = [f for f in r.features if route.process_of(f.id) == "surface grind"]
    blank = blank_for(r.part)
    assert blank.volume_mm3 == pytest.approx(key.blank_mm3, rel=1e-6)
    bare = ground_stock(r.part, ground, blank, shop, floor_allowance_mm=0.0)
    removed = blank.volume_mm3 - cq.Shape.cast(bare.solid).Volume()
    # The key takes wheels as sharp; a real wheel leaves its corner at the foot of each wall.
    assert removed == pytest.approx(key.ground_mm3, rel=1e-3, abs=1e-6)
    stock = ground_stock(r.part, ground, blank, shop, floor_allowance_mm=0.010)
    proof = prove(r.part, stock)
    assert not proof.faults
    assert proof.missing_mm3 < 1e-6 * r.part.volume_mm3
    for floor in proof.floors:
        assert floor.measured_mm == pytest.approx(floor.expected_mm, abs=0.0005)
        assert floor.expected_mm == pytest.approx(0.010)


def _material(key: keys.Key) -> str:
    return "carbide-12" if "carbide" in key.material else "steel-60hrc"


_CHANGES: dict[str, Callable[[Any, Any], Any]] = {
    "as it is": lambda shape, draw: shape,
    "split": lambda shape, draw: with_split_faces(
        shape, every=draw(st.integers(1, 4)), start=draw(st.integers(0, 3))
    ),
    "bsplines": lambda shape, draw: as_bsplines(shape),
    "mirrored": lambda shape, draw: mirrored(shape, draw(st.sampled_from([(1, 0, 0), (0, 1, 0), (1, 1, 2)]))),
}


@pytest.mark.parametrize(("change", "name"), few([(c, n) for c in _CHANGES for n in NAMES], 7))
@settings(
    max_examples=1,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],  # a case takes seconds: told as drawn, not shrunk
    suppress_health_check=list(HealthCheck),
)
@given(data=st.data())
def test_keys_hold_however_the_model_is_written(
    tmp_path_factory: Any, name: str, change: str, data: Any
) -> None:
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
    r = recognised(path, threads)
    pairs, wrong = matched(key, r)
    assert wrong == []
    route = make_plan(r, load_shop(), Choices(material=_material(key)))
    assert [(w.name, w.process, p) for w, f in pairs if (p := route.process_of(f.id)) != w.process] == []
