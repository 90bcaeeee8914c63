"""Sections on the part itself: flags, features, route, edges, doubts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from routing.export import table
from routing.export.report.blocks import Block, Section, Table, Text, clean, number, sizes
from routing.processes.rooms import signs

Content = Mapping[str, Any]
_SEVERITY = ("blocking", "warning", "note")


def flags(content: Content) -> Section:
    """First what stops the job, then what a person should look at."""
    rank = {s: n for n, s in enumerate(_SEVERITY)}
    entries = sorted(content["flags"], key=lambda f: rank.get(f["severity"], len(rank)))
    if not entries:
        return Section("Flags", (Text("None: nothing was found that stops the job or needs a question."),))
    rows = tuple(
        (f["severity"].upper(), f["feature"] or "part", clean(f["message"]), f["code"]) for f in entries
    )
    return Section("Flags", (Table(("weight", "about", "what", "code"), rows, (1.8, 1.2, 9.5, 3.8)),))


def flags_about(content: Content, features: Collection[str]) -> Section | None:
    """The flags of some features, and those of the whole part that stop the job."""
    own = [f for f in content["flags"] if f["feature"] in features or f["severity"] == _SEVERITY[0]]
    return flags({**content, "flags": own}) if own else None


def doubts(content: Content) -> Section | None:
    if not content["doubts"]:
        return None
    rows = tuple(
        (
            d["feature"] or "part",
            clean(d["question"]),
            ", ".join(map(str, d["answers"])),
            number(d["confidence"], 2),
        )
        for d in content["doubts"]
    )
    text = Text(
        "Questions that only a person can answer. Until then the route stands on the likelier reading."
    )
    return Section(
        "To be settled", (text, Table(("feature", "question", "answers", "sureness"), rows, (1, 6, 4, 1)))
    )


def palette_key(feature: Mapping[str, Any]) -> str:
    blank = feature["process"] == "none" and feature["kind"] == "outside face"
    return "blank" if blank else str(feature["process"])


def label(feature: Mapping[str, Any]) -> str:
    """As the pictures name it: id and the letter of its process."""
    return f"{feature['id']} {signs()[palette_key(feature)].letter}"


def features(content: Content) -> Section:
    rows, verdicts = [], []
    for f in content["features"]:
        names = [n for n in dict.fromkeys(face["name"] for face in f["faces"]) if n]
        lines = [*sizes(f["dims"])]
        if f["thread"]:
            lines.insert(
                0, f["thread"]["designation"] or "thread to be told: " + " or ".join(f["thread"]["asked"])
            )
        lines += [callout(c) for c in f["callouts"]]
        if names:
            lines.append("named in the file: " + clean(", ".join(names)))
        rows.append(
            (
                f["id"],
                f["kind"],
                "; ".join(lines) or "-",
                " ".join(f["opens_to"]) or "-",
                "with the blank" if palette_key(f) == "blank" else f["process"],
                number(f["confidence"], 2),
                ", ".join(f["flags"]) or "-",
            )
        )
        for n, w in enumerate(f["why"]):
            mark = "chosen" if w["process"] == f["process"] else "workable" if w["workable"] else "no"
            short = f" (short by {number(w['shortfall_mm3'])} mm³)" if w["shortfall_mm3"] else ""
            verdicts.append((f["id"] if n == 0 else "", w["process"], mark, clean(w["reason"]) + short))
    head = ("id", "kind", "sizes, mm", "opens to", "process", "sure", "flags")
    blocks: list[Block] = [Table(head, tuple(rows), (1, 2.5, 6.1, 1.3, 2.2, 1, 3.6))]
    if verdicts:
        blocks += [
            Text(
                "What each process could do, asked in the trade's order; the first workable one is chosen.",
                "note",
            ),
            Table(("id", "process", "verdict", "reason"), tuple(verdicts), (1, 2.2, 1.6, 12)),
        ]
    return Section("Features", tuple(blocks))


def callout(entry: Mapping[str, Any]) -> str:
    """A dimension or tolerance of the file in a few words."""
    parts = [clean(entry["kind"])]
    if entry.get("value_mm") is not None:
        parts.append(number(entry["value_mm"], 5))
    if entry.get("upper_mm") is not None and entry.get("lower_mm") is not None:
        parts.append(f"{entry['upper_mm']:+g}/{entry['lower_mm']:+g}")
    parts += [clean(entry[k]) for k in ("datum", "text") if entry.get(k)]
    return " ".join(parts)


def route(content: Content) -> Section:
    """Operations in order with their reasons; remarks that several share stand once, below."""
    remarks: dict[str, str] = {}
    rows = []
    for o in content["operations"]:
        why = [f"after {', '.join(map(str, o['after']))}"] if o["after"] else []
        why += dict.fromkeys(map(clean, o["because"]))
        marks = []
        for note in o["notes"]:
            if note != o["stage"] and not note.startswith("after "):
                marks.append(remarks.setdefault(note, _letter(len(remarks))))
        rows.append(
            (
                str(o["number"]),
                f"{o['stage']} ({o['process']})" if o["process"] != o["stage"] else o["stage"],
                str(o["setup"]),
                o["from_side"],
                " ".join(o["features"]),
                "; ".join(why) or "first",
                number(o["minutes"], 1),
                " ".join(marks) or "-",
            )
        )
    head = ("op", "work", "setup", "side", "features", "reason for its place", "min", "remarks")
    blocks: list[Block] = [Table(head, tuple(rows), (0.8, 3, 1.1, 1.5, 4, 5.5, 1.1, 1.5))]
    blocks += [Text(f"{mark}  {clean(note)}", "note") for note, mark in remarks.items()]
    return Section("Route", tuple(blocks))


def plan(content: Content) -> Section:
    """The setups at a glance: what each does, how it is held, where its zero is."""
    rows = []
    for s in content["setups"]:
        steps = [f"{t['number']} {t['stage']}: {_few(t['features'])}" for t in s["steps"]]
        weak = "" if s["grade"] == "holds" else f" ({s['grade']})"
        rows.append(
            (
                str(s["number"]),
                f"{s['process']}, {s['from_side']}",
                "; ".join(steps),
                f"{s['held_by']}{weak}",
                s["zero"]["kind"] or "none",
                number(sum(t["minutes"] for t in s["steps"]), 0),
            )
        )
    head = ("setup", "machine, side up", "steps", "held by", "zero", "min")
    return Section("Plan", (Table(head, tuple(rows), (0.8, 2.4, 8, 1.6, 1.6, 0.8)),))


def _few(ids: Sequence[str], most: int = 10) -> str:
    return " ".join(ids) if len(ids) <= most else f"{' '.join(ids[:most])} and {len(ids) - most} more"


def _letter(n: int) -> str:
    return chr(97 + n) if n < 26 else _letter(n // 26 - 1) + chr(97 + n % 26)


def holding(content: Content) -> Section | None:
    """How each setup is held, and why the ways before it are not taken."""
    if not (setups := content.get("setups")):
        return None
    rows = []
    for s in setups:
        why = [f"{a['way']}: {clean(a['reason'])}" for a in s["refused"]]
        grade = "" if s["grade"] == "holds" else f" ({s['grade']})"
        text = (f"{s['number']}", s["process"], s["from_side"], f"{s['held_by']}{grade}", clean(s["reason"]))
        rows.append((*text, "; ".join(why) or "-"))
    head = ("setup", "process", "up", "held by", "how", "asked before")
    blocks: list[Block] = [
        Text("Forces, stresses and areas are estimates: a person who knows the machine looks first.", "note"),
        Table(head, tuple(rows), (1.1, 1.8, 1.2, 1.6, 5, 5.8)),
        zeros(content),
    ]
    threads = {t["feature"]: t for s in setups for t in s["threads"]}
    if threads:
        lines = [
            (
                f"{t['thread']} {t['feature']}",
                t["grade"],
                *(
                    "-" if t[k] is None else number(t[k], n)
                    for k, n in (("wall_mm", 2), ("floor_mm", 2), ("engaged_mm", 1), ("pull_n", 0))
                ),
                "/".join(
                    "-" if t[k] is None else number(t[k], 0) for k in ("strip_mpa", "ring_mpa", "floor_mpa")
                ),
                number(t["allowed_mpa"], 0),
            )
            for t in threads.values()
        ]
        names = (
            "thread",
            "grade",
            "wall, mm",
            "floor, mm",
            "engaged, mm",
            "pull, N",
            "MPa shorn/spread/bent",
            "allowed, MPa",
        )
        blocks.append(Table(names, tuple(lines), (1.8, 1.2, 1, 1, 1.3, 1.2, 3, 1.2)))
    if fragile := content.get("fragile"):
        rough = [
            (f["feature"], clean(f["words"]), " ".join(number(c, 2) for c in f["place_mm"])) for f in fragile
        ]
        blocks.append(Table(("fragile", "what may break out", "place in the model"), tuple(rough), (1, 6, 3)))
    return Section("Holding", tuple(blocks))


def zeros(content: Content) -> Table:
    """Each zero once, with the setups that count from it."""
    rows = tuple((numbers, clean(words)) for numbers, words in table.zeros(content))
    return Table(("setup", "zero, from which all numbers of the setup count"), rows, (1.8, 14.7))


def edge_table(content: Content) -> Iterator[Block]:
    """Edges that share a verdict and a reason in one row; the pictures bear the same ids."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = defaultdict(list)
    order = {"keep sharp": 0, "must break": 1}
    for e in sorted(content["edges"], key=lambda e: order.get(e["verdict"], 2)):
        groups[e["verdict"], e["reason"]].append(e)
    rows = tuple(
        (
            verdict,
            clean(reason),
            str(len(es)),
            number(sum(e["length_mm"] for e in es), 1),
            " ".join(e["id"] for e in es),
        )
        for (verdict, reason), es in groups.items()
    )
    if rows:
        yield Table(("verdict", "reason", "edges", "mm in all", "ids"), rows, (1.6, 4.5, 0.9, 1.2, 7))
