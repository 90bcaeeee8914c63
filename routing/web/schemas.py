"""The tables that the page's server takes and gives, as JSON Schema (2020-12, as OpenAPI 3.1 has it)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any, get_args, get_origin, get_type_hints

from routing.inputs.choices import BREAKS, CALLED, Choices
from routing.inputs.choices import SIDES as FROM_SIDES
from routing.processes.rooms import process_names
from routing.web.answers import ANSWERS
from routing.web.records import STANDINGS, State

TEXT: Mapping[str, Any] = {"type": "string"}
NUMBER: Mapping[str, Any] = {"type": "number"}
# Of parts, revisions, stages: far more than there are, and what a path may hold.
COUNT: Mapping[str, Any] = {"type": "integer", "minimum": 0, "maximum": 999_999_999}
HEX_ID: Mapping[str, Any] = {"type": "string", "pattern": "^[0-9a-f]{12}$"}
# As OpenAPI 3.1 describes bytes: by their media type alone.
FILE: Mapping[str, Any] = {}
_ANY: Mapping[str, Any] = {"type": "object"}
_MOMENT: Mapping[str, Any] = {"type": "string", "format": "date-time"}
_MAYBE: Mapping[str, Any] = {"type": ["number", "null"]}

# What may stand behind the question mark.
Query = Mapping[str, tuple[str, Mapping[str, Any]]]
NAME: Query = {"name": ("what the file is called", TEXT)}
LIKE: Query = {"like": ("a revision whose choices are taken over, as job.revision", TEXT)}
SEARCH: Query = {"q": ("words, all of which are in the name of the file or of a part", TEXT)}
OF_JOB: Query = {"job": ("of this job alone", TEXT)}
DRAWING: Query = {"drawing": ("the number of the customer's file, the last one where it is left out", COUNT)}
ORDERED: Query = {
    "material": ("of the first revision", TEXT),
    "pieces": ("how many are asked for", {"type": "integer", "minimum": 1}),
    "margin_percent": ("on the money", {"type": "number", "minimum": 0}),
}
SCANNED: Query = {"code": ("what was scanned, or typed from under it", TEXT)}
LOOKED_FOR: Query = {
    "job": ("the job whose part is looked for", TEXT),
    "part": ("which part of it, from 0", COUNT),
    "q": ("words, sizes and boxes, all of which it has", TEXT),
    "material": ("a material, or its family: steel, carbide", TEXT),
    "limit": ("how many at most", {**COUNT, "minimum": 1}),
}
PICKED: Query = {"jobs": ("the jobs that are wanted, their ids with commas between", TEXT)}
TWO_THINGS: Query = {
    "first": ("a face or an edge as the view numbers them: f7, e12", {**TEXT, "pattern": "^[fe][0-9]+$"}),
    "second": ("what it is measured to", {**TEXT, "pattern": "^[fe][0-9]+$"}),
}
SHOW: Query = {"show": ("for a tab of its own instead of a download", TEXT)}
SIDES: Query = {
    "old": ("a revision, as job.revision or job.revision.part", TEXT),
    "new": ("the one it is compared with", TEXT),
}


def ref(where: str, name: str) -> dict[str, str]:
    """A reference to a component."""
    return {"$ref": f"#/components/{where}/{name}"}


def table(optional: Iterable[str] = (), /, **properties: Any) -> dict[str, Any]:
    """An object of these keys and no others."""
    needed = [name for name in properties if name not in optional]
    return {
        "type": "object",
        "properties": properties,
        "required": needed,
        "additionalProperties": False,
    }


def many(schema: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": schema}


_PART = table(("shape",), name=TEXT, count=COUNT, shape=_ANY)


def choice(of: type, **known: Any) -> dict[str, Any]:
    """The fields of a dataclass, none of them needed; ``known`` says more of some."""
    hints = get_type_hints(of)
    found = {f.name: known.get(f.name) or _of_type(hints[f.name]) for f in fields(of)}
    return table(tuple(found), **found)


def _of_type(hint: Any) -> dict[str, Any]:
    """The schema of a value by the type of its field."""
    plain = {str: "string", float: "number", int: "integer", bool: "boolean", type(None): "null"}
    if hint in plain:
        return {"type": plain[hint]}
    origin, args = get_origin(hint), get_args(hint)
    if origin is tuple and args[-1] is not ...:
        return {"type": "array", "prefixItems": [_of_type(a) for a in args], "minItems": len(args),
                "maxItems": len(args), "items": False}  # fmt: skip
    if origin is tuple:
        return many(_of_type(args[0]))
    if origin is not None and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _of_type(args[1])}
    return {"anyOf": [_of_type(a) for a in args]}


def schemas() -> dict[str, Any]:
    """By name."""
    settings: Mapping[str, Any] = {
        **dict.fromkeys(ANSWERS, TEXT),
        "process": {"enum": list(process_names())},
        "is": {"enum": [str(kind) for kind in CALLED]},
        "side": {"enum": list(FROM_SIDES)},
        "edge": {"enum": list(BREAKS)},
        "allowance": _of_type(tuple[float, float]),
    }
    at = {"type": "array", "items": NUMBER, "minItems": 3, "maxItems": 3}
    settled = table(ANSWERS, at=at, kind=TEXT, size_mm=NUMBER, **settings)
    taken_back = {name: {"anyOf": [schema, {"type": "null"}]} for name, schema in settings.items()}
    answers = table(ANSWERS, **taken_back)
    # The revision whose choices are changed, and whether to ask before the part is turned over.
    # The last revision that the sender knows of.
    base = {"from": COUNT, "ask": {"type": "boolean"}, "latest": COUNT}
    more = ("ask", "latest", "shown")
    choices = ref("schemas", "Choices")
    return {
        "Choices": choice(Choices, settle=many(settled)),
        "Revising": {
            "description": "All choices, or those of a choices file, or answers for one feature or edge of "
            "a part, or many; what of an answer is null is taken back. With ask, what would turn the part "
            "over is held until a person says that it shall.",
            "oneOf": [
                table(("ask", "latest"), **base, choices=choices),
                table(("ask", "latest"), **base, toml=TEXT),
                table(more, **base, shown=COUNT, part=COUNT, feature=TEXT, answers=answers),
                table(more, **base, shown=COUNT, part=COUNT, decisions=many(
                    table(("diameter_mm",), features=many(TEXT), answers=answers, diameter_mm=NUMBER))),
            ],
        },
        "Revision": table(
            job=HEX_ID, number=COUNT, state={"enum": [str(state) for state in State]}, stage=TEXT,
            share={**NUMBER, "minimum": 0, "maximum": 1}, error=TEXT, choices=choices, created=_MOMENT,
            seconds={"type": ["number", "null"]}, summary=_ANY, starts=COUNT,
            base={"type": ["integer", "null"]}, sure={"type": "boolean"}, drawing=COUNT, who=TEXT,
        ),
        "Job": table(
            id=HEX_ID, name=TEXT, sha256={"type": "string", "pattern": "^[0-9a-f]{64}$"}, bytes=COUNT,
            created=_MOMENT, parts=many(_PART),
            revisions=many(ref("schemas", "Revision")), blanks=many(table(file=TEXT, name=TEXT, bytes=COUNT)),
            note=TEXT, standing={"enum": list(STANDINGS)}, pieces=COUNT, margin_percent=NUMBER, similar=_ANY,
            drawings=many(table(number=COUNT, name=TEXT, sha256=TEXT, bytes=COUNT, created=_MOMENT,
                                parts=many(_PART))),
        ),
        "Jobs": table(jobs=many(ref("schemas", "Job"))),
        "List": table(
            jobs=many({**_ANY, "required": ["id", "name", "state", "flags"]}), standings=many(TEXT)
        ),
        "Changes": {
            "description": "each as it was and is, against the revision base; base is null where none was "
            "worked out before",
            **_ANY, "required": ["base"],
        },
        "TakenSheet": table(
            name=TEXT, pieces=COUNT,
            steps=many(table(step=COUNT, stage=TEXT, process=TEXT, set_up_min=NUMBER, each_min=NUMBER)),
            taken=many(table(step=COUNT, batch=TEXT, pieces=COUNT, taken_min=NUMBER, quoted_min=NUMBER,
                             who=TEXT, at=_MOMENT)),
        ),
        "TakenKept": table(rows=COUNT, empty=COUNT, refused=many(table(line=COUNT, why=TEXT))),
        "Scanned": table(job=HEX_ID, number=COUNT, part=COUNT, step=COUNT),
        "Rates": table(
            mark=TEXT, cases=COUNT, jobs=COUNT, shop=TEXT, taken_over={"type": "boolean"},
            effects=many(table(kind={"enum": ["all", "process", "material", "step"]}, process=TEXT, name=TEXT,
                               factor=NUMBER, low=NUMBER, high=NUMBER, cases=COUNT)),
            scatter=many(table(process=TEXT, low=NUMBER, high=NUMBER, jobs=COUNT, set_aside=COUNT)),
        ),
        "Alike": table(
            material=TEXT,
            alike=many(table(
                job=HEX_ID, part=COUNT, number=COUNT, file=TEXT, name=TEXT, created=_MOMENT, drawing=COUNT,
                standing=TEXT, note=TEXT, material=TEXT, share=_MAYBE, box_mm=many(NUMBER), volume_mm3=NUMBER,
                features=COUNT, minutes=_MAYBE, cost=_MAYBE, currency=TEXT, taken_min=_MAYBE,
                quoted_min=_MAYBE, taken_steps=COUNT,
                differences=many(table(what=TEXT, kind=TEXT, count=COUNT, was=TEXT, now=TEXT)),
            )),
        ),
        "Log": table(log=many(table(at=_MOMENT, who=TEXT, what=TEXT, job=TEXT, name=TEXT,
                                    number={"type": ["integer", "null"]}, before=_ANY, after=_ANY))),
        "Measure": table(
            kinds=many(TEXT), radii_mm=many(_MAYBE), exact={"type": "boolean"}, distance_mm=_MAYBE,
            across_mm=_MAYBE, between=many(many(NUMBER)), angle_deg=_MAYBE, through=TEXT,
            length_mm=_MAYBE, area_mm2=_MAYBE,
        ),
        "Hints": {
            "description": "whether it is being tried, what failed, and what was found: cheaper.json",
            **table(trying={"type": "boolean"}, error=TEXT, found={"type": ["object", "null"]}),
        },
        "Blank": table(file=TEXT, name=TEXT),
        "Result": table(
            revision=ref("schemas", "Revision"),
            parts=many(table(folder=TEXT, count=COUNT, files=many(table(name=TEXT, bytes=COUNT)),
                             route={"description": "the route file", "type": "object"})),
        ),
        "Body": {
            "description": "a mesh: numbers in base 64, positions as 32-bit floats, triangles as integers",
            **_ANY, "required": ["positions", "normals", "triangles", "edges", "low", "high"],
        },
        "Event": {
            "description": "a revision as it is now, a job that is gone, or what can be seen of one; as JSON",
            "type": "object", "properties": {"data": TEXT},
        },
        "Differences": table(same={"type": "boolean"}, features=many(_ANY), processes=many(_ANY),
                             operations=many(_ANY), edges=many(_ANY)),
        "Session": table(key=TEXT, version=TEXT, who=TEXT, limit_bytes=COUNT, processes=many(TEXT),
                         kinds=many(TEXT), breaks=many(TEXT), blanks=many(TEXT),
                         signs={"type": "object", "additionalProperties": _ANY}),
    }  # fmt: skip
