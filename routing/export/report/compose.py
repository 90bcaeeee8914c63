"""The whole report of one part, the sheets of its setups, and a short pack for each reader."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array
from routing.export.report import (
    cheaper,
    hole_sections,
    inspecting,
    money_sections,
    other_sections,
    stock_sections,
)
from routing.export.report import main_sections as main
from routing.export.report.blocks import (
    Block,
    Pictures,
    Report,
    Section,
    Text,
    clean,
    general,
    number,
    words_of,
)
from routing.export.report.codes import codes
from routing.export.report.electrode_sheet import electrodes
from routing.export.report.gallery import Gallery
from routing.export.report.packs import Pack, pack, readers
from routing.export.report.pictures import Subject, exploded, height_of, legend, picture, scale_of
from routing.export.report.setup_sheets import is_machined, sheet, title_of, tools
from routing.export.report.traveller import traveller

SIDES = {
    "+z": "working side (+z)",
    "-z": "mounting side (-z)",
    "-y": "from -y",
    "+y": "from +y",
    "-x": "from -x",
    "+x": "from +x",
}
_FULL, _HALF, _THIRD = 177.0, 87.0, 57.0


@dataclass(frozen=True, eq=False)
class Paper:
    """What all papers of a job are made from; ``grinding`` has the sketches by setup, 0 where none is ground.

    ``drawing`` is the part's own with sizes, None where it is not drawn; ``toolroom`` names whose papers
    these are, ``date`` is as chosen, ``page`` the address that the traveller's codes link to. ``asked`` has
    what the customer's drawing says and leaves open.
    """

    content: Mapping[str, Any]
    gallery: Gallery
    grinding: Mapping[int, Section]
    drawing: Section | None = None
    toolroom: str = ""
    date: str = ""
    page: str = ""
    asked: Section | None = None

    @property
    def subject(self) -> Subject:
        return self.gallery.subject


class Composer:
    """Makes papers; a section that several of them have is made once."""

    def __init__(self, paper: Paper) -> None:
        self._paper, self.content, self.subject = paper, paper.content, paper.subject
        self._names = {f["id"]: main.label(f) for f in self.content["features"]}
        self._sheets: dict[int, Section] = {}
        self._pictures: Section | None = None
        self.title = clean(self.content["part"]["name"])

    def report(self) -> Report:
        """Everything."""
        content = self.content
        machined = [s for s in content["setups"] if is_machined(s)]
        found = [
            main.flags(content),
            main.doubts(content),
            self._paper.asked,
            self.pictures(),
            main.features(content),
            main.route(content),
            main.holding(content),
            *(self.sheet(s) for s in machined),
            self._tools(),
            hole_sections.holes(content),
            self._paper.drawing,
            *self._paper.grinding.values(),
            hole_sections.wire(content),
            electrodes(content, self._paper.gallery),
            stock_sections.left_behind(content),
            _edges(content, self.subject),
            stock_sections.stock(content),
            stock_sections.dry_run(content),
            inspecting.inspection(content),
            money_sections.estimate(content),
            cheaper.section(content, self.subject),
            *other_sections.others(content),
            other_sections.cautions(),
            traveller(content, self._paper.toolroom),
        ]
        return Report(self.title, tuple(self.head()), tuple(s for s in found if s is not None))

    def sheet(self, setup: Mapping[str, Any]) -> Section:
        number_ = setup["number"]
        if number_ not in self._sheets:
            self._sheets[number_] = sheet(self.content, setup, self._paper.gallery)
        return self._sheets[number_]

    def sheet_report(self, setup: Mapping[str, Any]) -> Report:
        """A setup's sheet as a paper of its own, with the cautions of the trade."""
        own = {setup["number"]}
        found = [self.sheet(setup), *self._shop_sections(own), other_sections.cautions(small=True)]
        return Report(self.title, tuple(self._short_head()), tuple(found), title_of(setup))

    def packs(self) -> Iterator[Pack]:
        for reader in readers(self.content["setups"]):
            yield pack(reader, self.title, tuple(self._short_head()), self._for(reader))

    def _for(self, reader: str) -> Iterator[Section]:
        content = self.content
        if reader == "die maker":
            yield main.flags(content)
            if (asked := main.doubts(content)) is not None:
                yield asked
            yield self._overview()
            yield main.plan(content)
        elif reader == "traveller":
            yield _flowing(traveller(content, self._paper.toolroom))
            yield codes(content, self._paper.page)
        elif reader == "quote":
            yield money_sections.quote(content)
        else:
            setups = [s for s in content["setups"] if s["process"] == reader]
            flags = main.flags_about(content, {f for s in setups for t in s["steps"] for f in t["features"]})
            if flags is not None:
                yield flags
            yield from map(self.sheet, setups)
            yield from self._shop_sections({s["number"] for s in setups})
            yield other_sections.cautions(small=True)

    def _shop_sections(self, setups: set[int]) -> Iterator[Section]:
        """What sections of the report say of some setups."""
        features = {
            f
            for s in self.content["setups"]
            if s["number"] in setups
            for t in s["steps"]
            for f in t["features"]
        }
        burnt = electrodes(self.content, self._paper.gallery, setups)
        for section in (
            hole_sections.holes(self.content, setups),
            hole_sections.wire(self.content, setups),
            burnt,
        ):
            if section is not None:
                yield section
        yield from (s for n, s in self._paper.grinding.items() if n in setups)
        for key, value in self.content.items():
            own = [r for r in value if r.get("feature") in features] if _is_rows(value) else []
            if key not in other_sections.KNOWN and own and self._is_made_in(own, setups):
                yield Section(words_of(key).capitalize(), tuple(general(own)))

    def _is_made_in(self, rows: Sequence[Mapping[str, Any]], setups: set[int]) -> bool:
        """Whether rows of a process's own key are about the process of these setups."""
        own = {self._process_of(r["feature"]) for r in rows}
        return bool(own & {s["process"] for s in self.content["setups"] if s["number"] in setups})

    def _process_of(self, feature: str) -> str:
        return str(next(f["process"] for f in self.content["features"] if f["id"] == feature))

    def _tools(self) -> Section:
        blocks = tuple(tools(self.content, None))
        return Section("Tools of the job", blocks or (Text("None."),))

    def head(self) -> list[tuple[str, str]]:
        content = self.content
        part, entry = content["part"], content["estimate"]
        stops = sum(f["severity"] == "blocking" for f in content["flags"])
        more = len(content["flags"]) - stops
        return [
            ("Part", clean(part["name"])),
            ("Toolroom", clean(self._paper.toolroom) or "________________"),
            ("Material", clean(part["material"])),
            ("Box", " x ".join(map(number, part["box_mm"])) + " mm"),
            (
                "Working side",
                f"{part['working_side']} of the model (sure {number(part['sides']['confidence'], 2)})",
            ),
            ("Mounting side", f"{part['mounting_side']} of the model"),
            ("Model file", f"{clean(part['source'])}, drawn in {part['source_units']}"),
            ("SHA-256", " ".join(part["sha256"][k : k + 16] for k in range(0, 64, 16))),
            ("Operations", f"{len(content['operations'])} in {entry['setups']} setups"),
            ("Flags", f"{stops} blocking, {more} others" if content["flags"] else "none"),
            (
                "Estimate",
                f"{number(entry['minutes'], 0)} min, {number(entry['cost'], 0)} {clean(entry['currency'])} "
                f"({number(entry['cost_low'], 0)} to {number(entry['cost_high'], 0)}); not an offer",
            ),
            ("Date, name", f"{clean(self._paper.date)} ________________".strip()),
        ]

    def _short_head(self) -> list[tuple[str, str]]:
        wanted = ("Part", "Toolroom", "Material", "Box", "Model file", "Date, name")
        return [pair for pair in self.head() if pair[0] in wanted]

    def _overview(self) -> Section:
        """One picture of the part and what its hatches mean."""
        return Section("Part", (*self._whole(82), Pictures(((self._legend(), ""),))))

    def _whole(self, most_mm: float) -> tuple[Block, ...]:
        high = height_of(self.subject, "iso", _FULL, most_mm)
        drawn = picture(
            self.subject, "iso", _FULL, high, "The part from above, its features named", names=self._names
        )
        text = "seen from the corner between +x, -y and the working side; axes are the part's own"
        return (Pictures(((drawn, text),)),)

    def _legend(self) -> Any:
        return legend(sorted({main.palette_key(f) for f in self.content["features"]}))

    def pictures(self) -> Section:
        if self._pictures is not None:
            return self._pictures
        heights = scale_of(self.subject, list(SIDES), _THIRD, 60)
        sides = tuple(
            (
                picture(
                    self.subject,
                    view,
                    _THIRD,
                    heights[view],
                    f"The part, {text}",
                    scale=heights["scale"],
                    names=self._names,
                ),
                text,
            )
            for view, text in SIDES.items()
        )
        entry = self.content["part"]["healed"]
        healed = [Text("Healed when read: " + clean("; ".join(entry)))] if entry else []
        blocks = (*self._whole(100), Pictures(((self._legend(), ""),)), *healed, Pictures(sides, 3))
        self._pictures = Section("Pictures", blocks)
        return self._pictures


def _flowing(section: Section) -> Section:
    """Without a page of its own: it comes first."""
    return Section(section.title, section.blocks)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


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


def _edges(content: Mapping[str, Any], subject: Subject) -> Section:
    views = (("iso", "working side up"), ("iso below", "mounting side up to the eye"))
    drawn = tuple(
        (picture(subject, view, _HALF, 68, f"Edges, {text}", edges_only=True), text) for view, text in views
    )
    return Section("Edge map", (Pictures(drawn, 2), *main.edge_table(content)))


def explode_map(
    subject: Subject, content: Mapping[str, Any], source: list[int]
) -> list[tuple[int, list[float]]]:
    """For the viewer: how far each face (as read) moves."""
    moves = exploded(subject, steps(content, subject))
    return [(source[k], [round(float(v), 3) for v in m]) for k, m in enumerate(moves) if np.any(m)]
