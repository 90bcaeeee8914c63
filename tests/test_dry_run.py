"""Dry runs of routed demos find nothing that blocks, and of sabotaged ones what was spoilt.

The yardstick is the customer's solid itself: the route is machined with booleans that planning does not use.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

from routing.dryrun.check import dry_run, findings_of
from routing.dryrun.pieces import Base, pieces
from routing.dryrun.solids import filled, flat
from routing.dryrun.written import FolderError
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.job import run_job
from tests.sabotage_score import DEMOS, tried
from tests.support.sampled import few

# The quick ones; ``python -m tests.sabotage_score`` takes them all.
NAMES = ("wear_plate", "corner_cavity")
TRIED = [
    ("wear_plate", k)
    for k in (
        "deeper_pass",
        "last_allowance_stays",
        "missing_step",
        "shifted_zero",
        "stock_missing",
        "stock_tampered",
        "wrong_side",
    )
] + [
    ("corner_cavity", k)
    for k in (
        "drawing_shifted",
        "electrode_too_high",
        "electrode_without_gap",
        "larger_drill",
        "lost_wire_pass",
        "shifted_hole",
    )
]


@pytest.fixture(scope="session")
def routed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("dry")
    for name in NAMES:
        choices = Choices(material="carbide-12")
        run_job(DEMOS / f"{name}.step", place / name, choices, load_shop(), time_limit_s=600)
    return place


@pytest.mark.parametrize("name", NAMES)
def test_good_folder_is_clean(routed: Path, name: str) -> None:
    found = findings_of(routed / name, DEMOS / f"{name}.step")
    assert [str(f) for f in found if f.blocking] == []


@pytest.mark.parametrize(("name", "kind"), few(TRIED, 8))
def test_sabotage_is_caught(routed: Path, name: str, kind: str) -> None:
    assert tried(kind, routed / name, DEMOS / f"{name}.step") == "caught"


def test_other_revision_is_refused(routed: Path) -> None:
    with pytest.raises(FolderError, match="not the file"):
        dry_run(routed / "wear_plate", DEMOS / "pierce_die.step")


def test_folder_without_route_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="give a folder that route has written"):
        dry_run(tmp_path)


@pytest.mark.parametrize(("deep_mm", "told"), [(0.004, 0), (0.006, 1)])
@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
def test_depth_of_a_step_is_its_height(deep_mm: float, told: int, turn_deg: float) -> None:
    """A step cut off a block's top is as deep as it is high, whichever way the block lies."""
    block = Manifold.cube((20.0, 10.0, 5.0)).rotate((turn_deg, turn_deg, 0.0)).as_original()
    step = (
        Manifold.cube((5.0, 10.0, 1.0)).translate((0.0, 0.0, 5.0 - deep_mm)).rotate((turn_deg, turn_deg, 0.0))
    )
    found = list(pieces(block ^ step, Base.of(block), 0.005))
    assert len(found) == told
    assert all(p.depth_mm == pytest.approx(deep_mm, rel=1e-3) for p in found)


def test_upright_walls_alone_have_a_plan() -> None:
    """Of a pocket without a floor of its own the plan is what its walls go round."""
    ring = np.array([(0.0, 0.0), (6.0, 0.0), (6.0, 4.0), (0.0, 4.0)])
    after = np.roll(ring, -1, axis=0)
    walls = np.concatenate([np.stack([ring, after, after], axis=1), np.stack([ring, after, ring], axis=1)])
    assert filled(flat(walls)).area() == pytest.approx(24.0, rel=1e-3)
