"""What the command says and leaves behind when it cannot do the job."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from routing.cli.app import app

ROOT = Path(__file__).resolve().parents[1]


def _run(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "routing.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, cwd=ROOT)


@pytest.mark.parametrize("words", [["--help"], ["route", "--help"], ["--version"]])
def test_help_comes_without_the_kernel(words: list[str]) -> None:
    script = (
        "import sys, routing.cli.app\n"
        f"sys.argv = ['dieroute', *{words!r}]\n"
        "try:\n    routing.cli.app.main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "heavy = {'OCP', 'cadquery', 'vtk', 'numpy', 'scipy', 'shapely', 'trimesh'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=60, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    assert "dieroute" in done.stdout


def test_a_running_job_keeps_the_kernel_out_of_the_parent(tmp_path: Path) -> None:
    (tmp_path / "bad.step").write_text("not a STEP file\n")
    script = (
        "import sys, routing.cli.app\n"
        f"sys.argv = ['dieroute', 'route', {str(tmp_path / 'bad.step')!r}]\n"
        "try:\n    routing.cli.app.main()\nexcept SystemExit as end:\n    assert end.code == 2, end.code\n"
        "assert 'OCP' not in sys.modules\n"
    )
    # A child process must be able to import the script that started it.
    (tmp_path / "script.py").write_text(
        f"if __name__ == '__main__':\n    {script.replace(chr(10), chr(10) + '    ')}"
    )
    done = subprocess.run(
        [sys.executable, tmp_path / "script.py"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
    )
    assert done.returncode == 0, done.stderr


BAD_FILES = {
    "not STEP": b"hello\n",
    "empty": b"",
    "truncated": b"ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\n",
    "no solid": (
        b"ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n"
        b"FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n"
    ),
}


@pytest.mark.parametrize("fault", BAD_FILES)
def test_a_bad_file_is_one_line_and_status_2(tmp_path: Path, fault: str) -> None:
    model = tmp_path / "insert.step"
    model.write_bytes(BAD_FILES[fault])
    done = _run("route", model)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("dieroute: ")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == [model]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--material", "cheese"], "material = 'cheese' cannot be used: write"),
        (["--working-side", "up"], "working_side = 'up' cannot be used: write"),
        (["--allowance", "-1"], "allowance_floor_mm = -1.0 cannot be used: write"),
        (["--thread", "M5"], "--thread M5: write KEY=VALUE"),
        (["--process", "F07=laser"], "processes = 'F07 = laser' cannot be used: write"),
        (["--choices", "none.toml"], "none.toml cannot be read"),
        (["--shop", "none.toml"], "none.toml cannot be read"),
        (["-o", "file.txt"], "is a file, not a folder"),
    ],
)
def test_a_wrong_option_is_one_line_and_status_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], expected: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file.txt").write_text("")
    (tmp_path / "insert.step").write_text("")
    done = CliRunner().invoke(app, ["route", "insert.step", *words])
    assert done.exit_code == 2, done.output
    assert expected in done.stderr
    assert done.stderr.count("\n") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file.txt", "insert.step"]


@pytest.mark.parametrize("debug", [False, True])
def test_our_own_faults_are_one_line_and_status_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, debug: bool
) -> None:
    def faulty(*_: object, **__: object) -> None:
        raise ZeroDivisionError("two\nlines")

    monkeypatch.setattr("routing.jobs.cache.run_job", faulty)
    words = ["route", str(tmp_path / "insert.step"), *(["--debug"] if debug else [])]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 3
    *before, last = done.stderr.splitlines()
    assert last == "dieroute: a fault of the program, not of the file: ZeroDivisionError: two lines"
    assert bool(before) == debug


def test_the_file_beside_the_model_is_found(tmp_path: Path) -> None:
    (tmp_path / "insert.step").write_text("")
    (tmp_path / "insert.choices.toml").write_text('material = "cheese"')
    done = CliRunner().invoke(app, ["route", str(tmp_path / "insert.step")])
    assert done.exit_code == 2
    assert done.stderr.startswith("dieroute: insert.choices.toml: material = 'cheese'")


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_nothing_is_left_when_stopped(tmp_path: Path, how: signal.Signals) -> None:
    model = tmp_path / "insert.step"
    model.write_bytes(b"ISO-10303-21;\nHEADER;\n" + b" " * 1_000_000)
    command = [sys.executable, "-m", "routing.cli", "route", str(model)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT)
    limit = time.monotonic() + 30
    while len(list(tmp_path.iterdir())) == 1 and running.poll() is None and time.monotonic() < limit:
        time.sleep(0.005)
    assert len(list(tmp_path.iterdir())) == 2, "the temporary folder was never seen"
    running.send_signal(how)
    running.communicate(timeout=30)
    assert running.returncode != 0
    assert list(tmp_path.iterdir()) == [model]
