"""Seconds for the whole job on each demo beside the bare kernel read of the same file, in one run.

python -m tests.benchmarks.job_times [FILE.step ...]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from OCP.STEPControl import STEPControl_Reader

from featurize.brep.build import build_part
from featurize.recognise import recognise
from featurize.step.read import read_step
from routing.choices import Choices
from routing.job import run_job
from routing.shop import load_shop
from tests.benchmarks.stock_ratio import DEMOS


def bare_read_s(path: Path) -> float:
    """The kernel's own reader and transfer, nothing else."""
    start = time.perf_counter()
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    reader.OneShape()
    return time.perf_counter() - start


def main() -> None:
    paths = [Path(a) for a in sys.argv[1:]] or DEMOS
    bare_read_s(paths[0])  # the first call loads the kernel's tables
    print(f"{'model':24} {'bare read':>9} {'recognition':>11} {'whole job':>9} {'ratio':>6}")
    for path in paths:
        bare = bare_read_s(path)
        (solid,) = read_step(path, isolate=False).parts
        start = time.perf_counter()
        recognise(build_part(solid.solid))
        seen = time.perf_counter() - start
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            run_job(path, Path(folder) / "out", Choices(), load_shop())
            whole = time.perf_counter() - start
        print(f"{path.stem:24} {bare:9.3f} {seen:11.2f} {whole:9.2f} {whole / bare:6.0f}")


if __name__ == "__main__":
    main()
