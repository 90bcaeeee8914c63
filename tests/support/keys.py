"""The demo models' answer keys as plain data."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from featurize.feature import Kind, Vec3

FOLDER = Path(__file__).parents[2] / "demo_models"
PROCESSES = frozenset({"wire", "surface grind", "mill", "sink-erode", "none"})
SIDES = frozenset({"working", "mounting", "side"})
FLAGS = frozenset(
    {
        "thread-relief-missing",
        "thread-relief-shallow",
        "thread-relief-deep",
        "thread-relief-narrow",
        "thread-ambiguous",
        "thread-wall-thin",
        "thread-short",
        "thread-drill-point-thin",
    }
)


@dataclass(frozen=True)
class KeyFeature:
    """One feature; several alike appear several times in ``Key.features``."""

    name: str
    kind: Kind
    faces: int
    process: str
    dims: Mapping[str, float] = field(default_factory=dict)
    opens_to: frozenset[str] = frozenset()  # empty: the key does not say
    thread: str = ""


@dataclass(frozen=True)
class KeyFlag:
    """A flag and the name of its feature; ``use`` has (least, most) of the sizes to use instead."""

    code: str
    feature: str
    use: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Key:
    """What a die maker expects of one demo model (mm, mm3, model coordinates)."""

    name: str
    part_number: str
    title: str
    note: str
    material: str
    working_side: Vec3
    blank_size_mm: Vec3
    blank_mm3: float
    part_mm3: float
    ground_mm3: float  # 0 where nothing is ground
    features: tuple[KeyFeature, ...]
    flags: tuple[KeyFlag, ...]

    @property
    def step(self) -> Path:
        """The model's file."""
        return FOLDER / f"{self.name}.step"

    @property
    def faces(self) -> int:
        """Faces of the model, joined."""
        return sum(f.faces for f in self.features)


def names() -> list[str]:
    """Names of all demo models that have a key."""
    return sorted(p.name.removesuffix(".key.toml") for p in FOLDER.glob("*.key.toml"))


def load(name: str) -> Key:
    """One key. Raises ValueError or TypeError for an entry that the keys do not have."""
    data = tomllib.loads((FOLDER / f"{name}.key.toml").read_text(encoding="utf-8"))
    blank, part, ground = data.pop("blank"), data.pop("part"), data.pop("ground", {"volume_mm3": 0.0})
    features = tuple(f for row in data.pop("feature") for f in _features(**row))
    flags = tuple(_flag(**row) for row in data.pop("flag", []))
    if stray := {f.feature for f in flags} - {f.name for f in features}:
        raise ValueError(f"{name}: flags of unknown features {sorted(stray)}")
    return Key(
        working_side=_vec3(data.pop("working_side")),
        blank_size_mm=_vec3(blank["size_mm"]),
        blank_mm3=blank["volume_mm3"],
        part_mm3=part["volume_mm3"],
        ground_mm3=ground["volume_mm3"],
        features=features,
        flags=flags,
        **data,
    )


def _features(kind: str, opens_to: list[str] | None = None, times: int = 1, **row: Any) -> list[KeyFeature]:
    one = KeyFeature(kind=Kind(kind), opens_to=frozenset(opens_to or ()), **row)
    if one.process not in PROCESSES or not one.opens_to <= SIDES:
        raise ValueError(f"{one.name}: process or side unknown")
    if stray := [d for d in one.dims if not d.endswith(("_mm", "_deg"))]:
        raise ValueError(f"{one.name}: sizes without a unit {stray}")
    return [one] * times


def _flag(code: str, feature: str, use: dict[str, list[float]] | None = None) -> KeyFlag:
    if code not in FLAGS:
        raise ValueError(f"no such flag: {code}")
    return KeyFlag(code, feature, {name: (low, high) for name, (low, high) in (use or {}).items()})


def _vec3(values: list[float]) -> Vec3:
    x, y, z = map(float, values)
    return x, y, z
