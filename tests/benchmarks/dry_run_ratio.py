"""``python -m tests.benchmarks.dry_run_ratio FOLDER MODEL ...``: a dry run against the kernel's bare read.

Pairs of a written folder and its model; processor seconds by turns in one process, medians of three, so that
a busy machine slows both alike.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

from featurize.step.read import read_step
from routing.dryrun.check import machined_part
from tests.benchmarks.measure import bare_read

_RUNS = 3


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    """Prints seconds and the ratio of each pair."""
    given = [Path(a) for a in sys.argv[1:]]
    for folder, model in zip(given[::2], given[1::2], strict=True):
        part = read_step(model, isolate=False).parts[0]
        bare_read(model)  # the libraries are loaded and warm
        pairs = [
            (
                _seconds(lambda model=model: bare_read(model)),
                _seconds(lambda folder=folder, part=part: machined_part(folder, part)),
            )
            for _ in range(_RUNS)
        ]
        read, run = (statistics.median(times) for times in zip(*pairs, strict=True))
        ratio = statistics.median(b / a for a, b in pairs)
        faces = len(part.source_faces)
        line = f"{folder.name:28} {faces:5} faces: read {read:.3f} s, run {run:.2f} s, {ratio:.0f} times\n"
        sys.stdout.write(line)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
