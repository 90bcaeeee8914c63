"""Damages good files and runs the job on each: ``python tests/fuzz_step.py --count 2000 --seed 1``.

Never a traceback, a hang or a wrong answer without a warning: what is, is counted as a failure and kept
in the folder given with --keep.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

from support.corpus import corpus_files
from support.keys import FOLDER
from support.mutate import Worker, mutated, verdict
from support.rewire import rewired

# Small ones, so that many can be tried; the sets differ in the CAD system that wrote them.
DEMOS = ("wear_plate", "forming_insert", "corner_cavity")
HOW = {"bytes": mutated, "records": rewired}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--how", choices=HOW, default="bytes", help="what is damaged: bytes and lines, or records"
    )
    parser.add_argument("--first", type=int, default=0, help="number of the first file")
    parser.add_argument("--time-limit", type=float, default=60, help="seconds for each file")
    parser.add_argument("--keep", type=Path, help="folder for the files that fail")
    args = parser.parse_args()
    good = [FOLDER / f"{name}.step" for name in DEMOS] + corpus_files("mfcad", "*.step", 20)
    worker = Worker(args.time_limit)
    texts = {path: path.read_bytes() for path in good}
    before = {path: worker.judge(text) for path, text in texts.items()}
    verdicts: Counter[str] = Counter()
    ends: Counter[str] = Counter()
    slowest, began = 0.0, time.monotonic()
    try:
        for n in range(args.first, args.first + args.count):
            path = good[n % len(good)]
            bad, done = HOW[args.how](texts[path], f"{args.seed}/{n}")
            start = time.monotonic()
            after = worker.judge(bad)
            slowest = max(slowest, time.monotonic() - start)
            said = verdict(texts[path], before[path], bad, after)
            verdicts[said] += 1
            ends[after.end] += 1
            if said.isupper() or after.end == "hung":
                print(f"{n}: {said} ({after.end}) {done} of {path.name} {after.where}", flush=True)
                if args.keep:
                    args.keep.mkdir(parents=True, exist_ok=True)
                    (args.keep / f"{n}-{done}.step").write_bytes(bad)
    except KeyboardInterrupt:
        print("interrupted")
    finally:
        worker.close()
        print(f"{verdicts.total()} files in {time.monotonic() - began:.0f} s, the slowest in {slowest:.1f} s")
        print("verdicts:", dict(verdicts.most_common()))
        print("ends:", dict(ends.most_common()))
    return 1 if any(said.isupper() for said in verdicts) else 0


if __name__ == "__main__":
    sys.exit(main())
