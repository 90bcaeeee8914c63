"""Models and runs for the tests of batches."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "routing.cli", *map(str, words)]


def run(*words: object, hash_seed: int = 0) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"PYTHONHASHSEED": str(hash_seed)}
    return subprocess.run(
        command(*words), capture_output=True, encoding="utf-8", check=False, timeout=170, cwd=ROOT, env=env
    )


def run_long(*words: object) -> int:
    """Without a limit; its exit status."""
    return subprocess.run(command(*words), stdout=subprocess.DEVNULL, check=False, cwd=ROOT).returncode


def start(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        command(*words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        cwd=ROOT,
        # A job in the background of a shell is deaf to Ctrl-C, and so would this child be.
        preexec_fn=None if os.name == "nt" else _hear_interrupts,  # noqa: PLW1509
    )


def _hear_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def records(out: Path) -> list[dict[str, Any]]:
    """Whole lines of the ledger."""
    ledger = out / "batch.jsonl"
    if not ledger.exists():
        return []
    return [json.loads(line) for line in ledger.read_bytes().split(b"\n")[:-1]]


def until(true: Callable[[], object], limit_s: float = 100.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.02)


def hidden(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.name.startswith(".") or p.name.endswith(".tmp"))


def block(path: Path, x: float, y: float = 20, z: float = 15) -> Path:
    """A plain block, mm: the quickest job there is."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

    return _write(BRepPrimAPI_MakeBox(x, y, z).Solid(), path)


def many_blocks(path: Path, count: int) -> Path:
    """A file of so many different blocks that its job takes minutes."""
    from OCP.BRep import BRep_Builder
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.TopoDS import TopoDS_Compound

    builder, compound = BRep_Builder(), TopoDS_Compound()
    builder.MakeCompound(compound)
    for n in range(count):
        builder.Add(compound, BRepPrimAPI_MakeBox(10 + 0.1 * n, 20, 30).Solid())
    return _write(compound, path)


def deadly(path: Path, good: Path) -> Path:
    """``good`` with a face on an offset of that offset itself: the kernel follows it until its stack ends."""
    text = good.read_text()
    face = re.search(r"ADVANCED_FACE\('[^']*',\([^)]*\),#\d+", text)
    assert face
    new = 1 + max(int(n) for n in re.findall(r"^#(\d+)", text, re.MULTILINE))
    text = text.replace(face[0], f"{face[0].rpartition('#')[0]}#{new}", 1)
    head, end, tail = text.rpartition("ENDSEC;")
    path.write_text(f"{head}#{new} = OFFSET_SURFACE('',#{new},1.,.F.);\n{end}{tail}")
    return path


def _write(shape: Any, path: Path) -> Path:
    from .transforms import write_step  # under either name of this package

    return write_step(shape, path, name=path.stem)
