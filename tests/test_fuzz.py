"""A share of ``fuzz_step.py``: damaged files give the part as it was, a warning, or one line of error."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest
from support.keys import FOLDER
from support.mutate import MUTATIONS, Outcome, Worker, mutated, verdict
from support.rewire import REWIRINGS, Text, rewired

from featurize.step.syntax import Content

GOOD = ("wear_plate", "corner_cavity")
SHARE = 30


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    own = Worker(time_limit_s=30)
    yield own
    own.close()


@pytest.mark.parametrize("how", [mutated, rewired])
@pytest.mark.parametrize("name", GOOD)
def test_damaged_files_are_told(
    name: str, how: Callable[[bytes, str], tuple[bytes, str]], worker: Worker
) -> None:
    good = (FOLDER / f"{name}.step").read_bytes()
    before = worker.judge(good)
    assert before.end == "parts"
    found = {}
    for n in range(SHARE):
        bad, done = how(good, f"ci/{name}/{n}")
        after = worker.judge(bad)
        found[n, done] = (verdict(good, before, bad, after), after.end, after.where)
    wrong = {key: said for key, said in found.items() if said[0].isupper() or said[1] == "hung"}
    assert not wrong
    kinds = {said for said, _, _ in found.values()}
    assert {"same", "refused"} <= kinds  # neither everything nor nothing is refused


def test_mutations_follow_their_seed() -> None:
    good = (FOLDER / "wear_plate.step").read_bytes()
    some = [mutated(good, str(n)) for n in range(60)]
    assert some == [mutated(good, str(n)) for n in range(60)]
    assert {name for _, done in some for name in done.split("+")} == {m.__name__ for m in MUTATIONS}
    assert sum(bad == good for bad, _ in some) < 10


def test_rewirings_follow_their_seed_and_keep_the_grammar() -> None:
    good = (FOLDER / "wear_plate.step").read_bytes()
    assert Content(bytes(Text.of(good))).damage() == ()
    some = [rewired(good, str(n)) for n in range(60)]
    assert some == [rewired(good, str(n)) for n in range(60)]
    assert {name for _, done in some for name in done.split("+")} == {r.__name__ for r in REWIRINGS}
    codes = {note.code for bad, _ in some for note in Content(bad).damage()}
    # A record may be lost or left without use; no other damage is in the text.
    assert codes <= {"reference-missing", "geometry-unused"}


@pytest.mark.parametrize("change", REWIRINGS)
def test_each_rewiring_changes_something(change: Callable[[random.Random, Text], None]) -> None:
    text = Text.of((FOLDER / "wear_plate.step").read_bytes())
    before = bytes(text)
    for seed in range(5):
        change(random.Random(seed), text)
    assert bytes(text) != before


def test_a_wrong_answer_without_a_warning_is_a_failure() -> None:
    right, wrong = Outcome("parts", (), (("1", 1, ()),)), Outcome("parts", (), (("2", 1, ()),))
    told = Outcome("parts", ("check it",), wrong.parts)
    good, number, damaged = b"#1=A(1.5,#2);", b"#1=A(1.7,#2);", b"#1=A(1.5,#3);"
    assert verdict(good, right, damaged, wrong) == "SILENT"
    assert verdict(good, right, damaged, told) == "NOT BLOCKED"
    blocked = Outcome("parts", told.said, wrong.parts, blocking=told.said)
    assert verdict(good, right, damaged, blocked) == "blocked"
    assert verdict(good, right, number, wrong) == "another model"
    assert verdict(good + b"#2=B(1);", right, b"#2 = B(2);\n#1 = A(1.7,#2);", wrong) == "another model"
    assert verdict(good + b"#2=B(1);", right, b"#2 = B(1);\n#1 = A(1.5,#1);", wrong) == "SILENT"
    assert verdict(good, right, damaged, right) == "same"
    assert verdict(good, right, damaged, Outcome("traceback")) == "TRACEBACK"
    assert verdict(good, right, damaged, Outcome("no_solid", ("",))) == "NO REASON"


def test_a_part_turned_as_a_whole_is_another_model_and_its_mirror_image_is_not() -> None:
    faces = ((10.0, 1.0, 2.0, 3.0), (12.0, -4.0, 0.5, 2.0), (15.0, 3.0, 7.0, -1.0), (17.0, 0.0, -5.0, 4.0))
    turned = tuple((a, -y + 2, x, z) for a, x, y, z in faces)
    mirrored = tuple((a, -x, y, z) for a, x, y, z in faces)
    shifted = (*faces[:3], (17.0, 0.0, -5.0, 4.1))
    outcomes = {
        name: Outcome("parts", (), (("1", 1, (), found),))
        for name, found in {"": faces, "turned": turned, "mirrored": mirrored, "one off": shifted}.items()
    }
    good, bad = b"#1=A(#2,#3);", b"#1=A(#2,#4);"
    said = {name: verdict(good, outcomes[""], bad, after) for name, after in outcomes.items()}
    assert said == {"": "same", "turned": "another model", "mirrored": "SILENT", "one off": "SILENT"}
