"""Electrodes on paper: each drawn in its own frame, its sizes, where it burns and how."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.hidden_lines import Body, look
from routing.export.report.blocks import Block, Pictures, Section, Table, Text, clean, number, sentence
from routing.export.report.drawing import Drawing
from routing.export.report.gallery import Gallery, zero_axes
from routing.export.report.sized_drawing import sized_drawing
from routing.export.sized import Ordinate, SizedView

_WIDE_MM, _TALL_MM = 87.0, 72.0
_SIDE_BY_SIDE = 3
# Places nearer than this are one.
_SAME_MM = 5e-4


def electrodes(
    content: Mapping[str, Any], gallery: Gallery, setups: Collection[int] | None = None
) -> Section | None:
    """The list and a drawing of each; of some setups alone where they are given."""
    entries = [e for e in content.get("electrodes", ()) if setups is None or e["setup"] in setups]
    if not entries:
        return None
    blocks: list[Block] = []
    made = [e for e in entries if e["file"]]
    for n in range(0, len(made), _SIDE_BY_SIDE):
        blocks.append(_table(content, made[n : n + _SIDE_BY_SIDE]))
    by_number = {s["number"]: s for s in content["setups"]}
    for k in dict.fromkeys(e["setup"] for e in entries):
        blocks.append(Text(f"Zero of setup {k}: {clean(by_number[k]['zero']['words'])}.", "note"))
    if made:
        blocks.append(Text(f"{sentence(made[0]['reference'])} Money and wear are estimates.", "note"))
    blocks += [
        Text(f"{clean(e['name'])} is not drawn: {clean(e['reason'])}", "alert")
        for e in entries
        if not e["file"]
    ]
    notes: dict[str, list[str]] = {}
    for e in made:
        for words in e["notes"]:
            notes.setdefault(words, []).append(e["name"])
    for words, names in notes.items():
        about = "" if len(names) == len(made) else f"{', '.join(names)}: "
        blocks.append(Text(clean(f"{about}{words}"), "item"))
    for e in made:
        blocks.append(Pictures(_drawn(e, gallery), 2))
    return Section("Electrodes", tuple(blocks))


def _table(content: Mapping[str, Any], made: Sequence[Mapping[str, Any]]) -> Table:
    columns = [list(_rows(content, e)) for e in made]
    rows = tuple((same[0][0], *(words for _, words in same)) for same in zip(*columns, strict=True))
    head = ("electrode", *(clean(e["name"]) for e in made))
    return Table(head, rows, (2.0, *(3.0 for _ in made)))


def _rows(content: Mapping[str, Any], e: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    setup = next(s for s in content["setups"] if s["number"] == e["setup"])
    x, y, z = (number(v) for v in e["position_mm"])
    yield "burns", f"{e['feature']} in setup {e['setup']}, step {e['step']}, from {e['from_side']}"
    yield "stage, how many", f"{e['stage']}, {e['number']}"
    yield "material", clean(e["material"])
    yield "blank, mm", _by(e["blank_mm"])
    yield "form, mm", _by(e["form_mm"])
    yield (
        "base, mm; shank, mm",
        f"{_by(e['base_mm'])}; Ø{number(e['shank_mm'][0])} x {number(e['shank_mm'][1])}",
    )
    yield "undersize a side, gap, mm", f"{number(e['undersize_mm'])}, {number(e['gap_mm'])}"
    orbit = (
        "none, sunk straight" if not e["orbit_mm"] else f"{clean(e['orbit'])}, radius {number(e['orbit_mm'])}"
    )
    yield "orbit, mm", orbit
    yield "leaves, mm", number(e["leaves_mm"]) if e["leaves_mm"] else "-"
    yield "X / Y / Z of its base, mm", f"{x} / {y} / {z}"
    yield "C, deg", number(e["c_deg"])
    yield "tip under the top, mm", number(e["burn_from_top_mm"])
    if e["corners_mm"]:
        at = (np.array(e["corners_mm"]) - setup["zero"]["origin_mm"]) @ zero_axes(setup).T
        yield "corners it burns, X / Y, mm", "; ".join(f"{number(a)} / {number(b)}" for a, b, _ in at)
    else:
        yield "corners it burns, X / Y, mm", "the whole form"
    yield "spark area, mm²", number(e["spark_area_mm2"], 1)
    yield (
        "smallest width, corner R, mm",
        f"{number(e['smallest_width_mm'], 2)}, {number(e['corner_reached_mm'])}",
    )
    yield "flushing", clean(e["flushing"])
    yield "removes, wears, mm³", f"{number(e['removes_mm3'], 2)}, {number(e['wear_mm3'], 2)}"
    yield "wears at the tip, mm", number(e["wear_mm"], 2)
    least = e["clearance"]
    yield (
        "clear of the part, mm",
        f"{number(least['least_mm'])}, {least['bound']} of {least['probed']} points",
    )
    money = clean(e["currency"])
    yield f"blanks, {money}", f"{e['material_cost_each']:.2f} each, {e['material_cost']:.2f} for what is worn"
    yield "file, its own frame", clean(e["file"])
    yield "file, burned to depth", clean(e["burn_file"])


def _by(size_mm: Sequence[float]) -> str:
    return " x ".join(map(number, size_mm))


def _drawn(e: Mapping[str, Any], gallery: Gallery) -> tuple[tuple[Drawing, str], ...]:
    """From the side and from below, in the electrode's own frame."""
    body = gallery.stock(e["file"])
    x, y, z = np.eye(3)
    front = _view(f"{e['name']} from the side", body, np.array([x, z, -y]), ("X", "Z"))
    below = _view(f"{e['name']} from below", body, np.array([x, -y, -z]), ("X", "-Y"))
    return tuple((sized_drawing(v, _WIDE_MM, _TALL_MM), "") for v in (front, below))


def _view(title: str, body: Body, axes: Array, names: tuple[str, str]) -> SizedView:
    """Along the third of ``axes`` (rows): the extremes of the form, which is under the base, and of all."""
    sight = look([body], axes, hidden=False)
    points = np.asarray(body.mesh.positions)
    form = points[points[:, 2] < -_SAME_MM]
    read: dict[tuple[str, float], Ordinate] = {}
    for some in (form, points, points[np.abs(points[:, 2]) < _SAME_MM]):
        if not len(some):
            continue
        flat = some @ axes[:2].T
        for k, name in enumerate(names):
            for n in (int(flat[:, k].argmin()), int(flat[:, k].argmax())):
                value = round(float(some[n] @ np.abs(axes[k])), 3) + 0.0
                at = float(flat[n, 0]), float(flat[n, 1])
                read.setdefault((name[-1], value), Ordinate(name[-1], value, at))
    return SizedView(title, sight, np.zeros(2), *names, tuple(read.values()), ())
