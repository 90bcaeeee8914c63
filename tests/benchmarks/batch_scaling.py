"""A batch over the MFCAD parts with one and with two workers: seconds for each, and their ratio.

python -m tests.benchmarks.batch_scaling [--parts N] [--with-bad]

With ``--with-bad`` two deadly files and an endless one are among them (time limit 20 s), for the account
of how they end; the ratio is measured without, since waiting for a limit is no work.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "tests"))

from support.batches import deadly, many_blocks, records, run_long  # noqa: E402
from support.corpus import corpus_files  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, help="so many evenly chosen parts, else all")
    parser.add_argument("--with-bad", action="store_true", help="two deadly files and an endless one too")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        models = Path(place) / "models"
        models.mkdir()
        for path in corpus_files("mfcad", "*.step", args.parts):
            shutil.copy(path, models)
        words: list[object] = ["batch", models, "--no-cache"]
        if args.with_bad:
            good = min(models.iterdir())
            deadly(models / "deadly1.step", good)
            deadly(models / "deadly2.step", max(models.glob("[0-9]*.step")))
            many_blocks(models / "endless.step", 600)
            words += ["--time-limit", 20]
        seconds = {}
        for workers in (1, 2):
            out = Path(place) / f"out{workers}"
            began = time.monotonic()
            status = run_long(*words, "-o", out, "--workers", workers)
            seconds[workers] = time.monotonic() - began
            counts = Counter(r["status"] for r in records(out))
            print(f"{workers} workers: {seconds[workers]:.1f} s, status {status}, {dict(counts)}", flush=True)
            for record in records(out):
                if record["status"] not in ("ok", "blocked"):
                    print(f"  {record['status']}: {record['name']}: {record['message']}")
        print(f"two workers are {seconds[1] / seconds[2]:.2f} times as fast as one")


if __name__ == "__main__":
    main()
