"""What the worker can be asked for. Runs in the child alone; everything here may load the kernel."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from featurize import isolate
from featurize.brep.frame import SIDES, direction_name
from featurize.brep.solids import KernelError
from featurize.compare import compare
from featurize.recognise import Recognition
from featurize.step.document import Skip, StepDocument
from featurize.step.read import read_step
from routing.export import route_json
from routing.export.exporters import all_files
from routing.export.viewer.mesh import mesh_of, model_of, packed
from routing.inputs.choices import BLANKS, ChoicesError
from routing.inputs.overrides import Settled
from routing.inputs.shop import load_shop
from routing.jobs.job import decide_plan, route_document
from routing.jobs.job_inputs import Inputs
from routing.jobs.recognising import recognise_parts
from routing.jobs.result import PartResult
from routing.jobs.stages import StageCache
from routing.jobs.staging import staged_folder
from routing.plan.plan import Plan
from routing.plan.revision import edge_changes, operation_changes
from routing.stock.blank import BlankError, blank_from_step
from routing.web.answers import from_table
from routing.web.carrying import carried_over, places_of
from routing.web.picture import write_picture
from routing.web.records import Source, SupersededError, TurnsOverError
from routing.web.store import FIXTURES, PICTURE, PLACES

# What this worker has worked out.
_stages = StageCache()
# Cosine of what still counts as the same working side: sides are square to each other, or nearly.
_SAME_WAY = 0.9


def read(source: Source, inputs: Inputs) -> StepDocument:
    """The document under the customer's own name for it, whatever the file is called here."""
    path, stem = Path(source.name), Path(source.model).stem

    def make() -> StepDocument:
        document = read_step(Path(source.model), isolate=False, skip=inputs.skip)
        parts = [
            replace(p, name=re.sub(rf"^{stem}(?=$| / )", lambda _: path.stem, p.name)) for p in document.parts
        ]
        return replace(document, path=path, parts=parts)

    return _stages.get_or_make("reading", inputs.reading, make)


def inputs_of(source: Source, shop: str | None) -> Inputs:
    """A revision's inputs, its choices with the path of its own blank."""
    choices = from_table(source.choices)
    blank = None if choices.blank in BLANKS else str(Path(source.model).with_name(choices.blank))
    loaded = load_shop(Path(shop) if shop else None)
    return Inputs.of(source.name, source.sha256, choices.but(blank=blank), loaded, Skip(source.skip))


def run(
    source: Source,
    shop: str | None,
    view: str,
    result: str,
    dropped: str,
    base: Source | None = None,
    carried: Source | None = None,
) -> dict[str, Any]:
    """A whole job; its meshes go to ``view`` as soon as the file is read, its files to ``result``.

    Ends with SupersededError at its next stage once there is a file ``dropped``; with TurnsOverError where
    a part's working side is not that of ``base``, what it was so far. The decisions of ``carried``, a
    revision of another drawing, are brought to their places in this one.
    """
    _stages.times.clear()
    isolate.report({"stage": "reading the file", "share": 0.0})
    inputs = inputs_of(source, shop)
    document = read(source, inputs)
    parts = [{"name": p.name, "count": p.count, "shape": _shape(p.solid)} for p in document.parts]
    for n, solid in enumerate(document.parts):
        target = Path(view) / f"{n}.json"
        if not target.exists():
            mesh = mesh_of(solid.solid)
            write_whole(target, json.dumps(packed(mesh, source_faces=solid.source_faces)))
            if n == 0:
                write_picture(mesh, Path(view) / PICTURE)
        isolate.report({"parts": parts, "seen": n + 1})

    def report(text: str, share: float) -> None:
        if Path(dropped).exists():
            raise SupersededError
        isolate.report({"stage": text, "share": share})

    def answered(part: PartResult) -> None:
        isolate.report({"planned": {"folder": part.folder, "count": part.count, "route": part.route}})

    def recognised(of: Source) -> list[Recognition]:
        own = inputs_of(of, shop)
        return [settled.recognition for settled in _recognised(read(of, own), own)]

    lost: tuple[str, ...] = ()
    if carried is not None:
        report("bringing the decisions over", 0.1)
        table, lost = carried_over(carried, source, recognised)
        inputs = inputs_of(replace(source, choices=table), shop)
        isolate.report({"choices": table})
    if base is not None:
        _hold_if_turned(_recognised(document, inputs_of(base, shop)), _recognised(document, inputs))
    with staged_folder(Path(result), (*all_files(), PLACES, FIXTURES)) as folder:
        done = route_document(document, folder, inputs, report, cache=_stages, answered=answered)
        took = [{"step": t.stage, "seconds": round(t.seconds, 3), "kept": t.kept} for t in _stages.times]
        found = [places_of(settled.recognition) for settled in _recognised(document, inputs)]
        (folder / PLACES).write_text(json.dumps(found), encoding="utf-8")
        held = [_held(_plan(s, inputs, n)) for n, s in enumerate(_recognised(document, inputs))]
        (folder / FIXTURES).write_text(json.dumps(held), encoding="utf-8")
    return {
        "parts": [{"folder": p.folder, "count": p.count, **_summary(p.route)} for p in done.parts],
        "notes": [*lost, *done.notes],
        "took": took,
    }


def _plan(settled: Settled, inputs: Inputs, n: int) -> Plan:
    own = inputs.with_choices(settled.added_to(inputs.choices))
    return decide_plan(settled, own, n, cache=_stages)


def _held(plan: Plan) -> dict[str, Any]:
    """By setup what holds the part there, as the viewer takes a body."""
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    from routing.export.fixture_bodies import solid_of
    from routing.export.viewer.mesh import body_of

    found = {}
    for setup in plan.setups:
        builder, all_ = BRep_Builder(), TopoDS_Compound()
        builder.MakeCompound(all_)
        for fixture in setup.held.fixtures:
            with suppress(KernelError):  # one that the kernel makes no solid of is not drawn
                builder.Add(all_, solid_of(fixture))
        if all_.NbChildren():
            found[str(setup.number)] = body_of(all_)
    return found


def _hold_if_turned(before: Iterator[Settled], after: Iterator[Settled]) -> None:
    for old, new in zip(before, after, strict=True):
        was, now = old.recognition.part.frame, new.recognition.part.frame
        up = now.direction("+z")
        if not was.direction("+z") @ up > _SAME_WAY:
            seen = max(SIDES, key=lambda side: float(was.direction(side) @ up))
            sides = {"was": direction_name(was.direction("+z")), "now": direction_name(up), "seen": seen}
            raise TurnsOverError(sides)


def _recognised(document: StepDocument, inputs: Inputs) -> Iterator[Settled]:
    return recognise_parts(document, inputs, lambda text, share: None, cache=_stages)


def _shape(solid: Any) -> dict[str, Any]:
    """What a drawing of the same part has nearly the same: the box's sides by length, volume, faces."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    from featurize.brep.shapes import FACE, mapped, volume_mm3

    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box, False)
    low, high = box.CornerMin(), box.CornerMax()
    sides = sorted(round(getattr(high, a)() - getattr(low, a)(), 3) for a in "XYZ")
    return {"box_mm": sides, "volume_mm3": round(volume_mm3(solid), 2), "faces": mapped(solid, FACE).Extent()}


def look(model: str, target: str) -> None:
    """What the file draws, for the first view; what is wrong with it the reading proper says."""
    if not Path(target).exists():
        preview(Path(model), Path(target))


def preview(model: Path, target: Path) -> None:
    """The mesh of all that the kernel's plain reader finds, before any check, healing or naming.

    Raises ValueError for a file that does not even look whole.
    """
    from OCP.STEPControl import STEPControl_Reader

    with model.open("rb") as file:
        start = file.read(1 << 16)
        file.seek(max(0, model.stat().st_size - (1 << 16)))
        if b"ISO-10303-21;" not in start or b"END-ISO-10303-21" not in file.read():
            raise ValueError("not a whole STEP file")
    reader = STEPControl_Reader()
    reader.ReadFile(str(model))
    reader.TransferRoots()
    write_whole(target, json.dumps(model_of(reader.OneShape())))


def _summary(route: Mapping[str, Any]) -> dict[str, Any]:
    estimate = route["estimate"] or {}
    severities = [flag["severity"] for flag in route["flags"]]
    return {
        "name": route["part"]["name"],
        "features": len(route["features"]),
        "operations": len(route["operations"]),
        "doubts": len(route["doubts"]),
        "flags": {severity: severities.count(severity) for severity in dict.fromkeys(severities)},
        "codes": sorted({flag["code"] for flag in route["flags"]}),
        "material": route["part"]["material"],
        "setups": len(route.get("setups", ())),
        "lots": [{key: lot[key] for key in ("pieces", "cost")} for lot in estimate.get("quantities", ())],
        **{key: estimate.get(key) for key in ("minutes", "cost", "currency")},
    }


def differences(old: Source, new: Source, shop: str | None) -> dict[str, Any]:
    """What changed between two revisions, of one job or of two; each has its file, its choices and a part."""
    routes = []
    for side in (old, new):
        inputs = inputs_of(side, shop)
        settled = list(_recognised(read(side, inputs), inputs))[side.part]
        routes.append(_plan(settled, inputs, side.part))
    before, after = routes
    found = compare(before.recognition, after.recognition)
    processes = [
        {"old": a, "new": b, "from": str(before.process_of(a)), "to": str(after.process_of(b))}
        for a, b in sorted(found.pairs.items(), key=lambda pair: pair[1])
        if before.process_of(a) != after.process_of(b)
    ]
    changes: dict[str, Any] = route_json.plain(
        {
            "features": found.changes,
            "processes": processes,
            "operations": list(operation_changes(before, after, found)),
            "edges": list(edge_changes(before, after, found)),
        }
    )
    return {"same": not any(changes.values()), **changes}


def measure(source: Source, shop: str | None, first: str, second: str) -> dict[str, Any]:
    """Of one or two faces (``f7``) and edges (``e12``) of a part, by their numbers in the view.

    Raises MeasureError.
    """
    from featurize.measure import measured

    solid = read(source, inputs_of(source, shop)).parts[source.part]
    return asdict(measured(solid.solid, solid.source_faces, first, second or None))


def cheaper(source: Source, shop: str | None, folder: str) -> None:
    """Tries changes on a part that is routed; what was found goes to the folder of its files, whole."""
    from routing.jobs.cheaper import Budget, hints_of_part

    inputs = inputs_of(source, shop)
    document = read(source, inputs)
    settled = list(_recognised(document, inputs))[source.part]
    with tempfile.TemporaryDirectory() as own:
        hints_of_part(
            document,
            source.part,
            settled,
            inputs,
            Path(own),
            Budget(),
            lambda text, share: None,
            cache=_stages,
        )
        for made in sorted(Path(own).iterdir(), key=lambda p: p.suffix == ".json"):  # the data tells of all
            write_whole(Path(folder) / made.name, made.read_text(encoding="utf-8"))


def check_blank(source: Source, shop: str | None, blank: str) -> None:
    """Raises ChoicesError for what is not one solid that holds every part of the model."""
    inputs = inputs_of(replace(source, choices={**source.choices, "blank": "auto"}), shop)
    for settled in _recognised(read(source, inputs), inputs):
        try:
            blank_from_step(Path(blank), settled.recognition.part)
        except BlankError as error:
            raise ChoicesError(f"blank: {error}") from error


def sample(path: str) -> None:
    from routing.web.sample import write_sample

    write_sample(Path(path))


def warm_up() -> None:
    """A first reading and meshing, of a block of our own: the kernel loads its tables at the first."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    writer = STEPControl_Writer()
    writer.Transfer(BRepPrimAPI_MakeBox(1.0, 2.0, 3.0).Shape(), STEPControl_StepModelType.STEPControl_AsIs)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "block.step"
        writer.Write(str(path))
        (part,) = read_step(path, isolate=False).parts
    model_of(part.solid)


def write_whole(path: Path, text: str) -> None:
    """The file appears whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}")
    half.write_text(text, encoding="utf-8")
    half.replace(path)


TASKS: Mapping[str, Callable[..., Any]] = {
    "run": run,
    "look": look,
    "differences": differences,
    "check_blank": check_blank,
    "cheaper": cheaper,
    "measure": measure,
    "sample": sample,
}
