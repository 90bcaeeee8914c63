"""A written folder as it reads: setups with their zeros, steps and passes, and the files that they name.

Nothing here is worked out: what a file does not say is not known. Lengths mm.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array

ROUTE = "route.json"
VERSION = 2
# Nothing to speak of is taken there: edges are broken, faces polished, sizes gauged.
BY_HAND = ("bench", "inspect")


class FolderError(ValueError):
    """A folder that cannot be machined from: what is wrong and what to do, in one line."""


@dataclass(frozen=True, eq=False)
class WrittenZero:
    """Rows X, Y, Z of ``axes`` (3, 3), ``origin`` (3,) in model coordinates; ``touched_off`` says on what."""

    axes: Array
    origin: Array
    touched_off: tuple[Mapping[str, Any], ...] = ()

    def local(self, points: Array) -> Array:
        return np.asarray((points - self.origin) @ self.axes.T)

    def model(self, points: Array) -> Array:
        return np.asarray(points @ self.axes + self.origin)


@dataclass(frozen=True, eq=False)
class WrittenPass:
    """``tool`` as listed; ``faces`` are places in the customer's file; heights from the setup's zero."""

    feature: str
    region: str
    faces: tuple[int, ...]
    tool: Mapping[str, Any]
    high_mm: float
    low_mm: float
    floor_mm: float
    wall_mm: float
    taken_off_by: int | None
    held: Mapping[str, float] | None = None

    @property
    def leaves(self) -> bool:
        return max(self.floor_mm, self.wall_mm) > 0


@dataclass(frozen=True, eq=False)
class WrittenStep:
    """``traverse`` is a wheel's, a unit vector in model coordinates."""

    number: int
    setup: int
    stage: str
    process: str
    from_side: str
    traverse: Array | None
    passes: tuple[WrittenPass, ...]


@dataclass(frozen=True)
class WrittenFixture:
    """A box in the setup's coordinates."""

    name: str
    kind: str
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class WrittenSetup:
    number: int
    from_side: str
    zero: WrittenZero
    steps: tuple[WrittenStep, ...]
    fixtures: tuple[WrittenFixture, ...] = ()


@dataclass(frozen=True, eq=False)
class Written:
    folder: Path
    content: Mapping[str, Any]
    setups: tuple[WrittenSetup, ...]

    @property
    def source(self) -> str:
        return str(self.content["part"]["source"])

    @cached_property
    def steps(self) -> tuple[WrittenStep, ...]:
        return tuple(step for setup in self.setups for step in setup.steps)

    @cached_property
    def features(self) -> Mapping[str, Mapping[str, Any]]:
        return {f["id"]: f for f in self.content["features"]}

    def faces_of(self, feature: str) -> tuple[int, ...]:
        return tuple(f["index"] for f in self.features[feature]["faces"])

    @cached_property
    def owner(self) -> Mapping[int, str]:
        """The feature of each face of the customer's file."""
        return {place: name for name in self.features for place in self.faces_of(name)}

    def levels_mm(self, step: int) -> float:
        """How far apart the levels are in which the stock after a step shows slopes."""
        stages = self.content["stock"].get("stages", ())
        return max((float(s.get("levels_mm", 0.0)) for s in stages if s["step"] == step), default=0.0)

    def cutting(self, feature: str) -> list[WrittenStep]:
        """The steps with a pass at a feature that take something of it."""
        return [
            s for s in self.steps if s.process not in BY_HAND and any(p.feature == feature for p in s.passes)
        ]


def read(folder: Path) -> Written:
    """Raises FolderError where route.json is missing, broken or of another version."""
    path = folder / ROUTE
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FolderError(f"{folder} has no {ROUTE}: give a folder that route has written") from None
    except ValueError as error:
        raise FolderError(f"{path} is not JSON ({error}): route the part again") from None
    if not isinstance(content, dict) or content.get("version") != VERSION:
        raise FolderError(f"{path} is not of version {VERSION}: route the part again")
    try:
        return Written(folder, content, tuple(_setup(s) for s in content["setups"]))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise FolderError(f"{path} lacks or spoils {error}: route the part again") from None


def _setup(entry: Mapping[str, Any]) -> WrittenSetup:
    return WrittenSetup(
        entry["number"],
        entry["from_side"],
        zero_of(entry["zero"]),
        tuple(_step(s, entry) for s in entry["steps"]),
        tuple(
            WrittenFixture(f["name"], f["kind"], tuple(f["low_mm"]), tuple(f["high_mm"]))
            for f in entry.get("fixtures", ())
        ),
    )


def zero_of(entry: Mapping[str, Any]) -> WrittenZero:
    """Raises ValueError for axes that are not at right angles."""
    axes = np.array([entry["x"], entry["y"], entry["z"]], dtype=float)
    if not np.allclose(axes @ axes.T, np.eye(3), atol=1e-6) or np.linalg.det(axes) < 0:
        raise ValueError("a zero: its axes are not a right-handed set")
    return WrittenZero(axes, np.array(entry["origin_mm"], dtype=float), tuple(entry["touched_off"]))


def _step(entry: Mapping[str, Any], setup: Mapping[str, Any]) -> WrittenStep:
    traverse = entry.get("traverse")
    return WrittenStep(
        entry["number"],
        setup["number"],
        entry["stage"],
        entry["process"],
        setup["from_side"],
        None if traverse is None else np.array(traverse, dtype=float),
        tuple(_pass(p) for p in entry["passes"]),
    )


def _pass(entry: Mapping[str, Any]) -> WrittenPass:
    high, low = entry["heights_mm"]
    left = entry["leaves_mm"]
    return WrittenPass(
        entry["feature"],
        entry["region"],
        tuple(entry["faces"]),
        entry["tool"] or {},
        float(high),
        float(low),
        float(left["floor"]),
        float(left["wall"]),
        entry["taken_off_by"],
        entry.get("held"),
    )
