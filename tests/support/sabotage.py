"""Good folders made bad: each function edits the files of a copy and says what is then wrong."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np

# The feature and the step that a finding must name, None where there is no one feature or step to name.
Expected = tuple[str | None, int | None]
Sabotage = Callable[[Path], Expected | None]
KINDS: dict[str, Sabotage] = {}


def kind(change: Sabotage) -> Sabotage:
    KINDS[change.__name__] = change
    return change


def _route(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "route.json").read_text(encoding="utf-8"))


def _write(folder: Path, route: dict[str, Any]) -> None:
    (folder / "route.json").write_text(json.dumps(route), encoding="utf-8")


def _pass(
    folder: Path, wanted: Callable[[dict[str, Any], dict[str, Any]], Any], change: Any
) -> Expected | None:
    """Changes every pass of the last feature and step with a wanted one."""
    route = _route(folder)
    steps = [(s, p) for setup in route["setups"] for s in setup["steps"] for p in s["passes"] if wanted(s, p)]
    if not steps:
        return None
    step, first = steps[-1]
    for p in step["passes"]:
        if p["feature"] == first["feature"]:
            change(p)
    _write(folder, route)
    return first["feature"], step["number"]


def _row(folder: Path, wanted: Callable[[dict[str, str]], Any], change: Any) -> Expected | None:
    path = folder / "holes.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    row = next((r for r in rows if r["step"] and wanted(r)), None)
    if row is None:
        return None
    change(row)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(row))
        writer.writeheader()
        writer.writerows(rows)
    return row["feature"], int(row["step"])


def _add(row: dict[str, str], by: float, *keys: str) -> None:
    for key in keys:
        row[key] = f"{float(row[key]) + by:.4f}"


def _drilled(row: dict[str, str]) -> bool:
    return row["what"] == "drill"


@kind
def shifted_hole(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, 0.1, "x_mm"))


@kind
def deeper_hole(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, 0.5, "to_mm"))


@kind
def shallow_hole(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, -0.5, "to_mm"))


@kind
def larger_drill(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, 0.6, "diameter_mm", "tool_mm"))


@kind
def smaller_drill(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, -0.6, "diameter_mm", "tool_mm"))


@kind
def larger_relief(folder: Path) -> Expected | None:
    return _row(folder, lambda r: r["what"] == "relief", lambda r: _add(r, 0.4, "diameter_mm"))


@kind
def other_pitch(folder: Path) -> Expected | None:
    return _row(folder, lambda r: r["pitch_mm"], lambda r: _add(r, -0.3, "pitch_mm"))


@kind
def other_thread(folder: Path) -> Expected | None:
    return _row(folder, lambda r: r["pitch_mm"], lambda r: _add(r, 1.0, "diameter_mm"))


@kind
def missing_step(folder: Path) -> Expected | None:
    route = _route(folder)
    for setup in route["setups"]:
        for step in setup["steps"]:
            if step["stage"] in ("grind", "wire", "drill", "erode"):
                setup["steps"].remove(step)
                _write(folder, route)
                return None, step["number"] + 1
    return None


@kind
def wrong_side(folder: Path) -> Expected | None:
    route = _route(folder)
    setup = next((s for s in route["setups"] if s["from_side"] in ("+z", "-z") and s["steps"]), None)
    if setup is None:
        return None
    setup["from_side"] = "-z" if setup["from_side"] == "+z" else "+z"
    _write(folder, route)
    return None, setup["steps"][0]["number"]


@kind
def shifted_zero(folder: Path) -> Expected | None:
    route = _route(folder)
    setup = next(
        (s for s in route["setups"] if any(t["how"] == "face" for t in s["zero"]["touched_off"])), None
    )
    if setup is None:
        return None
    told = next(t for t in setup["zero"]["touched_off"] if t["how"] == "face")
    axis = np.array(setup["zero"][told["axis"].lower()])
    setup["zero"]["origin_mm"] = (np.array(setup["zero"]["origin_mm"]) + 0.5 * axis).tolist()
    _write(folder, route)
    return told["features"][0], setup["steps"][0]["number"]


@kind
def swapped_zero(folder: Path) -> Expected | None:
    route = _route(folder)
    working = [s for s in route["setups"] if s["from_side"] in ("+z", "-z") and s["steps"]]
    if len({tuple(s["zero"]["z"]) for s in working}) < 2:
        return None
    first = working[0]
    other = next(s for s in working if s["zero"]["z"] != first["zero"]["z"])
    first["zero"], other["zero"] = other["zero"], first["zero"]
    _write(folder, route)
    return None, first["steps"][0]["number"]


@kind
def too_big_cutter(folder: Path) -> Expected | None:
    def change(p: dict[str, Any]) -> None:
        if not p["leaves_mm"]["floor"]:
            p["tool"] |= {"diameter_mm": 60.0, "words": "60 flat cutter"}

    route = _route(folder)
    pockets = {f["id"] for f in route["features"] if f["kind"] == "pocket" and f["process"] == "mill"}
    last = None
    for setup in route["setups"]:
        for step in setup["steps"]:
            for p in step["passes"]:
                if p["feature"] in pockets and step["process"] == "mill":
                    change(p)
                    last = p["feature"], step["number"]
    _write(folder, route)
    return last and (last[0], None)


@kind
def too_wide_wheel(folder: Path) -> Expected | None:
    route = _route(folder)
    slots = {f["id"] for f in route["features"] if f["kind"] == "slot"}

    def wanted(step: dict[str, Any], p: dict[str, Any]) -> bool:
        return step["stage"] == "grind" and p["feature"] in slots

    return _pass(folder, wanted, lambda p: p["tool"].update(width_mm=30.0))


@kind
def deeper_pass(folder: Path) -> Expected | None:
    def change(p: dict[str, Any]) -> None:
        p["heights_mm"][1] -= 0.2

    return _pass(folder, lambda s, p: s["stage"] in ("grind", "finish"), change)


@kind
def shallow_pass(folder: Path) -> Expected | None:
    def change(p: dict[str, Any]) -> None:
        p["heights_mm"][1] += 0.2

    return _pass(folder, lambda s, p: s["stage"] in ("grind", "finish"), change)


@kind
def allowance_without_remover(folder: Path) -> Expected | None:
    return _pass(folder, lambda s, p: p["leaves_mm"]["floor"] > 0, lambda p: p.update(taken_off_by=None))


@kind
def allowance_for_earlier_step(folder: Path) -> Expected | None:
    return _pass(folder, lambda s, p: p["leaves_mm"]["floor"] > 0, lambda p: p.update(taken_off_by=1))


@kind
def last_allowance_stays(folder: Path) -> Expected | None:
    def change(p: dict[str, Any]) -> None:
        p["leaves_mm"] = {"floor": 0.1, "wall": 0.0}

    return _pass(folder, lambda s, p: s["stage"] == "grind" and not p["leaves_mm"]["floor"], change)


@kind
def lost_wire_pass(folder: Path) -> Expected | None:
    route = _route(folder)
    passes = route.get("wire", {}).get("passes", [])
    if not passes:
        return None
    lost = passes.pop()
    _write(folder, route)
    return lost["feature"], lost["step"]


def _drawing(folder: Path, change: Callable[[Any], None]) -> Expected | None:
    """Changes every outline of the last wire pass."""
    passes = _route(folder).get("wire", {}).get("passes", [])
    if not passes:
        return None
    told = passes[-1]
    document = ezdxf.readfile(folder / told["file"])
    for line in document.modelspace().query("LWPOLYLINE"):
        if line.dxf.layer in told["layers"]:
            change(line)
    document.saveas(folder / told["file"])
    return told["feature"], told["step"]


def _moved(line: Any, change: Callable[[float, float], tuple[float, float]], turn: float = 1.0) -> None:
    points = [(*change(x, y), s, e, turn * b) for x, y, s, e, b in line.get_points("xyseb")]
    line.set_points(points, format="xyseb")


@kind
def drawing_shifted(folder: Path) -> Expected | None:
    return _drawing(folder, lambda line: _moved(line, lambda x, y: (x + 0.05, y)))


@kind
def drawing_scaled(folder: Path) -> Expected | None:
    return _drawing(folder, lambda line: _moved(line, lambda x, y: (1.01 * x, 1.01 * y)))


@kind
def drawing_mirrored(folder: Path) -> Expected | None:
    return _drawing(folder, lambda line: _moved(line, lambda x, y: (-x, y), -1.0))


@kind
def lead_into_wall(folder: Path) -> Expected | None:
    passes = _route(folder).get("wire", {}).get("passes", [])
    if not passes or not passes[-1]["lead"]:
        return None
    told = passes[-1]
    document = ezdxf.readfile(folder / told["file"])
    for line in document.modelspace().query("LWPOLYLINE"):
        if line.dxf.layer == told["lead"]["layer"]:
            (x0, y0, *_), (x1, y1, *_) = line.get_points()[0], line.get_points()[-1]
            line.set_points([(x0, y0, 0, 0, 0), (x1 + (x1 - x0), y1 + (y1 - y0), 0, 0, 0)], format="xyseb")
    document.saveas(folder / told["file"])
    return told["feature"], told["step"]


def _electrode(folder: Path, change: Callable[[dict[str, Any]], None]) -> Expected | None:
    route = _route(folder)
    made = [e for e in route["electrodes"] if e.get("file")]
    if not made:
        return None
    change(made[-1])
    _write(folder, route)
    return made[-1]["feature"], made[-1]["step"]


@kind
def electrode_without_gap(folder: Path) -> Expected | None:
    """As large for the gap that the generator is set to as one drawn without it."""
    return _electrode(folder, lambda e: e.update(undersize_mm=2 * e["undersize_mm"]))


@kind
def electrode_misplaced(folder: Path) -> Expected | None:
    return _electrode(
        folder, lambda e: e.update(position_mm=[e["position_mm"][0] + 0.05, *e["position_mm"][1:]])
    )


@kind
def electrode_too_high(folder: Path) -> Expected | None:
    return _electrode(
        folder, lambda e: e.update(position_mm=[*e["position_mm"][:2], e["position_mm"][2] + 0.5])
    )


@kind
def other_revision(folder: Path) -> Expected | None:
    route = _route(folder)
    route["part"]["sha256"] = "0" * 64
    _write(folder, route)
    return None, None


def _last_stock(folder: Path) -> Path | None:
    found = sorted((folder / "stock").glob("*.stl"))
    return found[-1] if len(found) > 1 else None


@kind
def stock_tampered(folder: Path) -> Expected | None:
    path = _last_stock(folder)
    if path is None:
        return None
    data = bytearray(path.read_bytes())
    facets = np.frombuffer(data, np.dtype([("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")]), -1, 84)
    facets["p"][:, :, 0] += 0.2
    path.write_bytes(data)
    return None, int(path.name[3:5])


@kind
def stock_missing(folder: Path) -> Expected | None:
    path = _last_stock(folder)
    if path is None:
        return None
    path.unlink()
    return None, int(path.name[3:5])


@kind
def stock_of_unknown_step(folder: Path) -> Expected | None:
    path = _last_stock(folder)
    if path is None:
        return None
    (folder / "stock" / "90-91-grind.stl").write_bytes(path.read_bytes())
    return None, 91


@kind
def blank_too_small(folder: Path) -> Expected | None:
    path = next((folder / "stock").glob("00-00-*.stl"))
    data = bytearray(path.read_bytes())
    facets = np.frombuffer(data, np.dtype([("n", "<f4", 3), ("p", "<f4", (3, 3)), ("a", "<u2")]), -1, 84)
    facets["p"][:, :, 0] += 0.2
    path.write_bytes(data)
    return None, None


@kind
def short_stick_out(folder: Path) -> Expected | None:
    """The holder down among what stands beside the deepest milled pocket."""
    route = _route(folder)
    deep = [
        (p["heights_mm"][0] - p["heights_mm"][1], s["number"], p)
        for setup in route["setups"]
        for s in setup["steps"]
        for p in s["passes"]
        if p.get("held") and s["stage"] in ("finish", "semi finish", "rough")
    ]
    found = [d for d in deep if d[0] > 3.0]
    if not found:
        return None
    feature = max(found, key=lambda d: d[0])[2]["feature"]
    for _, _, p in deep:
        if p["feature"] == feature:
            p["tool"]["neck_mm"] = 1.0
            p["held"] |= {"stick_out_mm": 1.0, "holder_mm": 60.0}
    _write(folder, route)
    return feature, None


@kind
def fixture_over_the_part(folder: Path) -> Expected | None:
    """A block of the magnet's as high as the part and over all of it."""
    route = _route(folder)
    for setup in route["setups"]:
        ground = [s for s in setup["steps"] if s["stage"] in ("grind", "rough", "finish") and s["passes"]]
        boxes = [f for f in setup["fixtures"] if f["kind"] not in ("screw", "pin")]
        if ground and boxes:
            box = boxes[-1]
            box["low_mm"] = [-500.0, -500.0, box["low_mm"][2]]
            box["high_mm"] = [500.0, 500.0, 50.0]
            _write(folder, route)
            return None, ground[0]["number"]
    return None


@kind
def hole_from_wrong_mouth(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, -2.0, "mouth_z_mm"))


@kind
def hole_moved_along_y(folder: Path) -> Expected | None:
    return _row(folder, _drilled, lambda r: _add(r, -0.05, "y_mm"))


@kind
def relief_too_deep(folder: Path) -> Expected | None:
    return _row(folder, lambda r: r["what"] == "relief", lambda r: _add(r, 1.0, "to_mm"))


@kind
def wire_on_the_other_side(folder: Path) -> Expected | None:
    """An outline drawn the other way round is cut outside."""

    def turn(line: Any) -> None:
        points = line.get_points("xyseb")
        bulges = [-b for *_, b in points]
        after = [(x, y, s, e, 0.0) for x, y, s, e, _ in points][::-1]
        order = bulges[-2::-1] + bulges[-1:]
        turned = [(*p[:4], b) for p, b in zip(after, order, strict=True)]
        line.set_points(turned, format="xyseb")

    return _drawing(folder, turn)


@kind
def lost_land(folder: Path) -> Expected | None:
    """The pass that makes a land's walls straight is gone, what leans stays."""
    route = _route(folder)
    passes = route.get("wire", {}).get("passes", [])
    lands = [p for p in passes if p["makes"] == "land"]
    if not lands or all(p["makes"] == "land" for p in passes):
        return None
    passes.remove(lands[-1])
    _write(folder, route)
    return lands[-1]["feature"], lands[-1]["step"]


@kind
def stock_of_another_step(folder: Path) -> Expected | None:
    """The last body is the blank's, as if it had never been cut."""
    path = _last_stock(folder)
    if path is None:
        return None
    path.write_bytes(next((folder / "stock").glob("00-00-*.stl")).read_bytes())
    return None, int(path.name[3:5])


def _clamp(route: dict[str, Any], setup: int, low: list[float], high: list[float]) -> None:
    entry = next(s for s in route["setups"] if s["number"] == setup)
    entry["fixtures"].append({"name": "clamp 9", "kind": "clamp", "low_mm": low, "high_mm": high})


@kind
def clamp_over_a_hole(folder: Path) -> Expected | None:
    return _beside_a_hole(folder, lambda r: True, lambda z: (z["mouth_z_mm"] + 1, z["mouth_z_mm"] + 9))


@kind
def parallel_under_a_hole(folder: Path) -> Expected | None:
    def under(z: dict[str, float]) -> tuple[float, float]:
        return z["mouth_z_mm"] - z["to_mm"] - 10, z["mouth_z_mm"] - z["to_mm"] - 0.01

    return _beside_a_hole(folder, lambda r: r["bottom"] == "through", under)


def _beside_a_hole(
    folder: Path, wanted: Callable[[dict[str, str]], bool], heights: Callable[[dict[str, float]], Any]
) -> Expected | None:
    path = folder / "holes.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    row = next((r for r in rows if r["step"] and not r["pitch_mm"] and wanted(r)), None)
    if row is None:
        return None
    at = {k: float(row[k]) for k in ("x_mm", "y_mm", "mouth_z_mm", "to_mm")}
    low, high = heights(at)
    route = _route(folder)
    x, y = at["x_mm"], at["y_mm"]
    _clamp(route, int(row["setup"]), [x, y - 5, low], [x + 12, y + 5, high])
    _write(folder, route)
    return row["feature"], int(row["step"])


@kind
def clamp_on_the_wires_way(folder: Path) -> Expected | None:
    route = _route(folder)
    passes = route.get("wire", {}).get("passes", [])
    if not passes:
        return None
    told = passes[-1]
    outlines = ezdxf.readfile(folder / told["file"]).modelspace().query("LWPOLYLINE")
    line = next(o for o in outlines if o.dxf.layer == told["layers"][0])
    x, y, *_ = line.get_points()[0]
    setup = next(s["number"] for s in route["setups"] if any(t["number"] == told["step"] for t in s["steps"]))
    high = max(told["heights_mm"])
    _clamp(route, setup, [x - 3, y - 3, high], [x + 3, y + 3, high + 8])
    _write(folder, route)
    return told["feature"], told["step"]
