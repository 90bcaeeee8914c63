"""A sheet for each setup: how it stands and is held, its zero, what is cut in it with what, what to watch."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from routing.export.report.blocks import Block, Facts, Pictures, Section, Table, Text, clean, number
from routing.export.report.gallery import Gallery
from routing.export.report.hole_sections import gauge
from routing.export.report.inspecting import instrument
from routing.export.report.main_sections import Content
from routing.export.report.sized_drawing import sized_drawing
from routing.export.sized import size_words
from routing.processes.rooms import signs

_FULL, _HALF = 177.0, 87.0
_TALL, _PLAN, _CUT = 54.0, 92.0, 54.0


def sheet(content: Content, setup: Mapping[str, Any], gallery: Gallery) -> Section:
    """The sheet of one setup."""
    return Section(title_of(setup), tuple(_blocks(content, setup, gallery)))


def title_of(setup: Mapping[str, Any]) -> str:
    side = setup["from_side"]
    return f"Setup {setup['number']}: {setup['process']}, {'all sides' if side == 'all' else f'{side} up'}"


def is_machined(setup: Mapping[str, Any]) -> bool:
    return setup["process"] in signs()


def _blocks(content: Content, setup: Mapping[str, Any], gallery: Gallery) -> Iterator[Block]:
    yield Facts(tuple(_facts(setup)), wide=True)
    if is_machined(setup) and gallery.is_drawn(setup):
        before = (gallery.before(setup, _HALF, _TALL), "as it comes: zero, axes, what holds it")
        if setup["stock_before"] == setup["stock_after"]:
            text = "as it leaves: the stock files show nothing of what is done here"
        else:
            text = "as it leaves: what is cut here in the hatch of the process"
        yield Pictures((before, (gallery.after(setup, _HALF, _TALL), text)), 2)
        yield _steps(content, setup)
        for n, view in enumerate(gallery.sized(setup)):
            yield Pictures(((sized_drawing(view, _FULL, _CUT if n else _PLAN), ""),))
    else:
        yield _steps(content, setup)
    yield from tools(content, setup["number"])
    yield from _cautions(content, setup)
    yield from _gauges(content, setup)


def _facts(setup: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield "Zero", clean(setup["zero"]["words"])
    weak = "" if setup["grade"] == "holds" else f" ({setup['grade']})"
    yield "Held by", clean(f"{setup['held_by']}{weak}: {setup['reason']}")
    if setup["held_by"] == "threads":
        used = [f for f in setup["fixtures"] if f["kind"] == "screw"]
        torque = {t["feature"]: t for t in setup["threads"]}
        own = [torque[f["bears_on"]] for f in used]
        lines = [f"{t['thread']} {t['feature']}: {number(t['torque_nm'], 1)} Nm" for t in own]
        yield "Torque", f"{'; '.join(lines)} (estimates, VDI 2230 with a friction of 0.12)"
    if setup["fixtures"]:
        yield "Fixtures", clean(", ".join(f["name"] for f in setup["fixtures"]))
    before, after = setup["stock_before"] or "-", setup["stock_after"] or "-"
    yield "Stock", clean(f"comes as {before}, leaves as {after}")
    if setup["model"]:
        yield "Model", clean(f"{setup['model']}: part, stock, fixtures, axes of the zero")


def _steps(content: Content, setup: Mapping[str, Any]) -> Table:
    """A row for each pass, those alike together: what with, how far down, what stays and who takes it off."""
    rows = [row for step in setup["steps"] for row in _rows(content, setup, step)]
    head = ("step", "work", "feature, size to reach", "tool", "Z from / to, mm", "leaves, mm", "min")
    return Table(head, tuple(rows), (0.9, 1.9, 5.0, 3.7, 2.1, 3.3, 0.8))


def _rows(content: Content, setup: Mapping[str, Any], step: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    by_id = {f["id"]: f for f in content["features"]}
    by_words: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for p in step["passes"]:
        left = _left(p["leaves_mm"])
        taken = f", taken off by {p['taken_off_by']}" if p["taken_off_by"] else ", stays"
        # At the bench the part is handled, no size is reached.
        words = pass_words(content, setup, step, by_id[p["feature"]]) if step["process"] in signs() else ""
        key = (
            f"{p['region']} {by_id[p['feature']]['kind']}".strip() + (f": {words}" if words else ""),
            p["tool"]["words"] if p["tool"] else "-",
            " / ".join(number(h) for h in p["heights_mm"]) if step["process"] in signs() else "-",
            f"{left}{taken}" if left else "-",
        )
        by_words.setdefault(key, []).append(p)
    for (words, tool, heights, leaves), same in by_words.items():
        ids = " ".join(dict.fromkeys(p["feature"] for p in same))
        minutes = number(sum(p["minutes"] for p in same), 1)
        # In each row: a page that ends in between leaves no row without its step.
        yield (
            str(step["number"]),
            step["stage"],
            clean(f"{ids} {words}"),
            clean(tool),
            heights,
            leaves,
            minutes,
        )


def _left(leaves_mm: Mapping[str, float]) -> str:
    """What stays where: "0.1 all over", "0.01 floor"."""
    sizes = {number(v) for v in leaves_mm.values()}
    if len(leaves_mm) > 1 and len(sizes) == 1 and all(leaves_mm.values()):
        return f"{sizes.pop()} all over"
    return ", ".join(f"{number(v)} {k}" for k, v in leaves_mm.items() if v)


def pass_words(
    content: Content, setup: Mapping[str, Any], step: Mapping[str, Any], feature: Mapping[str, Any]
) -> str:
    """What a step makes of a feature: of a bore its rows in the hole table, else the feature's sizes."""
    own = setup["number"], step["number"], feature["id"]
    rows = content.get("holes", {}).get("rows", ())
    words = [hole_words(h) for h in rows if (h["setup"], h["step"], h["feature"]) == own]
    return clean("; ".join(words)) if words else size_words(feature)


def hole_words(row: Mapping[str, Any]) -> str:
    """A row of the hole table in short."""
    thread = f", {row['thread']}" if row["thread"] and row["hand"] else ""
    deep = f"{number(row['from_mm'])} to {number(row['to_mm'])}"
    return f"{row['what']} Ø{number(row['diameter_mm'])} {deep}, {row['bottom']}{thread}"


def tools(content: Content, setup: int | None) -> Iterator[Block]:
    """The tools of a setup, or of the job."""
    rows = tuple(
        (
            clean(t["tool"]),
            clean(t["sizes"]) or "-",
            "-" if t["stick_out_mm"] is None else number(t["stick_out_mm"], 1),
            number(t["reach_mm"], 2),
            " ".join(map(str, t["steps"])),
            _few(t["features"]),
            number(t["minutes"], 1),
            _share(t["life_share"]),
            "-" if t["cost"] is None else f"{t['cost']:.2f}",
            clean(t["get"]) or "-",
        )
        for t in content.get("tools", ())
        if t["setup"] == setup
    )
    if rows:
        money = content["estimate"]["currency"]
        out, down = "sticks out, mm", "goes down, mm"
        head = ("tool", "measures, mm", out, down, "steps", "at", "min", "life", clean(money), "to get")
        yield Table(head, rows, (3.2, 4.2, 1.5, 1.7, 1.2, 2.4, 1, 1, 1.1, 1.8))


def _share(share: float | None) -> str:
    return "-" if share is None else "< 1%" if share < 0.01 else f"{share:.0%}"


def _few(ids: Sequence[str], most: int = 9) -> str:
    return " ".join(ids) if len(ids) <= most else f"{' '.join(ids[:most])} and {len(ids) - most} more"


def _cautions(content: Content, setup: Mapping[str, Any]) -> Iterator[Block]:
    numbers = {s["number"] for s in setup["steps"]}
    lines: list[str] = []
    for o in content["operations"]:
        if o["number"] in numbers:
            lines += [n for n in o["notes"] if n != o["stage"] and not n.startswith("after ")]
    ids = {f for s in setup["steps"] for f in s["features"]}
    machined = is_machined(setup)
    lines += [p["words"] for p in content.get("fragile", ()) if machined and p["feature"] in ids]
    if setup["grade"] != "holds":
        lines.append(f"held {'weakly' if setup['grade'] == 'weak' else 'by nothing'}: cut lightly, add stops")
    once = dict.fromkeys(lines)
    # Nothing that another line says with more.
    for words in _by_words(w for w in once if not any(o != w and o.startswith(w) for o in once)):
        yield Text(clean(words), "item")


def _by_words(lines: Iterable[str]) -> Iterator[str]:
    """What is said alike of several features, once."""
    features: dict[str, list[str]] = {}
    for line in lines:
        feature, _, words = line.partition(" ")
        is_of_one = re.fullmatch(r"F\d+", feature) is not None
        features.setdefault(words if is_of_one else line, []).extend([feature] if is_of_one else [])
    yield from (" ".join([*own, words]) for words, own in features.items())


def _gauges(content: Content, setup: Mapping[str, Any]) -> Iterator[Facts]:
    """What to measure before the part leaves: sizes of features that no later machine touches."""
    if not is_machined(setup):
        return
    last = {
        f: s["number"] for s in content["setups"] if is_machined(s) for t in s["steps"] for f in t["features"]
    }
    done = [f for f in content["features"] if last.get(f["id"]) == setup["number"] and f["dims"]]
    by_tool: dict[str, list[str]] = {}
    for f in done:
        if f["thread"] and f["thread"]["designation"]:
            by_tool.setdefault(gauge(f["thread"]["designation"], 0.0), []).append(f["id"])
        for name in f["dims"]:
            if "point_angle" not in name:
                own = by_tool.setdefault(instrument(name), [])
                own += [f["id"]] if f["id"] not in own else []
    words = "; ".join(f"{clean(tool)}: {' '.join(ids)}" for tool, ids in by_tool.items())
    if words:
        yield Facts((("Gauges", words),), wide=True)
