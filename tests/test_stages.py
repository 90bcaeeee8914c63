"""Only what a new choice touches is worked out again, and the result is that of a fresh job."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
import trimesh

from featurize.brep.solids import volume_of
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import route_document
from routing.jobs.recognising import inputs_of
from routing.jobs.stages import NoCache, StageCache

MODEL = Path(__file__).resolve().parents[1] / "demo_models" / "thread_trial.step"
M6 = Choices(settle=({"at": [31.0, 12.0, 22.0], "kind": "hole", "size_mm": 5.0, "thread": "M6"},))


def test_results_are_kept_by_key_and_the_oldest_go_first():
    cache, made = StageCache(size=2), []

    def get(key: int) -> int:
        return cache.get_or_make("step", key, lambda: made.append(key) or key)

    assert [get(k) for k in (1, 2, 1, 3, 1, 2)] == [1, 2, 1, 3, 1, 2]
    assert made == [1, 2, 3, 2]
    assert [t.kept for t in cache.times] == [False, False, True, False, True, False]
    assert NoCache().get_or_make("step", 1, lambda: 7) == 7


@pytest.fixture(scope="module")
def document():
    return read_step(MODEL, isolate=False)


def _run(document, folder: Path, choices: Choices, cache: NoCache):
    folder.mkdir()
    inputs = inputs_of(document, choices, load_shop())
    route_document(document, folder, inputs, lambda text, share: None, cache=cache)
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_a_thread_leaves_part_and_stock_alone_and_gives_the_files_of_a_fresh_job(tmp_path, document):
    cache = StageCache()
    _run(document, tmp_path / "first", Choices(), cache)
    cache.times.clear()
    kept = _run(document, tmp_path / "second", M6, cache)
    how = {t.stage: t.kept for t in cache.times if t.stage not in ("recognising",)}
    assert how["building the part"]
    assert how["grinding the stock"]
    assert how["proving the stock"]
    assert not how["writing the stock bodies"]  # a thread brings steps of its own, and their bodies
    assert not how["settling"]
    assert not how["routing"]
    fresh = _run(document, tmp_path / "fresh", M6, NoCache())
    assert kept.keys() == fresh.keys()
    first = {n: (tmp_path / "first" / n).read_bytes() for n in fresh if n.startswith(("stock/", "ground_"))}
    assert len(first) > 10
    for name, content in first.items():  # none of the bodies shows a thread
        assert (tmp_path / "second" / name).read_bytes() == content, name
    for name in fresh:
        if _untimed(kept[name]) != _untimed(fresh[name]):
            # The kernel's booleans hang on where faces lie in cache: the bodies count, not their text.
            assert name.startswith("stock/"), name
            sizes = [_size(tmp_path / folder / name) for folder in ("second", "fresh")]
            chords = 2e-5 if name.endswith(".stl") else 1e-9  # what facets of other corners may miss
            assert sizes[0] == pytest.approx(sizes[1], rel=chords), name


def _untimed(content: bytes) -> bytes:
    """Without the second at which the kernel wrote it."""
    return re.sub(rb"'\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d'", b"", content)


def _size(body: Path) -> tuple[float, ...]:
    """Volume, and the faces of an exact body."""
    if body.suffix == ".stl":
        return (float(trimesh.load_mesh(body).volume),)
    (solid,) = read_step(body, isolate=False).parts
    return (volume_of(solid.solid), float(len(solid.source_faces)))


@pytest.mark.thorough
def test_the_report_is_kept_where_nothing_in_it_changed(tmp_path, document):
    """There and back again, and a choice that tells nothing new; the files are those of a fresh job."""
    cache = StageCache()
    first = _run(document, tmp_path / "first", Choices(), cache)
    for name, choices, kept in (
        ("other", Choices(material="steel-54hrc"), False),
        ("back", Choices(), True),
        ("same", Choices(edges={"rib": "keep sharp"}), True),  # it has none
    ):
        cache.times.clear()
        files = _run(document, tmp_path / name, choices, cache)
        assert [t.kept for t in cache.times if t.stage == "writing the report"] == [kept]
        if kept:
            assert {n: _untimed(c) for n, c in files.items()} == {n: _untimed(c) for n, c in first.items()}
    shop = load_shop()
    other = replace(shop, toolroom=replace(shop.toolroom, name="Another"))
    cache.times.clear()
    (tmp_path / "own").mkdir()
    route_document(
        document, tmp_path / "own", inputs_of(document, Choices(), other), lambda *_: None, cache=cache
    )
    assert [t.kept for t in cache.times if t.stage == "writing the report"] == [False]
