"""Kept results: the same bytes for the same input, nothing for another, nothing from a damaged entry."""

from __future__ import annotations

import copy
import hashlib
import io
import json
import os
import time
import zipfile
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from support.batches import block, run

from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs import cache as module
from routing.jobs import job_inputs
from routing.jobs.cache import ResultCache, cached_run, default_folder
from routing.jobs.job_inputs import Inputs, program, sha256_of
from routing.jobs.result import JobResult, PartResult
from tests.support.routed import owned, shop_with

SHOP = load_shop()
pytestmark = pytest.mark.elsewhere


def _files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def kept(tmp_path: Path) -> ResultCache:
    return ResultCache(tmp_path / "cache")


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The jobs that were really done."""
    done: list[Path] = []
    real = module.run_job

    def counted(model: Path, *args: Any, **kwargs: Any) -> JobResult:
        done.append(model)
        return real(model, *args, **kwargs)

    monkeypatch.setattr(module, "run_job", counted)
    return done


def test_an_unchanged_part_is_copied_and_said(tmp_path: Path, kept: ResultCache, jobs: list[Path]) -> None:
    model = block(tmp_path / "a.step", 12)
    first = cached_run(model, tmp_path / "one", Choices(), SHOP, cache=kept)
    began = time.perf_counter()
    second = cached_run(model, tmp_path / "two", Choices(), SHOP, cache=kept)
    assert time.perf_counter() - began < 1
    assert len(jobs) == 1
    assert _files(tmp_path / "one") == _files(tmp_path / "two")
    assert "cache" in second.notes[-1]
    assert not any("cache" in note for note in first.notes)
    assert [p.folder for p in second.parts] == [p.folder for p in first.parts]
    assert second.parts[0].route["operations"] == first.parts[0].route["operations"]
    cached_run(model, tmp_path / "three", Choices(), SHOP, cache=None)
    cached_run(model, tmp_path / "four", Choices(material="carbide-12"), SHOP, cache=kept)
    assert len(jobs) == 3


@pytest.mark.parametrize("damage", ["flipped", "cut", "emptied", "swapped"])
def test_a_damaged_entry_is_found_and_rebuilt(
    tmp_path: Path, kept: ResultCache, jobs: list[Path], damage: str
) -> None:
    model = block(tmp_path / "a.step", 12)
    cached_run(model, tmp_path / "one", Choices(), SHOP, cache=kept)
    (entry,) = kept.folder.iterdir()
    good = entry.read_bytes()
    bad = bytearray(good)
    bad[len(bad) // 2] ^= 1
    entry.write_bytes(
        {"flipped": bytes(bad), "cut": good[:-20], "emptied": b"", "swapped": b"PK" + good}[damage]
    )
    again = cached_run(model, tmp_path / "two", Choices(), SHOP, cache=kept)
    assert len(jobs) == 2
    assert not any("cache" in note for note in again.notes)
    cached_run(model, tmp_path / "three", Choices(), SHOP, cache=kept)
    assert len(jobs) == 2, "it was rebuilt"
    assert (tmp_path / "one" / "route.json").read_bytes() == (tmp_path / "three" / "route.json").read_bytes()


def test_every_input_is_in_the_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blank = tmp_path / "blank.step"
    blank.write_text("one")
    base = ("a.step", "0" * 64, Choices(), SHOP)
    wheels = shop_with(SHOP, wheels=owned("wheels", SHOP)[:-1])

    def key_of(*asked: Any) -> str:
        return Inputs.of(*asked).digest

    keys = [
        key_of(*base),
        key_of("b.step", *base[1:]),
        key_of("a.step", "1" * 64, *base[2:]),
        key_of(*base[:2], Choices(threads={"all": "plain"}), SHOP),
        key_of(*base[:2], Choices(allowance_floor_mm=0.02), SHOP),
        key_of(*base[:2], Choices(blank=str(blank)), SHOP),
        key_of(*base[:3], wheels),
    ]
    assert key_of("a.step", "0" * 64, Choices(), load_shop()) == keys[0], "equal inputs, equal keys"
    blank.write_text("two")
    keys.append(key_of(*base[:2], Choices(blank=str(blank)), SHOP))
    monkeypatch.setattr(job_inputs, "program", lambda: "a later program")
    keys.append(key_of(*base))
    assert len(set(keys)) == len(keys)
    assert len(program()) == 64


def _keep(cache: ResultCache, tmp_path: Path, key: str, size: int) -> None:
    folder = tmp_path / "result"
    folder.mkdir(exist_ok=True)
    (folder / "route.json").write_text(json.dumps(os.urandom(size // 2).hex()))  # does not shrink by much
    cache.keep(key, folder, JobResult((PartResult(".", 1, {}),), ()))


def test_the_least_recently_used_goes(tmp_path: Path) -> None:
    cache = ResultCache(tmp_path / "cache", limit_bytes=150_000)
    for n, key in enumerate(("a", "b")):
        _keep(cache, tmp_path, key, 100_000)
        os.utime(cache.folder / f"{key}.zip", (n, n))
    assert cache.fetch("a", tmp_path / "out") is not None  # used: b is now the oldest
    _keep(cache, tmp_path, "c", 100_000)
    assert sorted(p.name for p in cache.folder.iterdir()) == ["a.zip", "c.zip"]
    assert sum(p.stat().st_size for p in cache.folder.iterdir()) <= cache.limit_bytes


def test_what_a_killed_writer_left_goes_and_what_is_being_written_stays(
    tmp_path: Path, kept: ResultCache
) -> None:
    kept.folder.mkdir()
    old, young = kept.folder / ".x.tmp", kept.folder / ".y.tmp"
    old.write_text("")
    young.write_text("")
    os.utime(old, (0, 0))
    _keep(kept, tmp_path, "a", 10)
    assert sorted(p.name for p in kept.folder.iterdir()) == [".y.tmp", "a.zip"]


def test_a_folder_that_cannot_be_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    _keep(ResultCache(tmp_path / "file" / "cache"), tmp_path, "a", 10)


def test_a_file_that_changed_under_the_job_is_not_kept(
    tmp_path: Path, kept: ResultCache, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = block(tmp_path / "a.step", 12)
    real = module.run_job

    def late(*args: Any, **kwargs: Any) -> JobResult:
        model.write_bytes(block(tmp_path / "other.step", 13).read_bytes())
        return real(*args, **kwargs)

    monkeypatch.setattr(module, "run_job", late)
    cached_run(model, tmp_path / "one", Choices(), SHOP, cache=kept)
    assert not kept.folder.exists()


def test_the_users_folder_follows_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # XDG Base Directory Specification: $XDG_CACHE_HOME, else ~/.cache.
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert default_folder().is_relative_to(tmp_path)
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert default_folder().is_relative_to(tmp_path / "home" / ".cache")


def test_a_batch_uses_it_and_loads_no_kernel(tmp_path: Path) -> None:
    models = tmp_path / "models"
    models.mkdir()
    block(models / "a.step", 12)
    words = ("batch", models, "--workers", 1, "--cache", tmp_path / "cache", "-o")
    first, second = run(*words, tmp_path / "one"), run(*words, tmp_path / "two")
    assert (first.returncode, second.returncode) == (0, 0)
    assert "from the cache" not in first.stdout
    assert "1 copied from the cache" in second.stdout
    assert _files(tmp_path / "one" / "a-route") == _files(tmp_path / "two" / "a-route")
    assert sha256_of(models / "a.step") in (tmp_path / "two" / "a-route" / "route.json").read_text()


def _forge(cache: ResultCache, change: Callable[[dict[str, bytes], dict[str, Any]], None]) -> None:
    """Another archive under the same key, its checksum right: whoever may write there can do that."""
    (entry,) = cache.folder.iterdir()
    with zipfile.ZipFile(io.BytesIO(entry.read_bytes().partition(b"\n")[2])) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(files.pop("result.json"))
    change(files, manifest)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, content in (files | {"result.json": json.dumps(manifest).encode()}).items():
            archive.writestr(name, content)
    content = stream.getvalue()
    entry.write_bytes(hashlib.sha256(content).hexdigest().encode() + b"\n" + content)


FORGED: dict[str, Callable[[dict[str, bytes], dict[str, Any]], None]] = {
    "above": lambda files, _: files.update({"files/../../escaped.step": b"x"}),
    "a known name above": lambda files, _: files.update({"files/../route.csv": b"x"}),
    "absolute": lambda files, _: files.update({"files//tmp/route.csv": b"x"}),
    "a drive": lambda files, _: files.update({"files/C:\\route.csv": b"x"}),
    "backslashes": lambda files, _: files.update({"files/..\\..\\route.csv": b"x"}),
    "a name that no job gives": lambda files, _: files.update({"files/run_me.sh": b"x"}),
    "hidden": lambda files, _: files.update({"files/.route.csv": b"x"}),
    "another part's folder": lambda files, m: (
        m.update(parts=[["1-a", 1]]),
        files.update({"files/1-a/route.json": files["files/route.json"]}),
    ),
    "a part above": lambda files, m: m.update(parts=[["..", 1]]),
    "no route": lambda files, _: files.pop("files/route.json"),
    "no manifest": lambda _, m: m.pop("parts"),
    "not beneath": lambda files, _: files.update({"route.csv": files.pop("files/route.csv")}),
}


@pytest.mark.parametrize("how", FORGED)
def test_a_forged_entry_writes_nothing_that_a_job_may_not(
    tmp_path: Path, kept: ResultCache, jobs: list[Path], how: str
) -> None:
    model = block(tmp_path / "a.step", 12)
    place = tmp_path / "deep" / "in"
    first = cached_run(model, place / "one", Choices(), SHOP, cache=kept)
    _forge(kept, FORGED[how])
    before = set(tmp_path.rglob("*"))
    again = cached_run(model, place / "two", Choices(), SHOP, cache=kept)
    new = {p for p in set(tmp_path.rglob("*")) - before if place / "two" not in (p, *p.parents)}
    if how == "not beneath":  # the same file, at another place in the archive: harmless
        assert "cache" in again.notes[-1]
    else:
        assert len(jobs) == 2
    assert new == set()
    assert not Path("/tmp/route.csv").exists()
    assert _files(place / "one") == _files(place / "two")
    assert again.parts == first.parts


def test_an_entry_that_unpacks_without_end_is_dropped(tmp_path: Path) -> None:
    cache = ResultCache(tmp_path / "cache", limit_bytes=10_000_000)
    _keep(cache, tmp_path, "a", 100)
    _forge(cache, lambda files, _: files.update({"files/route.csv": bytes(20_000_000)}))
    assert (cache.folder / "a.zip").stat().st_size > 10_000_000  # stored: what matters is what it unpacks to
    assert cache.fetch("a", tmp_path / "out") is None


def test_what_is_kept_is_what_the_job_made_whoever_else_writes_there(
    tmp_path: Path, kept: ResultCache, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another run puts its result into the same folder before the first one has kept its own."""
    one, other = block(tmp_path / "a.step", 12), block(tmp_path / "b.step", 30)
    real = ResultCache.keep
    turns = iter([True])

    def late(self: ResultCache, key: str, folder: Path, result: JobResult) -> None:
        if next(turns, False):
            cached_run(other, tmp_path / "out", Choices(), SHOP, cache=kept)
        real(self, key, folder, result)

    monkeypatch.setattr(ResultCache, "keep", late)
    cached_run(one, tmp_path / "out", Choices(), SHOP, cache=kept)
    for model in (one, other):
        again = cached_run(model, tmp_path / model.stem, Choices(), SHOP, cache=kept)
        assert "cache" in again.notes[-1]
        route = json.loads((tmp_path / model.stem / "route.json").read_text())
        assert route["part"]["sha256"] == sha256_of(model)


def test_every_choice_and_every_part_of_the_shop_is_in_the_digest() -> None:
    """So that a new one cannot be forgotten; values need not make sense."""
    base = Inputs("a.step", "0" * 64, Choices(), SHOP)
    digests = {base.digest}
    for inputs in (
        *(replace(base, choices=_with(base.choices, f.name)) for f in fields(Choices)),
        *(replace(base, shop=_with(SHOP, f.name)) for f in fields(SHOP)),
        *(_with(base, f.name) for f in fields(base) if f.name not in ("choices", "shop")),
    ):
        digests.add(inputs.digest)
        assert inputs != base
    assert len(digests) == 1 + len(fields(Choices)) + len(fields(SHOP)) + len(fields(base)) - 2


def _with(value: Any, name: str) -> Any:
    changed = copy.copy(value)
    object.__setattr__(changed, name, "another")
    return changed


def test_what_a_stage_does_not_look_at_leaves_its_key_alone() -> None:
    def of(**choices: Any) -> Inputs:
        return Inputs("a.step", "0" * 64, Choices(**choices), SHOP)

    plain = of()
    blank, thread, edge = (
        of(blank_margin_mm=2.0),
        of(threads={"all": "plain"}),
        of(edges={"rib": "may break"}),
    )
    for name, touched in (
        ("part", ()),
        ("recognition", (thread,)),
        ("routing", (blank, thread)),  # the blank is squared first
        ("ordering", (blank, thread, edge)),
        ("stock", (blank,)),
    ):
        keys = [getattr(i, name)(0) != getattr(plain, name)(0) for i in (blank, thread, edge)]
        assert keys == [i in touched for i in (blank, thread, edge)], name
        assert getattr(plain, name)(0) != getattr(plain, name)(1)
        assert getattr(plain, name)(0) == getattr(of(), name)(0)
        hash(getattr(plain, name)(0))
