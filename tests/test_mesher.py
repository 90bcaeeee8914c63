"""No valid part is lost to the quick mesher: it is tried in a fork, and the default meshes what it cannot."""

from __future__ import annotations

import os
import signal
import time
from typing import Any

import cadquery as cq
import pytest

from featurize.brep import triangulation
from featurize.brep.build import build_part
from featurize.feature import Kind
from featurize.isolate import run_isolated
from featurize.recognise import recognise
from featurize.system import CAN_FORK


def _crash(*_: Any) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def _hang(*_: Any) -> None:
    time.sleep(100)


def _leave_bare(*_: Any) -> None:
    """Faces get no triangles."""


_FAULTS = {"crash": _crash, "hang": _hang, "leave bare": _leave_bare}


def holes_found(fault: str) -> int:
    """Of a plate with 20 holes, the quick mesher at fault."""
    setattr(triangulation, "_mesh_quickly", _FAULTS[fault])  # noqa: B010
    plate = cq.Workplane().box(60, 50, 10).faces(">Z").workplane().rarray(11, 11, 5, 4).hole(4.2)
    part = build_part(plate.val().Solids()[0].wrapped)  # type: ignore[union-attr]
    assert all(len(part.mesh.corners([f.id])) for f in part.faces)
    kinds = (Kind.HOLE, Kind.THREADED_HOLE)
    return sum(f.kind in kinds for f in recognise(part).features)


@pytest.mark.skipif(not CAN_FORK, reason="processes are forked on Linux only")
@pytest.mark.parametrize("fault", _FAULTS)
def test_a_plate_is_meshed_whatever_the_quick_mesher_does(fault: str) -> None:
    assert run_isolated(holes_found, fault, time_limit_s=100) == 20
