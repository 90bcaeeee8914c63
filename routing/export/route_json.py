"""``route.json``: the one document from which the others are made.

Keys, their order and their rounding are fixed: two runs give the same bytes. Described by
``docs/route.schema.json``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from featurize import tolerances as tol
from featurize.brep.frame import direction_name
from featurize.feature import Bore, Callout, Feature, Kind
from routing.export.numbers import rounded, vector
from routing.inputs.choices import EDGE, Choices
from routing.processes.flags import Flag
from routing.processes.protocol import Allowance, Stage

if TYPE_CHECKING:  # these load the kernel
    from featurize.brep.part import Part
    from featurize.brep.surfaces import Array
    from featurize.recognise import Recognition
    from featurize.step.document import SolidPart, StepDocument
    from routing.inputs.questions import Doubt
    from routing.plan.choice import RoutedFeature, RoutedRegion
    from routing.plan.edges import EdgeVerdict
    from routing.plan.estimate import Estimate
    from routing.plan.plan import Plan, PlannedStep
    from routing.processes.context import JobContext
    from routing.processes.protocol import Verdict
    from routing.stock.ground import GroundStock
    from routing.stock.proof import Proof

VERSION = 2
_AXES = "xyz"


def build(
    document: StepDocument,
    solid: SolidPart,
    recognition: Recognition,
    plan: Plan,
    stock: tuple[GroundStock, Proof, str],
    more_flags: Sequence[Flag],
    choices: Choices,
) -> dict[str, Any]:
    """The content of the route file of one part: plain data, rounded, in a stable order.

    ``stock`` is the ground stock, its proof and the name of its file.
    """
    from routing.inputs.questions import doubts

    part = recognition.part
    flags = [*plan.flags, *more_flags]
    return {
        "version": VERSION,
        "part": _part(document, solid, recognition, choices),
        "features": [
            geometry(f, part, solid.face_names) | _routed(f, plan, flags) for f in recognition.features
        ],
        "doubts": [doubt(d) for d in doubts(recognition)],
        "operations": [_operation(o, plan.estimate) for o in plan.steps],
        "edges": _edges(plan.edges, recognition),
        "flags": [_flag(f) for f in flags],
        "stock": _stock(*stock, plan.job),
        "estimate": plain(plan.estimate),
    }


def text(content: Mapping[str, Any]) -> str:
    """The file's text."""
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def face_labels(content: Mapping[str, Any], source_faces: Sequence[int]) -> list[tuple[str, str]]:
    """(palette key, "wire F03") for each face of the solid, whose places as read are ``source_faces``."""
    found = {
        face["index"]: (_palette_key(feature), f"{feature['process']} {feature['id']}")
        for feature in content["features"]
        for face in feature["faces"]
    }
    return [found[place] for place in source_faces]


def _palette_key(feature: Mapping[str, Any]) -> str:
    blank = feature["process"] == "none" and feature["kind"] == Kind.OUTSIDE_FACE
    return "blank" if blank else str(feature["process"])


def _box(part: Part) -> Array:
    """Sizes along the frame's axes (3,); across a round outside its diameter, not its mesh's chords."""
    from routing.stock.blank import round_outside  # loads the kernel

    size = part.high - part.low
    found = round_outside(part)
    if found is not None:
        whole = np.abs(size[:2] - 2 * found[1]) < 2 * tol.MESH_DEFLECTION_MM
        size[:2][whole] = 2 * found[1]
    return np.asarray(size)


def _part(
    document: StepDocument, solid: SolidPart, recognition: Recognition, choices: Choices
) -> dict[str, Any]:
    part, sides = recognition.part, recognition.sides
    frame = part.frame
    return {
        "name": solid.name,
        "source": document.path.name,
        "sha256": document.sha256,
        "source_units": document.source_units,
        "box_mm": vector(_box(part)),
        "volume_mm3": rounded(part.volume_mm3),
        "material": choices.material,
        "working_side": direction_name(frame.direction("+z")),
        "mounting_side": direction_name(frame.direction("-z")),
        "sides": {"confidence": rounded(sides.confidence, 3), "evidence": list(sides.evidence)},
        "frame": {
            "origin_mm": vector(frame.origin),
            **{name: vector(frame.axes[k], 9) for k, name in enumerate(_AXES)},
        },
        "moved_mm": vector(solid.moved_mm),
        "healed": list(solid.healed),
    }


def geometry(feature: Feature, part: Part, face_names: Sequence[str]) -> dict[str, Any]:
    """What recognition alone knows of a feature."""
    from featurize.bores import stages_by_mouth

    places = sorted(place for f in feature.faces for place in part.faces[f].source)
    axis, thread = feature.axis, feature.thread
    return {
        "id": feature.id,
        "kind": str(feature.kind),
        "faces": [{"index": p, "name": face_names[p] if p < len(face_names) else ""} for p in places],
        "dims": {name: rounded(feature.dims[name]) for name in sorted(feature.dims)},
        "axis": axis and {"origin_mm": vector(axis.origin), "direction": vector(axis.direction, 9)},
        "opens_to": list(feature.opens_to),
        "bores": [_stage(side, bore) for side, bore in stages_by_mouth(part, feature)],
        "thread": thread
        and {
            "designation": thread.designation,
            "major_mm": rounded(thread.major_mm),
            "pitch_mm": rounded(thread.pitch_mm),
            "left_hand": thread.left_hand,
            "asked": list(thread.asked),
        },
        "callouts": [_callout(c) for c in feature.callouts],
        "parent": feature.parent,
        "evidence": list(feature.evidence),
        "confidence": rounded(feature.confidence, 3),
    }


def _stage(side: str, bore: Bore) -> dict[str, Any]:
    return {"from_side": side, **{f.name: rounded(getattr(bore, f.name)) for f in fields(bore)}}


def _callout(callout: Callout) -> dict[str, Any]:
    """Finer than other lengths: an Ra of 0.05 um is 0.00005 mm."""
    found = {f.name: getattr(callout, f.name) for f in fields(callout)}
    return {
        k: rounded(v, 6) if isinstance(v, float) else list(v) if k == "faces" else v for k, v in found.items()
    }


def _routed(feature: Feature, plan: Plan, flags: Sequence[Flag]) -> dict[str, Any]:
    routed = plan.by_id[feature.id]
    own = [(s, p) for s in plan.steps for p in s.passes if p.feature == feature.id and p.task.verdict]
    allowance = next((p.leaves for _, p in own if p.leaves.floor_mm or p.leaves.wall_mm), None)
    if allowance is None and any(s.stage == Stage.GRIND for s, _ in own):
        allowance = Allowance()  # sparked out to size
    approach = plan.approach_of(feature.id)
    return {
        "process": str(routed.process),
        "present": routed.present,
        "from_side": approach.side if approach else None,
        "why": [_why(v, routed.main) for v in routed.verdicts],
        "regions": _regions(routed),
        "allowance_mm": {"floor": allowance.floor_mm, "wall": allowance.wall_mm} if allowance else None,
        "flags": list(dict.fromkeys(flag.code for flag in flags if flag.feature == feature.id)),
    }


def _why(verdict: Verdict, region: RoutedRegion) -> dict[str, Any]:
    return {
        "process": verdict.process,
        "workable": verdict.workable,
        "reason": _reason(verdict, region),
        "shortfall_mm3": rounded(verdict.shortfall_mm3),
    }


def _reason(verdict: Verdict, region: RoutedRegion) -> str:
    if verdict is not region.verdict:
        return verdict.reason
    before = (f"{v.process} first takes the bulk, {v.rest.words}" for v in region.ahead if v.rest is not None)
    return "; ".join([verdict.reason, *before])


def _regions(routed: RoutedFeature) -> list[dict[str, Any]]:
    """Who makes what, where a feature is made in several parts or by two processes."""
    found: list[dict[str, Any]] = []
    split = len(routed.regions) > 1
    for region in routed.regions:
        own: dict[str, Any] = {"id": region.piece.id, "what": region.region.words} if split else {}
        left: dict[str, Any] = {"what": "the bulk"}
        for rest, process in ((v.rest, v.process) for v in region.ahead if v.rest is not None):
            found.append(own | left | {"process": process, "leaves": rest.words})
            what = f"{region.region.words}, {rest.words}" if split else rest.words
            places = [vector(p) for p in rest.places]
            left = {"what": what, "volume_mm3": rounded(rest.volume_mm3), "places_mm": places}
        if region.ahead:
            found.append(own | left | {"process": region.process})
        elif split:
            way = region.verdict.approaches if region.verdict else ()
            found.append(
                own
                | {"process": region.process, "from_side": way[0].side if way else None}
                | {"why": [_why(v, region) for v in region.verdicts]}
            )
    return found


def doubt(question: Doubt) -> dict[str, Any]:
    """What a person should settle; ``settle`` is the key of the answer in a choices file."""
    return {
        "feature": question.feature,
        "features": list(question.features),
        "confidence": rounded(question.confidence, 3),
        "question": question.question,
        "answers": list(question.answers),
        "settle": {
            "at": vector(question.at),
            "kind": question.kind,
            "size_mm": rounded(question.size_mm),
            "answer": question.key,
        },
    }


def _operation(operation: PlannedStep, estimate: Estimate) -> dict[str, Any]:
    line = estimate.of_operation(operation.number)
    return {
        "number": operation.number,
        "stage": operation.stage.words,
        "process": operation.process,
        "setup": operation.setup,
        "from_side": operation.from_side,
        "features": list(operation.features),
        "after": list(operation.after),
        "because": list(operation.because),
        "minutes": rounded(operation.minutes, 1),
        "set_up_min": rounded(line.set_up_min, 1),
        "run_min": rounded(line.run_min, 1),
        "idle_min": rounded(line.idle_min, 1),
        "basis": list(line.basis),
        "notes": list(operation.notes),
    }


def _flag(flag: Flag) -> dict[str, Any]:
    return {
        "code": flag.code,
        "severity": str(flag.severity),
        "feature": flag.feature,
        "message": flag.message,
    }


def _edges(verdicts: Sequence[EdgeVerdict], recognition: Recognition) -> list[dict[str, Any]]:
    from featurize.placing import box_point, edge_places, own_turns, places

    part = recognition.part
    turn = own_turns(part, places(part, recognition.features))[0][0]
    keys = {}
    for placed in edge_places(part):
        at, size = vector(box_point(part, turn, placed.at), 3), rounded(placed.size_mm)
        for edge in placed.run.edges:
            keys[f"E{edge.id}"] = {"at": at, "kind": EDGE, "size_mm": size}
    return [
        {
            "id": edge.id,
            "place": part.edges[int(edge.id[1:])].place,
            "faces": [min(part.faces[f].source) for f in edge.faces],
            "features": list(edge.features),
            "length_mm": rounded(edge.length_mm),
            "verdict": str(edge.verdict),
            "reason": edge.reason,
            "asked": edge.asked,
            "settle": keys[edge.id],
        }
        for edge in verdicts
    ]


def _stock(stock: GroundStock, proof: Proof, file: str, job: JobContext) -> dict[str, Any]:
    part, bought = job.part, job.blanks.bought if job.blanks else stock.blank
    checked = plain(proof.as_dict())
    for floor in checked["floors"]:
        floor["face"] = min(part.faces[floor["face"]].source)  # as read, like every face of this file
    return {
        "blank": stock.blank.size,
        "blank_mm3": rounded(bought.volume_mm3),
        "ground_mm3": rounded(proof.ground_mm3),
        "part_mm3": rounded(proof.part_mm3),
        "allowance_mm": {
            "floor": max((a.floor_mm for a in stock.allowances.values()), default=0.0),
            "wall": max((a.wall_mm for a in stock.allowances.values()), default=0.0),
        },
        "ground_file": file,
        "note": stock.note,
        "proof": checked,
    }


def plain(value: Any) -> Any:
    """Dataclasses and mappings as dictionaries, numbers rounded."""
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return rounded(value) if isinstance(value, float) else value
