"""The main jobs from end to end, as they must go on every system; also run with ``--elsewhere``."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path, PureWindowsPath

import pytest
from support.batches import ROOT, block, command, deadly, many_blocks, records, run, until
from support.serving import serving

from featurize import system

# On Linux ``--elsewhere`` runs them; an ordinary run has the same of its own.
pytestmark = [pytest.mark.elsewhere, *([pytest.mark.thorough] if sys.platform == "linux" else [])]
DEMO = ROOT / "demo_models" / "wear_plate.step"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder whose name is awkward somewhere: a drive, a space, letters of a code page and beyond."""
    folder = tmp_path / ("C" if os.name == "nt" else "C:") / "Einsätze Ø5 – Łódź"
    folder.mkdir(parents=True)
    return folder


def test_the_mode_is_what_it_says(request: pytest.FixtureRequest) -> None:
    elsewhere = bool(request.config.getoption("--elsewhere"))
    script = (
        "import os, sys, featurize.system as s\n"
        "print(hasattr(os, 'fork'), s.CAN_FORK, s._fcntl is None, s._msvcrt is None, sys.stdout.encoding)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    if elsewhere:
        assert done.stdout.split() == ["False", "False", "True", "False", "cp1252"]
    elif sys.platform == "linux":
        assert done.stdout.split()[:4] == ["True", "True", "False", "True"]


def test_a_route_from_a_file_with_crlf(place: Path) -> None:
    model = place / "Stößel.step"
    model.write_bytes(DEMO.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    (place / "Stößel.choices.toml").write_bytes('material = "carbide-12" # für später\r\n'.encode())
    (place / "shop.toml").write_bytes('[toolroom]\r\nname = "Schärferei Ørsted"\r\n'.encode())
    done = run("route", model, "--shop", place / "shop.toml")
    assert (done.returncode, done.stderr) == (0, "")
    result = place / "Stößel-route"
    route = json.loads((result / "route.json").read_text(encoding="utf-8"))
    assert route["part"]["material"] == "carbide-12"
    assert list(csv.DictReader((result / "route.csv").open(encoding="utf-8", newline="")))
    assert "Schärferei Ørsted" in (result / "report.html").read_text(encoding="utf-8")
    plain = place / "plain.step"
    plain.write_bytes(DEMO.read_bytes())
    assert run("route", plain, "--material", "carbide-12", "--shop", place / "shop.toml").returncode == 0
    other = json.loads((place / "plain-route" / "route.json").read_text(encoding="utf-8"))
    for key in ("features", "operations", "edges", "stock", "estimate"):
        assert route[key] == other[key], key


def test_what_is_printed_is_utf_8(place: Path) -> None:
    """JSON is (RFC 8259), whatever the code page of the terminal."""
    model = block(place / "Łódź ≤5.step", 12)
    done = subprocess.run(command("route", model, "--json"), capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.decode("utf-8"))["parts"][0]["route"]["part"]["source"] == "Łódź ≤5.step"
    for words in (("route", model), ("features", model), ("shop", "explain"), ("--help",)):
        done = subprocess.run(command(*words), capture_output=True, check=False, cwd=place)
        assert (done.returncode, done.stderr) == (0, b""), words
        done.stdout.decode("utf-8")


def test_a_batch_with_a_deadly_and_an_endless_file(place: Path) -> None:
    models, out = place / "in", place / "out"
    models.mkdir()
    for n in range(3):
        block(models / f"Block Ø{n}.step", 10 + n)
    deadly(models / "tödlich.step", models / "Block Ø0.step")
    many_blocks(models / "endlos.step", 600)
    done = run("batch", models, "-o", out, "--workers", 2, "--time-limit", 15, "--no-cache")
    assert done.returncode == 1, done.stderr
    found = {r["name"]: r["status"] for r in records(out)}
    assert found == {f"Block Ø{n}.step": "ok" for n in range(3)} | {
        "tödlich.step": "crashed",
        "endlos.step": "timed out",
    }
    rows = list(csv.DictReader((out / "summary.csv").open(encoding="utf-8", newline="")))
    assert [r["file"] for r in rows] == sorted(found)
    assert "Block%20%C3%980-route/" in (out / "summary.html").read_text(encoding="utf-8")
    assert not [p for p in out.iterdir() if p.name.startswith(".")]


def test_a_watched_folder(place: Path) -> None:
    (place / "in").mkdir()
    block(place / "in" / "größer.step", 11)
    done = run("watch", place / "in", "-o", place / "out", "--settled", 0.5, "--once", "--no-cache")
    assert (done.returncode, done.stdout) == (0, "ok  größer.step\n"), done.stderr


def test_the_page_takes_a_file_and_goes_on_after_a_kill(place: Path) -> None:
    model = many_blocks(place / "a.step", 4).read_bytes()
    with serving(place / "jobs") as server:
        status, text = server.ask("POST", "/api/jobs?name=St%C3%B6%C3%9Fel.step", model)
        assert status == 201
        job = json.loads(text)["id"]
        until(lambda: _revision(server, job)["state"] == "running")
        server.kill()
    with serving(place / "jobs") as server:
        until(lambda: _revision(server, job)["state"] not in ("waiting", "running"))
        assert _revision(server, job)["state"] == "done", _revision(server, job)["error"]


def _revision(server: object, job: str) -> dict[str, object]:
    return json.loads(server.ask("GET", f"/api/jobs/{job}")[1])["revisions"][0]  # type: ignore[attr-defined]


_HOLDER = """
import sys
from pathlib import Path
from featurize.system import try_lock
held = Path(sys.argv[1]).open("a+b")
print(try_lock(held), flush=True)
sys.stdin.read()
"""


def test_a_lock_is_one_processs_and_goes_with_it(tmp_path: Path) -> None:
    path = tmp_path / "held"
    words = [sys.executable, "-c", _HOLDER, str(path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "True\n"
        with path.open("a+b") as mine:
            assert system.try_lock(mine) is False
        other.kill()
        other.wait()
    with path.open("a+b") as mine:
        assert system.try_lock(mine) is True
        mine.write(b"x")
        assert path.read_bytes() in (b"", b"x"), "others read what is locked"


_PARENT = """
import os, sys, time
from featurize.isolate import Child
if __name__ == "__main__":
    child = Child()
    child.send(time.sleep, 60)
    print(child.pid, flush=True)
    sys.stdin.read()
"""


def test_a_child_ends_with_its_parent(tmp_path: Path) -> None:
    (tmp_path / "parent.py").write_text(_PARENT, encoding="ascii")
    path = os.pathsep.join(filter(None, (os.environ.get("PYTHONPATH"), str(ROOT))))
    with subprocess.Popen(
        [sys.executable, tmp_path / "parent.py"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": path},
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        until(lambda: system.resident_mb(pid) > 5)
        parent.kill()
    until(lambda: system.resident_mb(pid) == 0, 20)


def test_memory_is_seen(tmp_path: Path) -> None:
    assert system.resident_mb(os.getpid()) > 10
    assert system.resident_mb(2**22 + 1) == 0


def test_windows_paths_are_names_like_others() -> None:
    from routing.jobs.job import folder_names
    from routing.web.uploads import shown_name

    assert shown_name(r"C:\Models\Einsatz Ø5.step") == "Einsatz Ø5.step"
    reserved = {"con", "prn", "aux", "nul", "com1", "lpt1"}
    for name in folder_names([r"C:\x", "CON", "nul.step", "a. ", "x" * 200]):
        assert not PureWindowsPath(name).drive
        assert name.partition(".")[0].lower() not in reserved
        assert name == name.rstrip(". ")


def test_the_users_folders_follow_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # XDG Base Directory Specification; %LOCALAPPDATA% (Windows known folders); Apple's file system guide.
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "Local"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    for name, cache, data in (
        ("linux", "cache", ".local/share"),
        ("darwin", "Library/Caches", "Library/Application Support"),
        ("win32", "Local", "Local"),
    ):
        monkeypatch.setattr(sys, "platform", name)
        assert system.cache_folder() == tmp_path / cache
        assert system.data_folder() == tmp_path / data
