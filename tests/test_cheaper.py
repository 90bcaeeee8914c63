"""What would make a part cheaper: each saving is that of a part changed by hand and routed.

The changes are made here with cadquery, from the dimensions of the part, not by the program's own code.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import pi, radians, tan
from pathlib import Path
from typing import Any

import cadquery as cq
import lxml.html
import pytest

from demo_models import make
from featurize.brep.shapes import volume_mm3
from featurize.brep.solids import KernelError
from featurize.feature import Kind
from featurize.isolate import run_isolated
from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.cheaper import Budget, find_hints
from routing.jobs.job import decide_plan
from routing.jobs.job_inputs import Inputs
from routing.jobs.recognising import inputs_of, recognise_parts
from routing.plan.changes import kinds, proposals
from routing.plan.changes.hint import Hint, Hints
from routing.plan.plan import Plan
from tests.support.batches import run
from tests.support.sampled import few

Solid = cq.Workplane
DEMOS = Path(__file__).parents[1] / "demo_models"


def box(x: float, y: float, z: float) -> Solid:
    return cq.Workplane().box(x, y, z, centered=False)


def pit(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float], corner: float = 0.0) -> Solid:
    made = cq.Workplane(origin=(x[0], y[0], z[0])).box(x[1] - x[0], y[1] - y[0], z[1] - z[0], centered=False)
    return made.edges("|Z").fillet(corner) if corner else made


def pin(x: float, y: float, z: tuple[float, float], mm: float) -> Solid:
    return cq.Workplane(origin=(x, y, z[0])).circle(mm / 2).extrude(z[1] - z[0])


def drilled(x: float, y: float, deep: float, mm: float) -> Solid:
    """From the top at z 20: full diameter to a depth, then a point of 118 degrees."""
    profile = [(0, 20), (mm / 2, 20), (mm / 2, 20 - deep), (0, 20 - deep - mm / 2 / tan(radians(59)))]
    return (
        cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0)).translate((x, y, 0))
    )


def slanted(mm: float, deep: float, deg: float) -> Solid:
    """A flat-bottomed hole at (15, 10, 20), leaning towards -x."""
    lean = cq.Vector(tan(radians(deg)), 0, -1).normalized()
    start = cq.Vector(15, 10, 20) - lean * 3
    return cq.Workplane(cq.Solid.makeCylinder(mm / 2, deep + 3, start, lean))


def m5(deep: float) -> Solid:
    """From below at (10, 10): relief 5.4 to 1.4, bore 4.2 with a drill's point."""
    point = deep + 2.1 / tan(radians(59))
    profile = [(0, 0), (2.7, 0), (2.7, 1.4), (2.1, 1.4), (2.1, deep), (0, point)]
    spun = cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0))
    return spun.translate((10, 10, 0))


@dataclass(frozen=True)
class Case:
    """A part, and the same as a customer would change it by what a hint says."""

    kind: str
    drawn: Callable[[], Solid]
    changed: Callable[[], Solid]
    choices: dict[str, Any] = field(default_factory=dict)


def tapped(relief: float) -> Solid:
    """An M5 with a relief so deep."""
    profile = [(0, 0), (2.7, 0), (2.7, relief), (2.1, relief), (2.1, 10), (0, 10 + 2.1 / tan(radians(59)))]
    return (
        cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0)).translate((10, 10, 0))
    )


def die(land: float) -> Solid:
    """An opening with a straight land from the top at z 24 and a relief of 0.75 degrees below it."""
    opening = cq.Workplane(origin=(0, 0, 24 - land)).rect(16, 10).extrude(land).edges("|Z").fillet(0.8)
    throat = (
        opening.faces("<Z").wires().toPending().workplane().extrude(24 - land, taper=-0.75, combine=False)
    )
    return box(40, 34, 24).translate((-20, -17, 0)).cut(opening).cut(throat)


CASES = [
    Case(
        "corners for a thicker wire",
        lambda: box(30, 22, 12).cut(pit((8, 20), (8, 14), (0, 12))),
        lambda: box(30, 22, 12).cut(pit((8, 20), (8, 14), (0, 12), 0.15)),
        {"working_side": "+z"},
    ),
    Case(
        "corners for a cutter",
        lambda: box(30, 24, 16).cut(pit((8, 20), (7, 15), (11, 16))),
        lambda: box(30, 24, 16).cut(pit((8, 20), (7, 15), (11, 16), 0.75)),
        {"material": "carbide-12"},
    ),
    Case(
        "run opened",
        lambda: box(40, 24, 16).cut(pit((-1, 30), (8, 16), (12, 16))),
        lambda: box(40, 24, 16).cut(pit((-1, 41), (8, 16), (12, 16))),
    ),
    Case(
        "edge break left out",
        lambda: box(40, 24, 16).edges("|X and <Z and <Y").chamfer(1.5),
        lambda: box(40, 24, 16),
        {"working_side": "+z"},
    ),
    Case(
        "hole upright",
        lambda: box(40, 24, 20).cut(slanted(4, 10, 20)),
        lambda: box(40, 24, 20).cut(slanted(4, 10, 0)),
        {"working_side": "+z"},
    ),
    Case(
        "drill point",
        lambda: box(40, 24, 20).cut(pin(10, 10, (8, 21), 4)).cut(pin(30, 10, (8, 21), 4)),
        lambda: box(40, 24, 20).cut(drilled(10, 10, 12, 4)).cut(drilled(30, 10, 12, 4)),
        {"working_side": "+z"},
    ),
    Case(
        "thread shorter",
        lambda: box(20, 20, 30).cut(m5(20)),
        lambda: box(20, 20, 30).cut(m5(7.5)),
        {"threads": {"all": "M5"}, "working_side": "+z"},
    ),
    Case(
        "opened through",
        lambda: box(30, 24, 16).cut(pit((8, 20), (7, 15), (4, 16))),
        lambda: box(30, 24, 16).cut(pit((8, 20), (7, 15), (0, 16), 0.15)),
        {"material": "carbide-12", "working_side": "+z"},
    ),
    Case(
        "shallower",
        lambda: box(30, 24, 30).cut(pit((8, 20), (10, 12), (14, 30), 0.9)),
        lambda: box(30, 24, 30).cut(pit((8, 20), (10, 12), (30 - 13.9, 30), 0.9)),
        {"working_side": "+z"},
    ),
    Case(
        "corners for a larger cutter",
        lambda: box(50, 40, 16).cut(pit((8, 42), (7, 33), (11, 16), 1.5)),
        lambda: box(50, 40, 16).cut(pit((8, 42), (7, 33), (11, 16), 1.95)),
    ),
    Case(
        "land shorter",
        lambda: die(6),
        lambda: die(3),
        {"working_side": "+z"},
    ),
    Case(
        "relief shallower",
        lambda: box(20, 20, 30).cut(tapped(4)),
        lambda: box(20, 20, 30).cut(tapped(1.6)),
        {"threads": {"all": "M5"}, "working_side": "+z"},
    ),
]


def planned(solid: Any, folder: Path, name: str, choices: Choices) -> tuple[Plan, Inputs]:
    """A solid routed from its STEP file, as any customer's."""
    path = folder / f"{name}.step"
    cq.exporters.export(solid, str(path))
    return routed(path, choices)


def routed(path: Path, choices: Choices) -> tuple[Plan, Inputs]:
    document = read_step(path, isolate=False)
    inputs = inputs_of(document, choices, load_shop(None))
    (settled,) = recognise_parts(document, inputs, lambda text, share: None)
    inputs = inputs.with_choices(settled.added_to(choices))
    return decide_plan(settled, inputs, 0), inputs


def hints_of(monkeypatch: pytest.MonkeyPatch, plan: Plan, inputs: Inputs, kind: str) -> list[Hint]:
    """Hints of one kind alone: no other is tried."""
    own = [change for change in proposals(plan) if change.kind == kind]
    monkeypatch.setattr("routing.plan.changes.proposals", lambda _: own)
    return list(find_hints(plan, inputs).hints)


def check(hint: Hint, before: Plan, after: Plan) -> None:
    """Within 2 % of the difference, as is promised; the range holds the figure."""
    money = before.estimate.cost - after.estimate.cost
    minutes = before.estimate.minutes - after.estimate.minutes
    assert money > 0
    assert hint.cost.value == pytest.approx(money, rel=0.02)
    assert hint.minutes.value == pytest.approx(minutes, rel=0.02)
    assert hint.cost.low <= hint.cost.value <= hint.cost.high


@pytest.mark.parametrize("case", few(CASES, 4), ids=lambda case: case.kind)
def test_saving_is_that_of_the_part_changed_by_hand(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    choices = Choices(**case.choices)
    before, inputs = planned(case.drawn(), tmp_path, "drawn", choices)
    after, _ = planned(case.changed(), tmp_path, "changed", choices)
    (hint,) = hints_of(monkeypatch, before, inputs, case.kind)
    check(hint, before, after)


def test_every_kind_of_change_has_a_part_changed_by_hand() -> None:
    """Else a new kind could promise what nobody has tried."""
    found = {m.__name__.rpartition(".")[2] for m in kinds()}
    assert len(found) == len({case.kind for case in CASES}) == len(CASES)


def wear_plate_with_edge() -> Solid:
    return make.wear_plate().union(make.prism((0, 64), (34.4, 36), (0, 1.6)))


def pierce_die_with_land() -> Solid:
    """As the demo, with a relief that begins 3 below the working side; volumes: see its key."""
    tee = [(20.0, 29.0), (20.0, 24.0), (25.5, 24.0), (25.5, 17.0)]
    tee += [(58.0 - x, y) for x, y in reversed(tee)]
    outline = cq.Workplane(origin=(0, 0, 21)).polyline(tee).close().extrude(3).edges("|Z").fillet(0.8)
    throat = outline.faces("<Z").wires().toPending().workplane()
    return make.pierce_die().cut(throat.extrude(21, taper=-0.75, combine=False))


def crossing_block_without_chamfers() -> Solid:
    strips = make.prism((0, 72), (0, 1.6), (0, 1.6)), make.prism((0, 72), (58.4, 60), (0, 1.6))
    return make.crossing_block().union(strips[0]).union(strips[1])


# The demo, its material, the kind of hint, its features, and the demo changed by hand.
ON_DEMOS = [
    ("wear_plate", "steel-60hrc", "edge break left out", ("F02",), wear_plate_with_edge),
    (
        "corner_cavity",
        "carbide-12",
        "run opened",
        ("F05",),
        lambda: make.corner_cavity().cut(make.prism((37, 45), (-1, 41), (23, 27))),
    ),
    ("pierce_die", "carbide-15", "land shorter", ("F05",), pierce_die_with_land),
    (
        "forming_insert",
        "carbide-12",
        "run opened",
        ("F03",),
        lambda: make.forming_insert().cut(make.prism((-1, 71), (35, 43), (20.8, 23))),
    ),
    ("crossing_block", "steel-58hrc", "edge break left out", ("F13", "F14"), crossing_block_without_chamfers),
]


@pytest.mark.thorough  # as the cases above, on larger parts
@pytest.mark.parametrize(("name", "material", "kind", "ids", "changed"), ON_DEMOS)
def test_saving_on_a_demo_is_that_of_the_demo_changed_by_hand(
    name: str,
    material: str,
    kind: str,
    ids: tuple[str, ...],
    changed: Callable[[], Solid],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    choices = Choices(material=material)
    before, inputs = routed(DEMOS / f"{name}.step", choices)
    # Built with its working side up; the file has it turned.
    after, _ = planned(changed(), tmp_path, "changed", choices.but(working_side="+z"))
    hints = hints_of(monkeypatch, before, inputs, kind)
    (hint,) = (h for h in hints if h.features == ids)
    check(hint, before, after)


def test_shorter_land_takes_what_the_closed_form_says(tmp_path: Path) -> None:
    """Of the opening A h + P t h^2 / 2 + pi t^2 h^3 / 3 lies below a land, with t = tan 0.75 degrees: the
    outline A grown by t h at a depth h (Steiner's formula, a rounded outline of perimeter P)."""
    plan, _ = planned(die(6), tmp_path, "drawn", Choices(working_side="+z"))
    (change,) = (c for c in proposals(plan) if c.kind == "land shorter")
    t, perimeter = tan(radians(0.75)), 2 * (16 + 10) - 8 * 0.8 + 2 * pi * 0.8
    more = perimeter * t * (21**2 - 18**2) / 2 + pi * t**2 * (21**3 - 18**3) / 3
    assert plan.job.part.volume_mm3 - volume_mm3(change.apply()) == pytest.approx(more, rel=1e-4)


def with_hole(corner: float) -> Solid:
    """A pocket, and a hole that may be a thread."""
    return box(40, 24, 16).cut(pit((8, 20), (7, 15), (11, 16), corner)).cut(pin(30, 10, (6, 17), 5))


def test_answers_for_single_features_hold_in_the_changed_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thread answered by the id of its hole, a process forced on it and an edge: else the saving would be
    that of another part."""
    common = Choices(material="carbide-12", working_side="+z")
    found, _ = planned(with_hole(0), tmp_path, "asked", common)
    (hole,) = (f for f in found.job.features if f.kind == Kind.HOLE)
    choices = common.but(threads={hole.id: "M6"}, edges={hole.id: "must break"})
    before, inputs = planned(with_hole(0), tmp_path, "drawn", choices)
    alike = common.but(threads={"5": "M6"}, edges={"threaded hole": "must break"})
    after, _ = planned(with_hole(0.75), tmp_path, "changed", alike)
    (hint,) = hints_of(monkeypatch, before, inputs, "corners for a cutter")
    check(hint, before, after)


def small_plan(folder: Path) -> tuple[Plan, Inputs]:
    """With one chamfer, whose proposal the tests below take for a pattern."""
    return planned(box(30, 20, 12).edges("|X and <Z and <Y").chamfer(1), folder, "small", Choices())


def fails() -> Any:
    raise KernelError("no")


def crashes() -> Any:
    os.abort()


def in_child(folder: Path) -> Hints:
    """Runs in a process that may be forked, as every job's: what crashes is a fork of it."""
    plan, inputs = small_plan(folder)
    (good,) = proposals(plan)
    ways = [fails, crashes, good.apply]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("routing.plan.changes.proposals", lambda _: [replace(good, apply=w) for w in ways])
        return find_hints(plan, inputs)


def test_what_fails_or_crashes_is_counted_and_costs_the_others_nothing(tmp_path: Path) -> None:
    found = run_isolated(in_child, tmp_path, time_limit_s=100.0)
    assert (found.tried, found.failed, found.untried) == (3, 2, 0)
    assert [h.features for h in found.hints] == [("F01",)]


def test_nothing_is_promised_that_touches_other_features_or_was_not_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, inputs = planned(
        box(30, 20, 12).cut(pit((10, 20), (5, 12), (9, 12), 2)).edges("|X and <Z and <Y").chamfer(1),
        tmp_path,
        "two",
        Choices(),
    )
    (good,) = (c for c in proposals(plan) if c.kind == "edge break left out")
    block = replace(good, apply=lambda: box(30, 20, 12).val().wrapped)  # the pocket is gone as well
    monkeypatch.setattr("routing.plan.changes.proposals", lambda _: [block, good])
    found = find_hints(plan, inputs, Budget(trials=1))
    assert (found.tried, found.refused, found.untried, found.hints) == (1, 1, 1, ())
    assert find_hints(plan, inputs, Budget(seconds=0)).tried == 0


def test_command_writes_data_and_letters_that_agree(tmp_path: Path) -> None:
    out = tmp_path / "out"
    wear_plate = DEMOS / "wear_plate.step"
    ran = run("cheaper", wear_plate, "--material", "steel-60hrc", "-o", out, "--json")
    assert ran.returncode == 0, ran.stderr
    (part,) = json.loads(ran.stdout)["parts"]
    data = json.loads((out / "cheaper.json").read_text(encoding="utf-8"))
    assert data["hints"] == part["hints"]
    (hint,) = part["hints"]
    text = " ".join((out / "letter.txt").read_text(encoding="utf-8").split())
    root = lxml.html.parse(str(out / "letter.html")).getroot()
    page = " ".join(root.text_content().split())
    figure = f"{hint['cost']['value']:.0f} ({hint['cost']['low']:.0f} to {hint['cost']['high']:.0f})"
    for said in (figure, hint["ask"], "estimate, not an offer", part["note"]):
        assert said in text
        assert said in page
    assert len(root.findall(".//svg")) == 2  # the part, and the spot
    assert not [e for e in root.iter() if e.get("src") or (e.get("href") or "#")[0] != "#"]


def test_command_leaves_nothing_for_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "bad.step").write_text("nothing")
    ran = run("cheaper", tmp_path / "bad.step", "-o", tmp_path / "out")
    assert ran.returncode == 2
    assert len(ran.stderr.strip().splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["bad.step"]


@pytest.mark.thorough
def test_demos_show_what_the_docs_say() -> None:
    """Every row of the table in docs/cheaper.md, and at least eight kinds of change."""
    text = (DEMOS.parent / "docs" / "cheaper.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| `(\w+)` \| ([a-z ]+) \| .* \| (\d+) \(\d+ to \d+\) \| \d+ \|$", text, re.MULTILINE
    )
    materials = dict(re.findall(r"^\| `(\w+)` \| ((?:steel|carbide)-\w+) \|", text, re.MULTILINE))
    assert len({kind for _, kind, _ in rows}) >= 8
    found = []
    for name, material in materials.items():
        hints = find_hints(*routed(DEMOS / f"{name}.step", Choices(material=material)), Budget(40, 1e4)).hints
        found += [(name, h.kind, h.cost.value) for h in hints]
    assert [f[:2] for f in found] == [r[:2] for r in rows]
    for (_, _, told), (_, _, value) in zip(rows, found, strict=True):
        assert float(told) == pytest.approx(value, rel=0.02, abs=0.6)  # the table has whole money
