"""A drawing's word on a part: matched callouts settle its threads and its tolerances, the rest is asked.

A person's answers come first, and stand. What the drawing does not speak of stays as it was.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from featurize.feature import Feature
from featurize.recognise import Recognition
from routing.inputs.choices import Choices
from routing.inputs.overrides import BY_A_PERSON, Find, Settled, settle
from routing.inputs.sheet.asking import Question
from routing.inputs.sheet.called import Spot, Topic
from routing.inputs.sheet.match import Matched, match
from routing.inputs.sheet.read import Sheet
from routing.inputs.sheet.said import Said
from routing.processes.flags import Flag, Severity
from routing.processes.hardness import steel_hv
from routing.processes.material import Material

BY_THE_DRAWING = "settled by the drawing"
# What recognition says of a hole whose thread a person gave on the command line or in a file.
_GIVEN = "settled as"
# Hardness is asked for within a few points; a material chosen to a point more or less is the same.
_SLACK_HRC, _SLACK_HV_SHARE, _SLACK_PERCENT = 1.0, 0.05, 1.0
# A shorter name within another proves nothing.
_LEAST_NAME = 4
# No hardened tool steel comes to this (ISO 18265, from memory): it is cemented carbide's.
_CARBIDE_HRA = 84.5


def drawn(settled: Settled, sheet: Sheet, choices: Choices, find: Find, name: str, file: str = "") -> Settled:
    """The part with its drawing's threads settled and its tolerances on its features.

    ``name`` is the part's in the model, ``file`` that of the model's file, which may be its number too.
    """
    recognition = settled.recognition
    by_person = {
        f.id for f in recognition.features if any(e.startswith((BY_A_PERSON, _GIVEN)) for e in f.evidence)
    }
    matched = match(recognition.part, recognition.features, sheet, by_person)
    found = _settled(settled, matched.threads, choices, find) if matched.threads else settled
    features = tuple(_noted(f, matched, sheet) for f in found.recognition.features)
    questions = (*matched.questions, *_of_the_whole(sheet, choices.made_of(), name, file))
    flags = tuple(flag_of(q, sheet) for q in questions)
    return replace(
        found,
        recognition=replace(found.recognition, features=features),
        flags=(*found.flags, *flags),
        sheet=Said(sheet, replace(matched, questions=questions)),
    )


def not_drawn(settled: Settled, sheet: Sheet, parts: int) -> Settled:
    """A part of a file of several, of which the drawing does not name this one: nothing is settled."""
    text = (
        f"{sheet.name} names none of the {parts} parts of the file, or another one: this part was planned "
        "without it. Route each part's file with its own drawing."
    )
    flag = Flag("drawing-part", Severity.WARNING, None, text)
    return replace(settled, flags=(*settled.flags, flag))


def is_of(sheet: Sheet, name: str) -> bool:
    """Whether the title block's number or name is that of a part."""
    said = [_bare(sheet.title[k]) for k in ("part number", "name") if sheet.title.get(k)]
    own = _bare(name)
    return any(s == own or (min(len(s), len(own)) >= _LEAST_NAME and (s in own or own in s)) for s in said)


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def _settled(settled: Settled, threads: Mapping[str, str], choices: Choices, find: Find) -> Settled:
    """The answers of the drawing beside a person's, with nothing else moved by them."""
    more = choices.but(threads=dict(threads))
    side = choices.working_direction
    again = settle(
        find(working_side=None if side is None else np.array(side), threads=more.threads), more, find
    )
    return replace(again, recognition=_else_as_it_was(again.recognition, settled.recognition, threads))


def _else_as_it_was(now: Recognition, before: Recognition, threads: Mapping[str, str]) -> Recognition:
    """What is sure of one hole speaks for its like: here the drawing has told which are meant."""
    was = {f.id: f for f in before.features}

    def kept(f: Feature) -> Feature:
        old = was.get(f.id)
        if old is None or f.id in threads or (f.thread, f.kind) == (old.thread, old.kind):
            return f
        return f.but(thread=old.thread, kind=old.kind, evidence=old.evidence, confidence=old.confidence)

    return replace(now, features=tuple(map(kept, now.features)))


def _noted(feature: Feature, matched: Matched, sheet: Sheet) -> Feature:
    """A feature with what is asked of it, and why its thread is settled."""
    callouts = matched.callouts.get(feature.id, ())
    evidence = feature.evidence
    if feature.id in matched.threads:
        words = [sheet.entries[n].called.text for n, ids in matched.found.items() if feature.id in ids]
        evidence = (*evidence, f"{BY_THE_DRAWING} {sheet.name}: {'; '.join(dict.fromkeys(words))}")
    if not callouts and evidence == feature.evidence:
        return feature
    return feature.but(callouts=tuple(dict.fromkeys((*feature.callouts, *callouts))), evidence=evidence)


def _of_the_whole(sheet: Sheet, material: Material, name: str, file: str) -> Iterator[Question]:
    """What the title block and the notes say otherwise than the job."""
    number = sheet.title.get("part number")
    if number and not (is_of(sheet, name) or (file and is_of(sheet, file))):
        text = f"the drawing is of {number}, the model of {name}: do they belong together?"
        yield Question("drawing-part", text)
    for n, placed in enumerate(sheet.notes):
        note = placed.note
        if note.about == Topic.MATERIAL:
            why = _other_material(note.value, note.low, material)
        elif note.about == Topic.HARDNESS:
            why = _other_hardness(note.low or 0.0, note.high or 0.0, note.unit, material)
        elif note.about == Topic.EDGES and not note.value:
            yield Question(
                "drawing-edges", f"'{note.text}' leaves open what becomes of the edges: ask.", (), None, n
            )
            continue
        else:
            continue
        if why:
            text = f"'{note.text}' asks for {note.value}, and the job is reckoned for {material.name}: {why}"
            yield Question("drawing-material", text, (), None, n)


def _other_material(value: str, binder: float | None, material: Material) -> str:
    carbide = value.startswith("carbide")
    if carbide != (material.binder_percent is not None):
        return "choose the material."
    if binder is not None and abs(binder - (material.binder_percent or 0.0)) > _SLACK_PERCENT:
        return "choose the grade."
    return ""


def _other_hardness(low: float, high: float, unit: str, material: Material) -> str:
    if material.hardness_hrc is None:
        return "that is no hardness of carbide: choose the material." if unit == "HRC" else ""
    hard, slack = material.hardness_hrc, _SLACK_HRC
    if unit == "HV":
        hard = steel_hv(hard)
        slack = _SLACK_HV_SHARE * hard
    if unit == "HRA":
        return "that is a hardness of carbide: choose the material." if low >= _CARBIDE_HRA else ""
    return "" if low - slack <= hard <= high + slack else "choose the hardness."


def spot_of(question: Question, sheet: Sheet) -> tuple[Spot | None, bytes]:
    """Where a question's callout or note stands, and the picture of it."""
    if question.entry is not None:
        entry = sheet.entries[question.entry]
        return entry.spot, entry.picture
    if question.note is not None:
        return sheet.notes[question.note].spot, sheet.notes[question.note].picture
    return None, b""


def flag_of(question: Question, sheet: Sheet) -> Flag:
    """A question as the route's flag: what, and where on the drawing."""
    spot, _ = spot_of(question, sheet)
    where = f" at {spot.x_mm:.0f}, {spot.y_mm:.0f} mm of sheet {spot.page}" if spot else ""
    severity = Severity.BLOCKING if question.blocking else Severity.WARNING
    feature = question.features[0] if len(question.features) == 1 else None
    return Flag(question.code, severity, feature, f"{sheet.name}{where}: {question.text}")
