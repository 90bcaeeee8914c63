"""One worker over N parts: its memory after each, the slope of the curve, and what it leaves behind.

python -m tests.benchmarks.steadiness [N] [--documents-every K] [--json FILE]

Every part is routed and ground in the same process, round and round over a few MFCAD parts. Hand-overs are
written in forks, which cannot grow the worker: ``--documents-every K`` leaves them out but for each K-th
part. The slope is a least-squares line through the second half, when tables and pools of the kernel are warm.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np

from featurize.step.read import read_step
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs.batch.task import load_all
from routing.jobs.job import route_document, run_job
from routing.jobs.recognising import inputs_of
from routing.jobs.workers.pool import Limits, Pool
from tests.benchmarks.measure import Undocumented
from tests.support.corpus import corpus_files

# Different enough to pass through all that is loaded late, few enough that rounds compare.
_PARTS = 12
_BAR = 50


def _one(task: tuple[str, str, bool], _attempt: int, _left_s: float) -> float:
    """Routes one file; what memory this process holds of its own afterwards, MB."""
    model, out = map(Path, task[:2])
    if task[2]:
        run_job(model, out, Choices(), load_shop())
    else:
        out.mkdir(parents=True)
        document = read_step(model, isolate=False)
        inputs = inputs_of(document, Choices(), load_shop())
        route_document(document, out, inputs, lambda *_: None, cache=Undocumented())
    shutil.rmtree(out)
    return _own_mb()


def _own_mb() -> float:
    """Without the libraries' pages: whose they are depends on who else runs."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("\nRssAnon:")[2].split(maxsplit=1)[0]) / 1024


def measure(count: int, documents_every: int) -> dict[str, object]:
    """The curve, MB after each part, and its slope in kB for each part."""
    models = corpus_files("mfcad", "*.step", _PARTS)
    curve: list[float] = []
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        temporary = Path(folder) / "tmp"
        temporary.mkdir()
        os.environ["TMPDIR"] = str(temporary)
        # One worker for all: it must not be replaced for its size, or for a part during which all was halted.
        with Pool(1, _one, Limits(1e6, 1e6), warm_up=load_all) as pool:
            for n in range(count):
                # Rounds take turns, so that each of the models has its documents written.
                written = (n + n // len(models)) % documents_every == 0
                pool.submit((str(models[n % len(models)]), str(Path(folder) / "out" / "part"), written))
                while not (done := pool.finished(1.0)):
                    pass
                if done[0].error is not None:
                    raise done[0].error
                curve.append(done[0].value)
                if (n + 1) % max(1, count // 20) == 0:
                    print(
                        f"{n + 1:6} parts {curve[-1]:7.1f} MB {'#' * int(_BAR * curve[-1] / max(curve))}",
                        flush=True,
                    )
        left = [str(p) for place in (temporary, Path(folder) / "out") for p in place.iterdir()]
    half = np.arange(count // 2, count)
    slope = float(np.polyfit(half, np.array(curve)[half], 1)[0]) if len(half) > 1 else 0.0
    return {
        "parts": count,
        "documents_every": documents_every,
        "seconds": round(time.monotonic() - began, 1),
        "first_mb": curve[0],
        "last_mb": curve[-1],
        "slope_kb_per_part": round(slope * 1024, 2),
        "left_behind": left,
        "curve_mb": [round(mb, 1) for mb in curve],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int, nargs="?", default=2000)
    parser.add_argument("--documents-every", type=int, default=1, metavar="K")
    parser.add_argument("--json", type=Path, help="file for the figures")
    args = parser.parse_args()
    found = measure(args.count, args.documents_every)
    if args.json:
        args.json.write_text(json.dumps(found, indent=1) + "\n")
    print(
        f"{found['parts']} parts in {found['seconds']} s: {found['first_mb']:.0f} MB after the first, "
        f"{found['last_mb']:.0f} MB after the last, {found['slope_kb_per_part']} kB for each part of the "
        f"second half; left behind: {found['left_behind'] or 'nothing'}"
    )


if __name__ == "__main__":
    main()
