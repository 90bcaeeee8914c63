"""Have we made one like it? Turned, mirrored, in inches and revised, among 5,000 simulated jobs.

The simulated jobs are lists of features; the parts that are looked for are solids of the kernel's, changed by
the kernel's own transformations and recognised from STEP files where the unit matters.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cadquery as cq
import numpy as np
import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.cli.app import app as cli
from routing.export.route_json import geometry
from routing.web.app import make_app
from routing.web.guard import KEY_HEADER, Rules
from routing.web.likeness import LENGTH, PartShape, differences, likeness
from routing.web.shapes import Described
from routing.web.store import Store
from tests.support.kept_jobs import feature, keep_job, random_features, route, simulated_jobs
from tests.support.transforms import mirrored, moved, write_step

RULES = Rules()
MANY = 5000
DEMOS = Path(__file__).resolve().parents[1] / "demo_models"


def _insert(*, second: float = 10.0, more: bool = False) -> Any:
    """A plate with bores, a pocket and a step; ``second`` is where the second bore stands."""
    bores = [(-18.0, 10.0), (second, 10.0), (18.0, -12.0), *([(-18.0, -12.0)] if more else [])]
    plate = cq.Workplane().box(52, 44, 20)
    plate = plate.faces(">Z").workplane().pushPoints(bores).hole(6.6, 14)
    pocket = cq.Workplane().box(14, 9, 10).edges("|Z").fillet(2).translate((0, -6, 10))
    step = cq.Workplane().box(52, 8, 12).translate((0, 22, 10))
    return plate.cut(pocket).cut(step).val().wrapped


def _shape_of(shape: Any) -> PartShape:
    found = recognise(build_part(shape))
    return PartShape.of(
        {"box_mm": (found.part.high - found.part.low).tolist(), "volume_mm3": found.part.volume_mm3},
        [geometry(f, found.part, ()) for f in found.features],
    )


@pytest.fixture(scope="module")
def insert() -> PartShape:
    return _shape_of(_insert())


@pytest.fixture(scope="module")
def probes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, PartShape]:
    """The same insert as others would send it again."""
    inches = write_step(_insert(), tmp_path_factory.mktemp("inch") / "inch.step", unit="INCH")
    (part,) = read_step(inches, isolate=False).parts
    return {
        "turned": _shape_of(moved(_insert(), (1, 2, 3), 77, (300, -40, 12))),
        "upside down": _shape_of(moved(_insert(), (1, 0, 0), 180)),
        "mirrored": _shape_of(mirrored(_insert(), (1, 1, 0))),
        "in inches": _shape_of(part.solid),
        "one bore moved": _shape_of(_insert(second=7.0)),
        "one bore more": _shape_of(_insert(more=True)),
    }


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, insert: PartShape) -> Iterator[tuple[Store, str]]:
    """5,000 simulated jobs, and in their midst the insert; gives its job."""
    store = Store(tmp_path_factory.mktemp("jobs"))
    described = simulated_jobs(store, MANY, random.Random(7))
    mine = described[MANY // 2]
    store.shapes.keep([replace(mine, shape=insert)])
    yield store, mine.job
    store.close()


def test_it_is_found_first_among_five_thousand(store, probes) -> None:
    kept, mine = store
    shares = {}
    for what, shape in probes.items():
        first, second = kept.shapes.like(shape, limit=2)
        assert first.described.job == mine, what
        shares[what] = first.share
        assert first.share > second.share + 0.05, what
    for what in ("turned", "upside down", "mirrored", "in inches"):
        assert shares[what] == pytest.approx(1.0, abs=1e-3), what
    assert 0.8 < shares["one bore more"] < 0.99
    assert 0.8 < shares["one bore moved"] < 0.999


def test_a_search_reads_the_jobs_once_and_makes_no_more_of_them_than_it_shows(store, probes) -> None:
    """Counts, no clock: tests/benchmarks/similar_search.py prints the time."""
    kept, _ = store
    kept.shapes.like(probes["turned"], limit=12)
    asked: list[str] = []
    kept._db.set_trace_callback(asked.append)
    try:
        kept.shapes.like(probes["turned"], limit=12)
    finally:
        kept._db.set_trace_callback(None)
    assert len(asked) <= 12 + 2
    assert not any("vector FROM" in query for query in asked)


def test_differences_are_those_that_were_made(insert, probes) -> None:
    assert differences(insert, probes["turned"]) == []
    assert differences(insert, probes["mirrored"]) == []
    assert [d.what for d in differences(insert, probes["one bore moved"])] == ["apart"]
    more = differences(insert, probes["one bore more"])
    assert [(d.what, d.kind, d.count) for d in more if d.what == "more"] == [("more", "hole", 1)]
    assert "diameter 6.6" in next(d.now for d in more if d.what == "more")
    a = PartShape(
        (60, 40, 20), 40000, (("hole", "", {"diameter_mm": 5.0}), ("pocket", "", {"depth_mm": 3.0}))
    )
    b = PartShape(
        (60, 40, 25), 50000, (("hole", "M6", {"diameter_mm": 5.0}), ("pocket", "", {"depth_mm": 4.0}))
    )
    assert [(d.what, d.kind, d.was, d.now) for d in differences(a, b)] == [
        ("box", "", "60 x 40 x 20", "60 x 40 x 25"),
        ("volume", "", "40000", "50000"),
        ("size", "hole", "plain", "M6"),
        ("size", "pocket", "depth 3", "depth 4"),
    ]


def test_what_is_described_is_the_same_whatever_the_order() -> None:
    rng = random.Random(4)
    for _ in range(20):
        features, box = random_features(rng)
        one = PartShape.of({"box_mm": box, "volume_mm3": 1e4}, features)
        other = PartShape.of({"box_mm": box[::-1], "volume_mm3": 1e4}, rng.sample(features, len(features)))
        assert np.allclose(one.vector(), other.vector(), atol=1e-5)
        assert likeness(one.vector(), other.vector()[None])[0] == pytest.approx(1.0, abs=1e-5)
        assert one.vector().shape == (LENGTH,)


SHA = "ab12" * 16
FEATURES = [
    feature("hole", (5, 5), diameter=6.0, depth=12.0),
    feature("hole", (25, 5), diameter=6.0, depth=12.0),
    feature("threaded hole", (9, 9), "M5", diameter=4.2),
    feature("pocket", width=9.0, length=14.0, depth=5.0),
]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[TestClient, Store, dict[str, str]]]:
    """Three jobs of a server that did not know of shapes when they were made."""
    store = Store(tmp_path / "jobs")
    fewer = FEATURES[1:]
    made = {
        "mine": keep_job(store, "mine.step", route(SHA, features=FEATURES)),
        "near": keep_job(store, "near 16.step", route("cd" * 32, features=fewer, material="carbide-12")),
        "far": keep_job(store, "far.step", route("ef" * 32, features=FEATURES[3:], box_mm=(120, 80, 30))),
    }
    store.stand(made["far"], note="for the Monday press", standing="lost")
    with TestClient(
        make_app(store, RULES), base_url="http://127.0.0.1", headers={KEY_HEADER: RULES.key}
    ) as client:
        yield client, store, made


def _asked(client: TestClient, **query: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = client.get("/api/like", params=query).json()["alike"]
    return rows


def _names(client: TestClient, **query: str) -> set[str]:
    return {r["file"].partition(".")[0] for r in _asked(client, **query)}


def test_the_page_is_told_what_is_alike_with_differences_and_hours(served) -> None:
    client, store, made = served
    while store.shapes.missing():  # earlier results are described in the background
        pass
    client.post(f"/api/jobs/{made['near']}/1/0/taken", json={"step": 3, "minutes": 120, "pieces": 1})
    near, far = _asked(client, job=made["mine"])
    assert (near["job"], far["job"]) == (made["near"], made["far"])
    assert near["share"] > far["share"]
    assert (near["taken_min"], near["quoted_min"], near["taken_steps"]) == (120, 90, 1)
    assert near["minutes"] == route(SHA)["estimate"]["minutes"]
    assert [(d["what"], d["kind"]) for d in near["differences"] if d["what"] != "apart"] == [("less", "hole")]
    assert _asked(client, job=made["mine"], material="carbide", limit="1") == [near]
    assert client.get("/api/like", params={"job": "0" * 12}).status_code == 404
    assert client.get("/api/like", params={"limit": "many"}).status_code == 422


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("", {"mine", "near 16", "far"}),
        ("M5", {"mine", "near 16"}),
        ("d6 pocket", {"mine", "near 16"}),
        ("6mm threaded", {"mine", "near 16"}),
        ("44x52x20", {"mine", "near 16"}),
        ("120.5x80x30 pocket", {"far"}),
        ("press", {"far"}),
        ("lost", {"far"}),
        ("carbide", {"near 16"}),
        ("near", {"near 16"}),
        ("%", set()),
        ("7", set()),
        ("slot", set()),
        ("1x2", set()),
    ],
)
def test_words_sizes_and_boxes_find(served, words, found) -> None:
    client, store, _ = served
    while store.shapes.missing():
        pass
    assert _names(client, q=words) == found


def test_a_new_result_takes_the_place_of_the_old_one_and_a_removed_job_is_found_no_more(served) -> None:
    client, store, made = served
    while store.shapes.missing():
        pass
    assert len(_asked(client, job=made["mine"])) == 2
    store.remove(made["far"])
    assert [r["job"] for r in _asked(client, job=made["mine"])] == [made["near"]]
    kept = store.shapes.of(made["near"], 0)
    store.shapes.keep([Described(made["near"], 0, 1, "other", "steel-60hrc", None, None, "", kept.shape)])
    (only,) = _asked(client, job=made["mine"])
    assert (only["name"], only["minutes"]) == ("other", None)


def test_the_command_finds_it_by_its_model_beside_a_server(served, tmp_path: Path) -> None:
    _, store, made = served
    model = (
        cq.Workplane().box(52, 44, 20).faces(">Z").workplane().pushPoints([(-9, 0), (11, 0)]).hole(6.0, 12)
    )
    path = write_step(model.val().wrapped, tmp_path / "x.step")
    done = CliRunner().invoke(cli, ["like", str(path), "--folder", str(store.folder), "--count", "2"])
    assert done.exit_code == 0, done.output
    first, *rest = done.stdout.splitlines()
    assert first.split()[0] in (made["mine"], made["near"])
    assert any("threaded hole" in line for line in rest)
    found = CliRunner().invoke(cli, ["like", "--folder", str(store.folder), "--words", "press"])
    assert made["far"] in found.stdout
    bad = CliRunner().invoke(cli, ["like", "--folder", str(store.folder)])
    assert (bad.exit_code, bad.stderr.count("\n")) == (2, 1)


def test_a_demo_in_another_s_hands_is_the_same() -> None:
    """With pockets, steps and a contoured surface, whose axes are nowhere in particular."""
    (part,) = read_step(DEMOS / "coining_insert.step", isolate=False).parts
    one, other = _shape_of(part.solid), _shape_of(moved(mirrored(part.solid), (1, 2, 3), 50, (10, 20, 30)))
    assert differences(one, other) == []
    assert likeness(one.vector(), other.vector()[None])[0] == pytest.approx(1.0, abs=1e-3)
