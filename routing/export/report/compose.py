"""The whole report of one part: what comes first, what last."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.report import main_sections as main
from routing.export.report import shop_sections as shop
from routing.export.report.blocks import Block, Pictures, Report, Section, Text, clean, number
from routing.export.report.pictures import Subject, exploded, height_of, legend, picture, scale_of

SIDES = {
    "+z": "working side (+z)",
    "-z": "mounting side (-z)",
    "-y": "from -y",
    "+y": "from +y",
    "-x": "from -x",
    "+x": "from +x",
}
_FULL, _HALF = 177.0, 87.0


def compose(content: Mapping[str, Any], subject: Subject, grinding: Section, toolroom: str = "") -> Report:
    """``subject`` for the pictures, ``grinding`` the section with the sketch, ``toolroom`` its name."""
    names = {f["id"]: main.label(f) for f in content["features"]}
    found = [
        main.flags(content),
        main.doubts(content),
        _pictures(content, subject, names),
        main.features(content),
        main.route(content),
        main.holding(content),
        _exploded(content, subject, names),
        _edges(content, subject),
        shop.holes(content),
        grinding,
        shop.wire(content),
        shop.left_behind(content),
        shop.stock(content),
        shop.inspection(content),
        shop.estimate(content),
        *shop.others(content),
        shop.cautions(),
        shop.traveller(content, toolroom),
    ]
    name = clean(content["part"]["name"])
    return Report(name, tuple(_head(content, toolroom)), tuple(s for s in found if s is not None))


def _head(content: Mapping[str, Any], toolroom: str) -> list[tuple[str, str]]:
    part, told = content["part"], content["estimate"]
    stops = sum(f["severity"] == "blocking" for f in content["flags"])
    more = len(content["flags"]) - stops
    return [
        ("Part", clean(part["name"])),
        ("Toolroom", clean(toolroom) or "________________"),
        ("Material", clean(part["material"])),
        ("Box", " x ".join(map(number, part["box_mm"])) + " mm"),
        (
            "Working side",
            f"{part['working_side']} of the model (sure {number(part['sides']['confidence'], 2)})",
        ),
        ("Mounting side", f"{part['mounting_side']} of the model"),
        ("Model file", f"{clean(part['source'])}, drawn in {part['source_units']}"),
        ("SHA-256", " ".join(part["sha256"][k : k + 16] for k in range(0, 64, 16))),
        ("Operations", f"{len(content['operations'])} in {told['setups']} setups"),
        ("Flags", f"{stops} blocking, {more} others" if content["flags"] else "none"),
        (
            "Estimate",
            f"{number(told['minutes'], 0)} min, {number(told['cost'], 0)} {clean(told['currency'])} "
            f"({number(told['cost_low'], 0)} to {number(told['cost_high'], 0)}); not an offer",
        ),
        ("Date, name", "________________"),
    ]


def _pictures(content: Mapping[str, Any], subject: Subject, names: Mapping[str, str]) -> Section:
    used = {main.palette_key(f) for f in content["features"]}
    high = height_of(subject, "iso", _FULL, 100)
    whole = picture(subject, "iso", _FULL, high, "The part from above, its features named", names=names)
    heights = scale_of(subject, list(SIDES), _HALF, 80)
    sides = tuple(
        (
            picture(
                subject, view, _HALF, heights[view], f"The part, {said}", scale=heights["scale"], names=names
            ),
            said,
        )
        for view, said in SIDES.items()
    )
    healed = (
        [Text("Healed when read: " + clean("; ".join(content["part"]["healed"])))]
        if content["part"]["healed"]
        else []
    )
    blocks: list[Block] = [
        Pictures(
            ((whole, "seen from the corner between +x, -y and the working side; axes are the part's own"),)
        ),
        Pictures(((legend(sorted(used)), ""),)),
        *healed,
        Pictures(sides, 2),
    ]
    return Section("Pictures", tuple(blocks))


def directions(subject: Subject) -> dict[str, Array]:
    """Of the part's sides, in model coordinates."""
    return {s + a: (1.0 if s == "+" else -1.0) * subject.frame[k] for k, a in enumerate("xyz") for s in "+-"}


def steps(content: Mapping[str, Any], subject: Subject) -> dict[str, tuple[int, Array]]:
    """The last operation of each feature that is cut from a plain side, and that side's direction."""
    sides = directions(subject)
    return {
        f: (o["number"], sides[o["from_side"]])
        for o in content["operations"]
        if o["process"] != "bench" and o["from_side"] in sides
        for f in o["features"]
    }


def _exploded(content: Mapping[str, Any], subject: Subject, names: Mapping[str, str]) -> Section | None:
    step_of = steps(content, subject)
    if not step_of:
        return None
    told = dict(names)
    for feature, (n, _) in step_of.items():
        told[feature] = f"{n}: {names[feature]}"
    moves = exploded(subject, step_of)
    high = height_of(subject, "iso", _FULL, 125, moves)
    drawn = picture(subject, "iso", _FULL, high, "The part taken apart by operation", moves=moves, names=told)
    said = "each feature drawn out towards the side it is cut from, by the number of its last operation"
    return Section("Taken apart by operation", (Pictures(((drawn, said),)),))


def _edges(content: Mapping[str, Any], subject: Subject) -> Section:
    views = (("iso", "working side up"), ("iso below", "mounting side up to the eye"))
    drawn = tuple(
        (picture(subject, view, _HALF, 68, f"Edges, {said}", edges_only=True), said) for view, said in views
    )
    return Section("Edge map", (Pictures(drawn, 2), *main.edge_table(content)))


def explode_map(
    subject: Subject, content: Mapping[str, Any], source: list[int]
) -> list[tuple[int, list[float]]]:
    """For the viewer: how far each face (as read) moves."""
    moves = exploded(subject, steps(content, subject))
    return [(source[k], [round(float(v), 3) for v in m]) for k, m in enumerate(moves) if np.any(m)]
