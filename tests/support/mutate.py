"""Damage to STEP texts, chosen by a seed, and the whole job run on them in children that may die.

``judge`` says of one file what came out; ``verdict`` says whether that is fair, given the undamaged file.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import re
import sys
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import forkserver
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from featurize.errors import StepError
from featurize.step.document import Skip
from featurize.step.notes import NoteSeverity, ReadNote

_LINES = re.compile(rb"[^\n]*\n?")
_NUMBER = re.compile(rb"-?\d+\.\d*(?:E[+-]?\d+)?")

# Whole and real numbers that are part of no reference and no word.
_NUMBERS = re.compile(rb"(?<![#\w.])[+-]?\d+(?:\.\d*(?:[Ee][+-]?\d+)?)?(?!\w)")
_STRAY = (b"'", b"(", b")", b",", b";", b"#1", b"/*", b"*/", b"$", b"\0", b"\xff", b"1E999")


def flip(rng: random.Random, text: bytearray) -> None:
    """Other bits in one to four bytes."""
    for _ in range(rng.randint(1, 4)):
        text[rng.randrange(len(text))] ^= 1 << rng.randrange(8)


def overwrite(rng: random.Random, text: bytearray) -> None:
    at = rng.randrange(len(text))
    text[at : at + rng.randint(1, 20)] = rng.randbytes(rng.randint(1, 20))


def cut(rng: random.Random, text: bytearray) -> None:
    at = rng.randrange(len(text))
    del text[at : at + rng.randint(1, 200)]


def cut_end(rng: random.Random, text: bytearray) -> None:
    del text[rng.randrange(len(text)) :]


def insert(rng: random.Random, text: bytearray) -> None:
    at = rng.randrange(len(text))
    text[at:at] = rng.choice(
        (b"'", b"(", b")", b",", b";", b"#1", b"/*", b"*/", b"$", b"\0", b"\xff", b"1E999")
    )


def _entities(text: bytearray) -> list[tuple[int, int]]:
    return [m.span() for m in _LINES.finditer(bytes(text)) if re.match(rb"#\d+ *=", m.group())]


def drop_entity(rng: random.Random, text: bytearray) -> None:
    start, end = rng.choice(_entities(text))
    del text[start:end]


def repeat_entity(rng: random.Random, text: bytearray) -> None:
    start, end = rng.choice(_entities(text))
    to, _ = rng.choice(_entities(text))
    text[to:to] = text[start:end]


def swap_entities(rng: random.Random, text: bytearray) -> None:
    (a, b), (c, d) = sorted(rng.sample(_entities(text), 2))
    text[a:d] = text[c:d] + text[b:c] + text[a:b]


def swap_bodies(rng: random.Random, text: bytearray) -> None:
    """Two entities take each other's numbers."""
    (a, b), (c, d) = sorted(rng.sample(_entities(text), 2))
    n, x = bytes(text[a:b]).split(b"=", 1)
    m, y = bytes(text[c:d]).split(b"=", 1)
    text[c:d] = m + b"=" + x
    text[a:b] = n + b"=" + y


def other_number(rng: random.Random, text: bytearray) -> None:
    found = rng.choice(list(_NUMBER.finditer(bytes(text))))
    value = float(found.group())
    new = rng.choice((-value, value * 1.001, value + rng.uniform(-2, 2), 0.0, value * 1000, 1e300))
    text[found.start() : found.end()] = b"%.10E" % new


def other_reference(rng: random.Random, text: bytearray) -> None:
    found = rng.choice(list(re.finditer(rb"(?<=[(,])#\d+", bytes(text))))
    text[found.start() : found.end()] = rng.choice(re.findall(rb"#\d+", bytes(text)))


def near_reference(rng: random.Random, text: bytearray) -> None:
    """To another entity of the same kind: what no grammar can tell."""
    kinds = dict(re.findall(rb"(#\d+)\s*=\s*([A-Z_]+)", bytes(text)))
    found = rng.choice(list(re.finditer(rb"(?<=[(,])#\d+", bytes(text))))
    alike = [n for n, kind in kinds.items() if kind == kinds.get(found.group())]
    if alike:
        text[found.start() : found.end()] = rng.choice(alike)


def other_flag(rng: random.Random, text: bytearray) -> None:
    found = list(re.finditer(rb"\.[TF]\.", bytes(text)))
    if found:
        place = rng.choice(found)
        text[place.start() + 1] ^= ord("T") ^ ord("F")


MUTATIONS: tuple[Callable[[random.Random, bytearray], None], ...] = (
    flip, overwrite, cut, cut_end, insert, drop_entity, repeat_entity, swap_entities, swap_bodies,
    other_number, other_reference, near_reference, other_flag,
)  # fmt: skip


def mutated(good: bytes, seed: str) -> tuple[bytes, str]:
    """The damaged text and what was done to it, the same for the same seed."""
    rng = random.Random(seed)
    text = bytearray(good)
    done = rng.choices(MUTATIONS, k=rng.choice((1, 1, 1, 2)))
    for mutation in done:
        if text:
            mutation(rng, text)
    return bytes(text), "+".join(m.__name__ for m in done)


@dataclass(frozen=True)
class Outcome:
    """``end`` is "parts", the code of a StepError, "traceback", "died" or "hung"."""

    end: str
    said: tuple[str, ...] = ()  # the error, or what reading noticed
    parts: tuple[Any, ...] = ()  # volume, count, features and faces of each part
    valid: bool = True
    blocking: tuple[str, ...] = ()  # what of ``said`` blocks
    where: str = field(default="", compare=False)


def judge(path: str, skip: Skip = Skip.NOTHING) -> Outcome:
    """The whole job up to the features."""
    from OCP.BRepCheck import BRepCheck_Analyzer

    from featurize.brep.build import build_part
    from featurize.brep.shapes import FACE, area_and_centre, each
    from featurize.recognise import recognise
    from featurize.step.read import read_step

    try:
        document = read_step(path, isolate=False, skip=skip)
        parts: list[Any] = []
        noticed: list[ReadNote] = []
        valid = True
        for solid in document.parts:
            part = build_part(solid.solid, source_faces=solid.source_faces)
            features = recognise(part).features
            found = sorted(
                (str(f.kind), *(round(v, 2) + 0.0 for _, v in sorted(f.dims.items()))) for f in features
            )
            faces = sorted(tuple(map(_coarse, area_and_centre(face))) for face in each(solid.solid, FACE))
            parts.append((f"{part.volume_mm3:.5g}", solid.count, tuple(found), tuple(faces)))
            noticed += document.noticed(solid)
            valid = valid and BRepCheck_Analyzer(solid.solid).IsValid()
    except StepError as error:
        return Outcome(str(error.code), (str(error),))
    except Exception as error:
        last = [f for f in traceback.extract_tb(error.__traceback__) if "featurize" in f.filename][-1]
        where = f"{'/'.join(Path(last.filename).parts[-2:])}:{last.lineno} {type(error).__name__}: {error}"
        return Outcome("traceback", where=where)
    said = dict.fromkeys(n.message for n in noticed)
    blocking = dict.fromkeys(n.message for n in noticed if n.severity == NoteSeverity.BLOCKING)
    return Outcome("parts", tuple(said), tuple(sorted(parts)), valid, tuple(blocking))


def _coarse(size: float) -> float:
    """To a thousandth, with an offset that keeps round sizes away from where rounding turns."""
    return round(size + 0.00017, 3) + 0.0


def only_numbers_differ(good: bytes, bad: bytes) -> bool:
    """That gives another model, not a damaged one. The order of records has no meaning (ISO 10303-21)."""
    return _records(good) == _records(bad)


def _records(text: bytes) -> list[bytes]:
    return sorted(b"".join(record.split()) for record in _NUMBERS.sub(b"0", text).split(b";"))


def only_moved(before: Outcome, after: Outcome) -> bool:
    """The same parts, turned or shifted as a whole, not mirrored: a valid file that places them otherwise."""
    return len(before.parts) == len(after.parts) and all(map(_is_moved, before.parts, after.parts))


def _is_moved(old: Any, new: Any) -> bool:
    if old[:3] != new[:3] or len(old[3]) != len(new[3]):
        return False
    a, b = np.array(old[3]), np.array(new[3])
    return np.allclose(a[:, 0], b[:, 0], atol=0.002) and all(
        np.allclose(x, y, atol=0.005) for x, y in zip(_shape(a), _shape(b), strict=True)
    )


def _shape(faces: Any) -> tuple[Any, Any]:
    """What no motion changes of faces (area, x, y, z): how far their centres are apart; and which way they
    wind, by the cube root of the triple product of their means, weighted by powers of area."""
    areas, centres = faces[:, 0] / faces[:, 0].max(), faces[:, 1:]
    apart = np.linalg.norm(centres[:, None] - centres, axis=2)
    first, *others = (np.average(centres, axis=0, weights=areas**k) for k in range(4))
    return np.sort(apart.ravel()), np.cbrt(np.linalg.det(np.array(others) - first))


def verdict(good: bytes, before: Outcome, bad: bytes, after: Outcome) -> str:
    """ "same", "blocked", "refused", "another model", or what is wrong in capitals.

    "warned" is enough where volume and features are the same and only faces differ by some thousandths.
    """
    if after.end == "traceback":
        return "TRACEBACK"
    if after.end != "parts":
        ok = len(after.said) == 1 and after.said[0].strip() and "\n" not in after.said[0]
        return "refused" if ok else "NO REASON"
    if after.parts == before.parts:
        return "same"
    if after.blocking:
        return "blocked"
    if after.valid and (only_numbers_differ(good, bad) or only_moved(before, after)):
        return "another model"
    if not set(after.said) - set(before.said):
        return "SILENT"
    return "warned" if [p[:3] for p in after.parts] == [p[:3] for p in before.parts] else "NOT BLOCKED"


class Worker:
    """A child that judges one file after another; a new one takes over when it dies or hangs."""

    def __init__(self, time_limit_s: float) -> None:
        self._limit_s = time_limit_s
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(["support.kernel_loaded"])  # a new child comes at once
        # The server does not get this process's module path any other way.
        with mock.patch.dict(os.environ, PYTHONPATH=os.pathsep.join(sys.path)):
            forkserver.ensure_running()
        self._child: Any = None

    def judge(self, text: bytes) -> Outcome:
        """A death and a hang are errors of one line, as ``featurize.isolate`` makes them in the program;
        after a death less is read, as the program does."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "insert.step"
            path.write_bytes(text)
            for skip in Skip:
                outcome = self._judge(str(path), skip)
                if outcome.end != "died":
                    break
        return outcome

    def _judge(self, path: str, skip: Skip) -> Outcome:
        if self._child is None:
            self._start()
        self._ours.send((path, skip))
        try:
            if self._ours.poll(self._limit_s):
                answer: Outcome = self._ours.recv()
                return answer
            end = Outcome("hung", ("stopped at the time limit",))
        except EOFError:
            end = Outcome("died", ("the kernel crashed",))
        self.close()
        return end

    def _start(self) -> None:
        self._ours, theirs = self._context.Pipe()
        self._child = self._context.Process(target=_serve, args=(theirs,), daemon=True)
        self._child.start()
        theirs.close()
        assert self._ours.poll(60), "the child did not start"
        self._ours.recv()

    def close(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.join()
            self._ours.close()
            self._child = None


def _serve(pipe: Any) -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    pipe.send("ready")
    while True:
        pipe.send(judge(*pipe.recv()))
