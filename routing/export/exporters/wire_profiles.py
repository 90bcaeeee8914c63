"""The wire's drawings and its programme sheet, and what the route says of them.

One drawing for each side that the wire is set up from, in the zero of the setup (see ``routing.plan.zero``),
as are all numbers of the sheet and of the route file's ``wire``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.work import Work
from routing.processes.flags import Flag, Severity

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.surfaces import Array
    from routing.export.wire_sheet import PlacedPath
    from routing.plan.plan import Pass, PlannedStep
    from routing.processes.wire.paths import Silhouettes

ORDER = 30
AFTER = ()
STEM = "wire_profiles"
SHEET = "wire_passes.csv"
FILES = (f"{STEM}*.dxf", SHEET)
_SEVERITY = {
    "start-hole-none": Severity.BLOCKING,
    "start-hole-tight": Severity.WARNING,
    "wire-lead-blocked": Severity.WARNING,
    "wire-loose-piece": Severity.WARNING,
    "wire-part-falls": Severity.WARNING,
    "slug": Severity.NOTE,
}


def write(work: Work, folder: Path) -> dict[str, Any]:
    """One drawing for each side and one sheet; an empty sheet and {} where nothing is wired."""
    from featurize.brep.solids import facets
    from routing.export.wire_drawing import draw
    from routing.export.wire_sheet import text
    from routing.processes.protocol import Stage, feature_of
    from routing.processes.wire.paths import Silhouettes
    from routing.processes.wire.verdict import WireVerdict

    wired = [
        (step, p)
        for step in work.plan.steps
        if step.stage == Stage.WIRE
        for p in step.passes
        if isinstance(p.task.verdict, WireVerdict)
    ]
    if not wired:
        (folder / SHEET).write_text(
            text([]), encoding="utf-8", newline=""
        )  # empty, as every table without rows
        return {}
    blank = facets(work.stock.blank.solid).reshape(-1, 3)
    silhouettes = Silhouettes(work.part)
    every: list[PlacedPath] = []
    flags: list[Flag] = []
    for step, p in wired:
        own = _placed(work, step, p, blank, silhouettes)
        if not own:
            message = f"{p.feature}: its walls give no outline across the wire: draw the path by hand."
            flags.append(Flag("wire-no-outline", Severity.WARNING, p.feature, message))
        every += own
    every = _apart(every)
    for name in dict.fromkeys(q.file for q in every):
        made = [q for q in every if q.file == name]
        draw(made, folder / name, _title(work, made), _behind(silhouettes, blank, made[0]))
    (folder / SHEET).write_text(
        text(every), encoding="utf-8", newline=""
    )  # empty without wire, as every table
    for q in every:
        flags += [
            Flag(code, _SEVERITY[code], feature_of(q.path.feature), message)
            for code, message in q.path.faults
        ]
    return _told(every, flags)


def _placed(
    work: Work, step: PlannedStep, p: Pass, blank: Array, silhouettes: Silhouettes
) -> list[PlacedPath]:
    from routing.export.wire_sheet import PlacedPath
    from routing.processes.wire.effort import minutes_of
    from routing.processes.wire.paths import paths
    from routing.processes.wire.verdict import WireVerdict

    job, setup, verdict = work.plan.job, work.plan.setup_of(step.number), p.task.verdict
    assert isinstance(verdict, WireVerdict)
    along = step.approach.direction
    height = verdict.height_mm or job.extent_mm(along)
    return [
        PlacedPath(
            path,
            setup.number,
            step.number,
            setup.zero,
            _file(step.approach.side),
            tuple(minutes_of(job, leg.made, height, path.wire) for leg in path.legs),
        )
        for path in paths(job, p.task.feature, verdict, along, blank, silhouettes)
    ]


def _file(side: str) -> str:
    """wire_profiles.dxf from the working side, else with the side's name."""
    named = {"+": "", "-": "minus_"}.get(side[:1])
    if side == "+z":
        return f"{STEM}.dxf"
    return (
        f"{STEM}_{named}{side[1]}.dxf"
        if named is not None
        else f"{STEM}_slanted{side.strip('()').replace(', ', '_')}.dxf"
    )


def _apart(every: Sequence[PlacedPath]) -> list[PlacedPath]:
    """Setups of one side that count from different zeros have a drawing each."""
    zeros: dict[str, set[tuple[float, ...]]] = {}
    for q in every:
        zeros.setdefault(q.file, set()).add(tuple(round(v, 6) for v in q.zero.origin_mm))
    stem = {q.file: q.file.removesuffix(".dxf") for q in every}
    return [
        q if len(zeros[q.file]) == 1 else replace(q, file=f"{stem[q.file]}_setup_{q.setup:02}.dxf")
        for q in every
    ]


def _zeros(made: Sequence[PlacedPath]) -> list[str]:
    """Each setup's zero in the plan's words."""
    return list(dict.fromkeys(f"Setup {q.setup}: {q.zero.words}." for q in made))


def _title(work: Work, made: Sequence[PlacedPath]) -> list[str]:
    setups = ", ".join(str(n) for n in dict.fromkeys(q.setup for q in made))
    side = work.part.frame.side_of
    x, y, z = (side(a) or "slanted" for a in made[0].zero.axes)
    return [
        f"{work.solid.name}: setup {setups}; mm, seen from {z}, X along the part's {x}, Y along its {y}",
        *_zeros(made),
    ]


def _behind(silhouettes: Silhouettes, blank: Array, placed: PlacedPath) -> dict[str, list[Array]]:
    """Corners (n, 2) of what is drawn behind: the blank's hull and the part's silhouette."""
    import shapely

    view = placed.path.view
    hull = shapely.convex_hull(shapely.multipoints(view.flat(blank)))
    rings = [p.exterior for p in shapely.get_parts(silhouettes.across(view)) if p.geom_type == "Polygon"]
    return {
        "BLANK": [placed.flat(shapely.get_coordinates(hull)[:-1])],
        "PART": [placed.flat(shapely.get_coordinates(shapely.simplify(r, 1e-3))[:-1]) for r in rings],
    }


def _told(every: Sequence[PlacedPath], flags: Sequence[Flag]) -> dict[str, Any]:
    from routing.export.numbers import rounded
    from routing.export.route_json import plain
    from routing.export.wire_sheet import passes, start_hole, travel
    from routing.processes.protocol import feature_of
    from routing.processes.wire.slugs import CAUTION

    cuts = [
        {
            "name": q.path.name,
            "feature": feature_of(q.path.feature),
            "setup": q.setup,
            "step": q.step,
            "file": q.file,
            "wire_mm": rounded(q.path.wire.diameter_mm),
            "gap_mm": rounded(q.path.wire.gap_mm),
            "offset_mm": rounded(q.path.wire.corner_mm),
            "offset_side": "left",
            "travel": travel(q.path),
            "passes": [leg.name for leg in q.path.legs],
            "deviation_mm": rounded(q.path.cut.deviation_mm),
            "slug": None if q.path.slug is None else plain(q.path.slug),
        }
        for q in every
    ]
    starts = [hole for q in every if (hole := start_hole(q))]
    return {
        "wire": {
            "zero": " ".join(_zeros(every)),
            "sheet": SHEET,
            "cuts": cuts,
            "passes": [entry for q in every for entry in passes(q)],
            "start_holes": starts,
            "caution": CAUTION.replace("\n", " "),
        },
        "flags": [plain(f) for f in flags],
    }
