"""How like two parts are in shape, from what a route file says: however the file turns or mirrors them.

A part is described by numbers that neither turning nor mirroring changes, in millimetres: the sides of its
box by length, its volume, a histogram of its features' sizes by kind, and one of the distances between its
parallel bores. Sizes go into bins of half an octave, shared between the two nearest by how near they are, so
that what is nearly of a size is nearly in the same bins. Histograms are compared by the share that they have
in common (Bray and Curtis 1957), which is 1 for the same features and 0 for none.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Of the description: what an earlier one described is described anew.
VERSION = 1
# Half octaves from 0.1 mm to some 3 m; kinds with their sizes share so many rows by a hash of their names.
_LEAST_MM, _BINS, _ROWS = 0.1, 30, 40
_SIDES, _VOLUME, _SIZES, _APART = 3, 1, _ROWS * _BINS, _BINS
LENGTH = _SIDES + _VOLUME + _SIZES + _APART
# What each tells of the whole; features most: a shop remembers a part by them (common practice, no source).
_WEIGHTS = {"box": 0.2, "volume": 0.1, "sizes": 0.5, "apart": 0.2}
# Sides and volumes that are so many times as large have nothing in common.
_NOTHING_LIKE = 2.0
_BATCH = 1024
# What every part has: it would make all alike.
_COMMON = ("outside face", "unassigned")
_SAME_MM, _MOVED_MM, _PARALLEL = 0.005, 0.02, 1e-6
_MOST_AXES = 80

Vector = NDArray[np.float32]


@dataclass(frozen=True)
class PartShape:
    """``features`` are kind, thread ("" for none) and sizes of each that tells parts apart."""

    box_mm: tuple[float, ...]
    volume_mm3: float
    features: tuple[tuple[str, str, Mapping[str, float]], ...]
    axes: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...] = ()

    @classmethod
    def of(cls, part: Mapping[str, Any], features: Sequence[Mapping[str, Any]]) -> PartShape:
        """From the ``part`` and ``features`` of a route file."""
        own = [f for f in features if f["kind"] not in _COMMON]
        return cls(
            tuple(sorted(part["box_mm"], reverse=True)),
            part["volume_mm3"],
            tuple((f["kind"], (f.get("thread") or {}).get("designation") or "", f["dims"]) for f in own),
            tuple(
                (tuple(f["axis"]["origin_mm"]), tuple(f["axis"]["direction"])) for f in own if f.get("bores")
            ),
        )

    def vector(self) -> Vector:
        """(LENGTH,) numbers by which it is compared."""
        found = np.zeros(LENGTH, dtype=np.float32)
        found[:_SIDES] = np.log([max(s, _LEAST_MM) for s in self.box_mm])
        found[_SIDES] = math.log(max(self.volume_mm3, _LEAST_MM**3))
        sizes = found[_SIDES + _VOLUME :][:_SIZES].reshape(_ROWS, _BINS)
        for kind, _, dims in self.features:
            own = {name: size for name, size in dims.items() if name.endswith("_mm") and size > 0}
            for name, size in (own or {"": _LEAST_MM}).items():
                row = zlib.crc32(f"{kind} {name}".encode()) % _ROWS
                _put(sizes[row], size, 1 / max(len(own), 1))
        for distance in self.apart():
            _put(found[-_APART:], distance, 1.0)
        return found

    def apart(self) -> list[float]:
        """Distances between the axes of parallel bores, mm, the least first."""
        if len(self.axes) < 2:
            return []
        at, way = np.array(self.axes[:_MOST_AXES]).transpose(1, 0, 2)
        one, other = np.triu_indices(len(at), 1)
        parallel = np.abs(np.einsum("ij,ij->i", way[one], way[other])) > 1 - _PARALLEL
        between = (at[other] - at[one])[parallel]
        along = way[one][parallel]
        square = between - along * np.einsum("ij,ij->i", between, along)[:, None]
        distances = np.linalg.norm(square, axis=1)
        return sorted(distances[distances > _LEAST_MM].tolist())

    def words(self) -> str:
        """What it can be found by, each word between blanks."""
        sizes = "x".join(f"{s:.5g}" for s in self.box_mm)
        found = {sizes: None}
        for kind, thread, dims in self.features:
            found |= dict.fromkeys([*kind.split(), thread.lower(), *(f"{v:.5g}" for v in dims.values())])
        return f" {' '.join(filter(None, found))} "


def _put(bins: NDArray[np.float32], size: float, share: float) -> None:
    """A size into its two nearest bins."""
    at = min(max(2 * math.log2(size / _LEAST_MM), 0.0), _BINS - 1.000001)
    low, part = int(at), at - int(at)
    bins[low] += share * (1 - part)
    bins[low + 1] += share * part


def likeness(one: Vector, others: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n,) shares from 0 to 1 of what a part (LENGTH,) has in common with others (n, LENGTH)."""
    found = np.empty(len(others), dtype=np.float32)
    for start in range(0, len(others), _BATCH):  # by batches that stay in the processor's cache
        some = others[start : start + _BATCH]
        box = np.abs(some[:, :_SIDES] - one[:_SIDES]).max(axis=1) / math.log(_NOTHING_LIKE)
        volume = np.abs(some[:, _SIDES] - one[_SIDES]) / math.log(_NOTHING_LIKE)
        first, last = _SIDES + _VOLUME, _SIDES + _VOLUME + _SIZES
        found[start : start + _BATCH] = (
            _WEIGHTS["box"] * (1 - np.minimum(box, 1))
            + _WEIGHTS["volume"] * (1 - np.minimum(volume, 1))
            + _WEIGHTS["sizes"] * _common(one[first:last], some[:, first:last])
            + _WEIGHTS["apart"] * _common(one[last:], some[:, last:])
        )
    return found


def _common(one: Vector, others: NDArray[np.float32]) -> NDArray[np.float32]:
    whole = one.sum() + others.sum(axis=1)
    away = np.abs(others - one).sum(axis=1)
    return np.asarray(1 - np.divide(away, whole, out=np.zeros_like(away), where=whole > 0))


@dataclass(frozen=True)
class Difference:
    """``what`` is "box", "volume", "more", "less", "size" or "apart" (bores stand elsewhere);
    ``count`` features of ``kind``; ``was`` and ``now`` in words."""

    what: str
    kind: str
    count: int
    was: str
    now: str


def differences(of: PartShape, other: PartShape) -> list[Difference]:
    """What the other has otherwise: sizes of its box, its volume, features more or less or of other sizes."""
    found = []
    if any(abs(a - b) > _SAME_MM for a, b in zip(of.box_mm, other.box_mm, strict=True)):
        found.append(Difference("box", "", 1, _box(of), _box(other)))
    if abs(of.volume_mm3 - other.volume_mm3) > 1e-3 * of.volume_mm3:
        found.append(Difference("volume", "", 1, f"{of.volume_mm3:.0f}", f"{other.volume_mm3:.0f}"))
    kinds = dict.fromkeys(kind for kind, _, _ in (*of.features, *other.features))
    for kind in kinds:
        mine, theirs = ([(t, d) for k, t, d in s.features if k == kind] for s in (of, other))
        found += _of_kind(kind, mine, theirs)
    apart, now = (s.apart() for s in (of, other))
    if len(apart) == len(now) and any(abs(a - b) > _MOVED_MM for a, b in zip(apart, now, strict=True)):
        found.append(Difference("apart", "", 1, "", ""))
    return found


_Sized = tuple[str, Mapping[str, float]]


def _of_kind(kind: str, mine: Sequence[_Sized], theirs: Sequence[_Sized]) -> list[Difference]:
    from scipy.optimize import linear_sum_assignment

    cost = np.array([[_cost(a, b) for b in theirs] for a in mine]).reshape(len(mine), len(theirs))
    rows, columns = linear_sum_assignment(cost)
    said: dict[tuple[str, str, str], int] = {}
    for i, j in zip(rows, columns, strict=True):
        was, now = _changed(mine[i], theirs[j])
        if was or now:
            said["size", was, now] = said.get(("size", was, now), 0) + 1
    for n, one in enumerate(mine):
        if n not in rows:
            said["less", _said(one), ""] = said.get(("less", _said(one), ""), 0) + 1
    for n, one in enumerate(theirs):
        if n not in columns:
            said["more", "", _said(one)] = said.get(("more", "", _said(one)), 0) + 1
    return [Difference(what, kind, count, was, now) for (what, was, now), count in said.items()]


def _cost(a: _Sized, b: _Sized) -> float:
    return sum(abs(x - y) for _, x, y in _pairs(a, b)) + (0.0 if a[0] == b[0] else 1.0)


def _pairs(a: _Sized, b: _Sized) -> list[tuple[str, float, float]]:
    names = sorted({*a[1], *b[1]})
    return [(n, a[1].get(n, 0.0), b[1].get(n, 0.0)) for n in names]


def _changed(a: _Sized, b: _Sized) -> tuple[str, str]:
    """The sizes that differ, of each."""
    other = [(n, x, y) for n, x, y in _pairs(a, b) if abs(x - y) > _SAME_MM]
    was, now = ([f"{_plain(n)} {v:.4g}" for n, v in side]
                for side in ([(n, x) for n, x, _ in other], [(n, y) for n, _, y in other]))  # fmt: skip
    if a[0] != b[0]:
        was, now = [a[0] or "plain", *was], [b[0] or "plain", *now]
    return ", ".join(was), ", ".join(now)


def _said(one: _Sized) -> str:
    return ", ".join(filter(None, [one[0], *(f"{_plain(n)} {v:.4g}" for n, v in one[1].items())]))


def _plain(name: str) -> str:
    return name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")


def _box(shape: PartShape) -> str:
    return " x ".join(f"{s:.4g}" for s in shape.box_mm)
