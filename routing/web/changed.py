"""What changed from one revision of a job to another: read from two route files of one model, no kernel."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

Route = Mapping[str, Any]


def what_changed(old: Route, new: Route) -> dict[str, Any]:
    """Working side, kinds, processes, setups, minutes, money, questions and flags, each as it was and is.

    Both routes are of one model, so a feature is known by its faces, whatever it is called.
    """
    before = {_faces(f): f for f in old["features"]}
    pairs = [(_of_same_faces(f, before), f) for f in new["features"]]
    known = [(a, b) for a, b in pairs if a is not None]
    return {
        "side": _pair(old["part"]["working_side"], new["part"]["working_side"]),
        "kinds": [_change(b, _called(a), _called(b)) for a, b in known if _called(a) != _called(b)],
        "processes": [
            _change(b, a["process"], b["process"]) for a, b in known if a["process"] != b["process"]
        ],
        "features": _pair(len(old["features"]), len(new["features"])),
        "setups": _pair(len(old["setups"]), len(new["setups"])),
        "minutes": _pair(_figure(old, "minutes"), _figure(new, "minutes")),
        "cost": _pair(_figure(old, "cost"), _figure(new, "cost")),
        "currency": (new["estimate"] or {}).get("currency", ""),
        "asked": _pair(len(old["doubts"]), len(new["doubts"])),
        "flags_gone": _missing(old, new),
        "flags_new": _missing(new, old),
    }


def _faces(feature: Mapping[str, Any]) -> frozenset[int]:
    return frozenset(f["index"] for f in feature["faces"])


def _of_same_faces(
    feature: Mapping[str, Any], before: Mapping[frozenset[int], Mapping[str, Any]]
) -> Mapping[str, Any] | None:
    """The feature with the same faces, else the one that shares most with it."""
    faces = _faces(feature)
    if faces in before:
        return before[faces]
    best = max(before, key=lambda other: len(other & faces), default=frozenset())
    return before[best] if best & faces else None


def _called(feature: Mapping[str, Any]) -> str:
    thread = (feature.get("thread") or {}).get("designation") or ""
    return f"{feature['kind']} {thread}".strip()


def _change(feature: Mapping[str, Any], was: str, now: str) -> dict[str, str]:
    return {"feature": feature["id"], "was": was, "now": now}


def _pair(was: Any, now: Any) -> list[Any] | None:
    return None if was == now else [was, now]


def _figure(route: Route, key: str) -> float | None:
    value = (route["estimate"] or {}).get(key)
    return None if value is None else round(float(value), 4)


def _missing(held: Route, other: Route) -> list[Mapping[str, Any]]:
    """Flags of the first that the second lacks, by code and by the faces that they are about."""
    left = Counter(_keys(other))
    found = []
    for flag, key in zip(held["flags"], _keys(held), strict=True):
        if left[key]:
            left[key] -= 1
        else:
            found.append(flag)
    return found


def _keys(route: Route) -> Iterable[tuple[str, frozenset[int]]]:
    faces = {f["id"]: _faces(f) for f in route["features"]}
    return [(flag["code"], faces.get(flag["feature"], frozenset())) for flag in route["flags"]]
