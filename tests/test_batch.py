"""A folder with deadly and endless files: the batch finishes, names them, and goes on after a kill."""

from __future__ import annotations

import csv
import re
import shutil
import signal
import sys
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import batches
from support.batches import block, deadly, hidden, many_blocks, records, run, run_long, start, until
from support.corpus import corpus_files, needs_corpus
from support.inserts import insert_file

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.batch import summary
from routing.jobs.batch.dispatch import Dispatcher, step_files
from routing.jobs.batch.ledger import NAME, Ledger, Record, Status
from routing.jobs.errors import OutputError
from routing.jobs.workers.pool import Limits

SHOP = load_shop()
needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of eight different small parts."""
    folder = tmp_path_factory.mktemp("small")
    for n in range(8):
        block(folder / f"block{n}.step", 10 + n)
    return folder


def _statuses(out: Path) -> dict[str, str]:
    return {r["name"]: r["status"] for r in records(out)}


@pytest.mark.thorough  # test_elsewhere.py has one such batch in every run
@needs_corpus
def test_deadly_and_endless_files_are_named_and_the_rest_is_done(tmp_path: Path) -> None:
    models, out = tmp_path / "models", tmp_path / "out"
    models.mkdir()
    for path in sorted(corpus_files("mfcad", "*.step"), key=lambda p: p.stat().st_size)[:8]:
        shutil.copy(path, models)
    good = {p.name for p in models.iterdir()}
    deadly(models / "a deadly.step", next(models.iterdir()))
    many_blocks(models / "an endless.stp", 600)
    (models / "no model.step").write_text("hello\n")
    (models / "readme.txt").write_text("not asked for\n")
    done = run("batch", models, "-o", out, "--workers", 2, "--time-limit", 25, "--no-cache")
    assert done.returncode == 1, done.stderr
    found = _statuses(out)
    assert {name for name, status in found.items() if status in ("ok", "blocked")} == good
    assert found["a deadly.step"] == "crashed"
    assert found["an endless.stp"] == "timed out"
    assert found["no model.step"] == "failed"
    for name in ("a deadly.step", "an endless.stp", "no model.step"):
        assert name in done.stdout
    for name in good:
        assert (out / f"{Path(name).stem}-route" / "route.json").is_file()
    assert hidden(out) == []
    rows = list(csv.DictReader((out / "summary.csv").open()))
    assert [r["file"] for r in rows] == sorted(found)
    again = run("batch", models, "-o", out, "--workers", 2, "--time-limit", 25, "--no-cache")
    assert again.returncode == 1
    assert len(records(out)) == len(found), "what failed is not tried again while nothing changes"


@needs_posix
def test_a_killed_batch_goes_on_and_does_nothing_twice(small: Path, tmp_path: Path) -> None:
    words = ("batch", small, "-o", tmp_path, "--workers", 2, "--no-cache")
    running = start(*words)
    until(lambda: len(records(tmp_path)) >= 3)
    running.kill()
    running.communicate()
    before = records(tmp_path)
    assert 3 <= len(before) < 8
    for r in before:
        assert (tmp_path / r["folder"] / "route.json").is_file()
    times = {r["folder"]: (tmp_path / r["folder"] / "route.json").stat().st_mtime_ns for r in before}
    done = run(*words)
    assert done.returncode == 0, done.stderr
    assert Counter(r["name"] for r in records(tmp_path)) == {f"block{n}.step": 1 for n in range(8)}
    for folder, time_ns in times.items():
        assert (tmp_path / folder / "route.json").stat().st_mtime_ns == time_ns
    assert hidden(tmp_path) == []


@needs_posix
@pytest.mark.parametrize(("how", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_stopping_is_clean(tmp_path: Path, how: signal.Signals, status: int) -> None:
    models, out = tmp_path / "models", tmp_path / "out"
    models.mkdir()
    block(models / "a.step", 10)
    many_blocks(models / "b.step", 600)
    running = start("batch", models, "-o", out, "--workers", 1, "--no-cache")
    until(lambda: records(out) and hidden(out))
    running.send_signal(how)
    _, said = running.communicate(timeout=30)
    assert running.returncode == status
    assert "Traceback" not in said
    assert hidden(out) == []
    assert [r["file"] for r in csv.DictReader((out / "summary.csv").open())] == ["a.step"]


@pytest.mark.thorough  # of one job test_cli_route.py holds it in every run
def test_two_runs_give_the_same_bytes(small: Path, tmp_path: Path) -> None:
    models = tmp_path / "models"
    models.mkdir()
    for path in [*sorted(small.iterdir())[:1], *corpus_files("mfcad", "*.step", 2)]:
        shutil.copy(path, models)
    for n in (1, 2):
        words = ("batch", models, "-o", tmp_path / f"out{n}", "--workers", n, "--no-cache")
        assert run(*words, hash_seed=n).returncode in (0, 1)
    one, two = (
        {p.relative_to(tmp_path / out): p for p in (tmp_path / out).rglob("*") if p.is_file()}
        for out in ("out1", "out2")
    )
    assert one.keys() == two.keys()
    for name in one.keys() - {Path(NAME)}:
        first, second = (_without_time(files[name].read_bytes()) for files in (one, two))
        assert first == second, name


def _without_time(text: bytes) -> bytes:
    """ISO 10303-21's header may say when a file was written."""
    return re.sub(rb"(FILE_NAME\('[^']*',)'[^']*'", rb"\1", text, count=1)


def test_an_empty_folder_is_well_and_a_missing_one_is_not(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert run("batch", tmp_path / "empty", "-o", tmp_path / "out").returncode == 0
    assert run("batch", tmp_path / "missing", "-o", tmp_path / "out").returncode == 2
    wrong = run("batch", tmp_path / "empty", "-o", tmp_path / "out", "--material", "cheese")
    assert wrong.returncode == 2
    assert wrong.stderr.count("\n") == 1


def test_the_ledger_is_held_by_one_and_survives_a_torn_line(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.add(Record("a.step", "a-route", "k", Status.OK, parts=({"part": "a"},)))
        if sys.platform != "win32":
            with pytest.raises(OutputError, match="another batch"):
                Ledger(tmp_path)
    with (tmp_path / NAME).open("ab") as file:
        file.write(b'{"name": "b.st')
    with Ledger(tmp_path) as ledger:
        assert list(ledger.records) == ["a.step"]
        ledger.add(Record("c.step", "c-route", "k", Status.FAILED, "why"))
    with Ledger(tmp_path) as ledger:
        assert ledger.records["a.step"] == Record("a.step", "a-route", "k", Status.OK, parts=({"part": "a"},))
        assert ledger.records["c.step"].status is Status.FAILED


def test_only_step_files_of_others_are_found(tmp_path: Path) -> None:
    for name in (
        "b.STP", "a.step", ".hidden.step", "a.txt", "sub/c.step", "out/x-route/y.step", "a-route/route.json",
        "a-route/processes.step", ".git/z.step",
    ):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    out = tmp_path / "out"
    assert [n for n, _ in step_files(tmp_path, out, recursive=False)] == ["a.step", "b.STP"]
    assert [n for n, _ in step_files(tmp_path, out, recursive=True)] == ["a.step", "b.STP", "sub/c.step"]


_WORDS = ("a", "A", "b", "a-route", "a.step-route")
_PLACES = ["", *(f"{w}/" for w in _WORDS), *(f"{v}/{w}/" for v in _WORDS for w in _WORDS)]
_NAMES = st.lists(
    st.builds("{}{}{}".format, *map(st.sampled_from, (_PLACES, _WORDS, (".step", ".stp", ".STEP")))),
    unique=True,
    max_size=12,
)


@settings(deadline=None)
@given(_NAMES)
def test_no_result_lies_in_another(names: list[str]) -> None:
    ledger = type("Held", (), {"records": {}})()
    dispatcher = Dispatcher(Path("/nowhere"), lambda p: Choices(), SHOP, ledger, batches, Limits())  # type: ignore[arg-type]
    folders = [tuple(part.casefold() for part in Path(dispatcher._folder_for(n)).parts) for n in names]
    for n, one in enumerate(folders):
        for other in folders[n + 1 :]:
            short = min(len(one), len(other))
            assert one[:short] != other[:short]


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.links += [value or "" for key, value in attrs if key == "href"]


def test_names_are_harmless_in_the_summary() -> None:
    part = {
        "part": "<script>alert(1)</script>", "pieces": 2, "operations": 3, "minutes": 60.0, "minutes_low": 40,
        "minutes_high": 90, "cost": 10.0, "cost_low": 8, "cost_high": 12, "currency": "<EUR>", "flags": ["x"],
    }  # fmt: skip
    evil = '"><img src=x>.step'
    shown = [
        Record("=cmd()|x.step", "j/a b#?-route", "k", Status.OK, parts=(part,)),
        Record(evil, evil, "", Status.CRASHED, "<b>died</b>\nhere"),
    ]
    tags = _Tags()
    tags.feed(summary.html_text(shown))
    assert not {"script", "img", "b"} & tags.tags.keys()
    assert tags.links == ["j/a%20b%23%3F-route/"]
    assert "about 2 h and 20" in summary.html_text(shown), "both pieces count"
    rows = list(csv.DictReader(summary.csv_text(shown).splitlines()))
    assert [r["file"] for r in rows] == ["'=cmd()|x.step", evil]
    assert rows[1]["message"] == "<b>died</b> here"


@pytest.mark.thorough
def test_a_part_of_a_thousand_faces_stays_under_two_gigabytes(tmp_path: Path) -> None:
    """With all its papers; on a busy machine single papers may run out of time, which is told."""
    (tmp_path / "in").mkdir()
    insert_file(1000, tmp_path / "in")
    words = ("--memory-limit", "2000", "--time-limit", "3000", "--no-cache", "--material", "carbide-12")
    run_long("batch", tmp_path / "in", "-o", tmp_path / "out", *words)
    (told,) = csv.DictReader((tmp_path / "out" / "summary.csv").open(encoding="utf-8"))
    assert told["status"] in (Status.OK, Status.BLOCKED), told["message"]
    assert int(told["features"]) > 100
    assert "not-written" not in told["flags"]
