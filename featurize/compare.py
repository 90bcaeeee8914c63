"""Two revisions of a part: which features are new, gone, moved or changed in size."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType
from typing import Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.surfaces import Array
from featurize.feature import Feature, Kind
from featurize.placing import Placed, places, round_axis, spins, turned_spans, turns
from featurize.recognise import Recognition

# A place is read off meshed faces, which stand off round ones by 0.01 mm at most.
MOVED_MM = 0.02
ANGLE_DEG = 0.05
# What is worth a change of kind, in mm of place: a slot that is shorter now is still that slot.
_OTHER_KIND_MM = 5.0
_NEVER = 1e9


@dataclass(frozen=True)
class Change:
    """``what`` are words of "new", "gone", "moved", "size", "kind"; ``old``/``new`` the features' ids.

    ``detail`` says it in millimetres and degrees, in one line. Without ``kind`` it is about the part itself.
    """

    what: tuple[str, ...]
    kind: Kind | None
    old: str | None
    new: str | None
    detail: str


@dataclass(frozen=True, eq=False)
class Comparison:
    """``pairs`` maps old feature ids to new ones; ``turn`` (3, 3) carries old frame axes to new ones."""

    changes: tuple[Change, ...]
    pairs: Mapping[str, str]
    turn: Array


@dataclass(frozen=True, eq=False)
class _Fit:
    """The old features laid over the new ones."""

    turn: Array
    old: list[Placed]
    new: list[Placed]
    cost: Array


def compare(old: Recognition, new: Recognition) -> Comparison:
    """Features matched by kind, size and place, in the way of laying one part over the other that fits best.

    Outside faces are compared as planes: how far they reach is for the features that bound them to say.
    """
    fit = _best(old, new)
    pairs = _pairs(fit)
    changes = [change for i, j in pairs.items() if (change := _changed(fit.old[i], fit.new[j])) is not None]
    changes += [_alone("gone", p) for i, p in enumerate(fit.old) if i not in pairs]
    changes += [_alone("new", p) for j, p in enumerate(fit.new) if j not in pairs.values()]
    named = {fit.old[i].feature.id: fit.new[j].feature.id for i, j in pairs.items()}
    ordered = sorted(changes, key=lambda c: (c.old is None, c.old or c.new or ""))
    return Comparison((*_box(old, new, fit.turn), *ordered), MappingProxyType(named), fit.turn)


def _best(old: Recognition, new: Recognition) -> _Fit:
    before, after = _compared(old), _compared(new)
    had, has = old.part.high - old.part.low, new.part.high - new.part.low
    lays = []
    # A part whose box has changed may be laid into a corner of the new one, or on its middle.
    axis = round_axis(old.part)
    if axis is None or round_axis(new.part) != axis:
        ways = turns(had, has, np.inf)
    else:  # the box of a round part does not stand one way
        ways = [
            s @ t
            for t in turns(had, has, np.inf)
            if abs(t[axis, axis]) > 0.5
            for s in spins([_laid(p, t, np.zeros(3)) for p in before], after, axis)
        ]
    for turn in ways:
        spare = (has - turned_spans(turn, had)) / 2
        options = [(0.0, 1.0, -1.0) if abs(s) > tol.LENGTH_MM else (0.0,) for s in spare]
        for corner in product(*options):
            laid = [_laid(p, turn, np.array(corner) * spare) for p in before]
            lays.append((_unmoved(laid, after), turn, laid))
    most = max(count for count, _, _ in lays)
    fits = [_Fit(turn, laid, after, _costs(laid, after)) for count, turn, laid in lays if count == most]

    def rank(fit: _Fit) -> tuple[float, float]:
        """Among equal fits the least to change, then the one that leaves the model where it was."""
        kept = np.trace(new.part.frame.axes.T @ fit.turn @ old.part.frame.axes)
        return round(_total(fit.cost), 3), -float(kept)

    return min(fits, key=rank)


def _unmoved(old: Sequence[Placed], new: Sequence[Placed]) -> int:
    """How many of the old features find one of their place and extent."""
    if not old or not new:
        return 0
    a, b = (np.array([[*p.low, *p.high] for p in placed]) for placed in (old, new))
    apart = np.abs(a[:, None] - b[None]).max(axis=2)
    return int(np.sum(apart.min(axis=1) < MOVED_MM))


def _compared(recognition: Recognition) -> list[Placed]:
    """Every feature once; outside faces in one plane are one."""
    found: list[Placed] = []
    planes: list[Placed] = []
    for p in places(recognition.part, recognition.features):
        if p.feature.kind != Kind.OUTSIDE_FACE:
            found.append(p)
        elif not any(_same_plane(p, q) for q in planes):
            planes.append(p)
    return found + planes


def _same_plane(a: Placed, b: Placed) -> bool:
    k = _flat(a)
    return (
        a.feature.opens_to == b.feature.opens_to
        and k == _flat(b)
        and (k is None or abs(a.at[k] - b.at[k]) < MOVED_MM)
    )


def _flat(p: Placed) -> int | None:
    """The axis along which a feature has no thickness."""
    k = int(np.argmin(p.high - p.low))
    return k if float(p.high[k] - p.low[k]) < tol.SURFACE_MM else None


def _laid(p: Placed, turn: Array, shift: Array) -> Placed:
    middle, half = turn @ (p.low + p.high) / 2 + shift, turned_spans(turn, p.high - p.low) / 2
    return Placed(p.feature, turn @ p.at + shift, middle - half, middle + half)


def _costs(old: Sequence[Placed], new: Sequence[Placed]) -> Array:
    """(n, m) mm of difference between features that may be one; ``_NEVER`` for those that cannot."""
    return np.array([[_cost(a, b) for b in new] for a in old]).reshape(len(old), len(new))


def _are_twins(kinds: set[Kind]) -> bool:
    """Whether one edit may turn the kinds into each other."""
    groups = {k.traits.twin for k in kinds}
    return len(groups) == 1 and groups != {""}


def _cost(a: Placed, b: Placed) -> float:
    if Kind.OUTSIDE_FACE in (a.feature.kind, b.feature.kind):
        k = _flat(a)
        if a.feature.kind != b.feature.kind or k != _flat(b):
            return _NEVER
        if k is not None:
            side = np.sign(a.at[k]) == np.sign(b.at[k])
            return float(abs(a.at[k] - b.at[k])) if side else _NEVER
    away = float(np.linalg.norm(_move(a, b)))
    other = sum(abs(x - y) for _, x, y in _sizes(a.feature, b.feature))
    kinds = {a.feature.kind, b.feature.kind}
    kin = len(kinds) == 1 or all(k.traits.hole for k in kinds)
    # The same thing may be anywhere; a changed one is where it was.
    near = away <= max(a.size_mm, b.size_mm)
    if not (near or (kin and other == 0.0)) or not (kin or _are_twins(kinds)):
        return _NEVER
    return away + other + (0.0 if kin else _OTHER_KIND_MM)


def _move(a: Placed, b: Placed) -> Array:
    """How far the feature went (3,): where it only grew or shrank from one end it stayed.

    Along each axis that is the lesser way of its two ends, or their mean where they went apart.
    """
    low, high = b.low - a.low, b.high - a.high
    together = np.where(np.abs(low) < np.abs(high), low, high)
    way = np.where(low * high > 0, together, np.where(_still(low) | _still(high), 0.0, (low + high) / 2))
    return np.where(_still(way), 0.0, way)


def _still(way: Array) -> Any:
    return np.abs(way) < MOVED_MM / 2


def _sizes(a: Feature, b: Feature) -> Iterator[tuple[str, float, float]]:
    """Dimensions that differ, 0 where one is absent."""
    for name in sorted({*a.dims, *b.dims}):
        x, y = a.dims.get(name, 0.0), b.dims.get(name, 0.0)
        if abs(x - y) > (ANGLE_DEG if name.endswith("_deg") else tol.SURFACE_MM):
            yield name, x, y


def _pairs(fit: _Fit) -> dict[int, int]:
    from scipy.optimize import linear_sum_assignment

    rows, columns = linear_sum_assignment(fit.cost)
    return {int(i): int(j) for i, j in zip(rows, columns, strict=True) if fit.cost[i, j] < _NEVER}


def _total(cost: Array) -> float:
    from scipy.optimize import linear_sum_assignment

    return float(cost[linear_sum_assignment(cost)].sum()) if cost.size else 0.0


def _changed(a: Placed, b: Placed) -> Change | None:
    what, lines = [], []
    if a.feature.kind != b.feature.kind:
        what.append("kind")
        lines.append(f"{a.feature.kind} is {b.feature.kind} now")
    if a.feature.kind == Kind.OUTSIDE_FACE:
        k = _flat(a)
        move = np.zeros(3) if k is None else np.eye(3)[k] * (b.at[k] - a.at[k])
    else:
        move = _move(a, b)
    if float(np.linalg.norm(move)) > MOVED_MM:
        what.append("moved")
        lines.append("by " + ", ".join(f"{n} {d:+.3f}" for n, d in zip("xyz", move, strict=True) if d))
    sizes = [
        f"{n.removesuffix('_mm').replace('_', ' ')} {x:.4g} to {y:.4g}"
        for n, x, y in _sizes(a.feature, b.feature)
    ]
    was, now = _thread(a.feature), _thread(b.feature)
    if was != now:
        sizes.append(f"thread {was} to {now}")
    if sizes:
        what.append("size")
        lines += sizes
    if not what:
        return None
    return Change(tuple(what), b.feature.kind, a.feature.id, b.feature.id, "; ".join(lines))


def _thread(feature: Feature) -> str:
    if feature.thread is None:
        return "none"
    return feature.thread.designation or "in doubt"


def _alone(what: str, p: Placed) -> Change:
    f = p.feature
    text = ", ".join(f"{n.removesuffix('_mm').replace('_', ' ')} {v:.4g}" for n, v in sorted(f.dims.items()))
    old, new = (f.id, None) if what == "gone" else (None, f.id)
    return Change((what,), f.kind, old, new, text)


def _box(old: Recognition, new: Recognition, turn: Array) -> Iterator[Change]:
    """The part's own size, which no feature tells."""
    had, has = turned_spans(turn, old.part.high - old.part.low), new.part.high - new.part.low
    if np.any(np.abs(had - has) > MOVED_MM):
        was, now = (" x ".join(f"{s:.4g}" for s in spans) for spans in (had, has))
        yield Change(("size",), None, None, None, f"the part is {now}, was {was}")
