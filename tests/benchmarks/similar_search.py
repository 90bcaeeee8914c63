"""How long it takes to find what is like a part among N simulated jobs: the first search, and those after it.

python -m tests.benchmarks.similar_search [N]
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

from routing.web.liking import alike
from routing.web.store import Store
from tests.support.kept_jobs import simulated_jobs

_AGAIN = 5


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        described = simulated_jobs(store, count, random.Random(7))
        store.close()
        store = Store(Path(folder))  # as after a start: nothing is in memory
        for n in range(1 + _AGAIN):
            for what, words in (
                ("by shape", ""),
                ("by shape and words", "pocket d6"),
                ("by words", "pocket"),
            ):
                mine = described[n * 7 % count] if "shape" in what else None
                start = time.perf_counter()
                found = alike(store, mine, words, "")["alike"]
                spent = time.perf_counter() - start
                print(
                    f"{'first' if n == 0 else 'later':5} {what:18} {spent * 1000:7.1f} ms, {len(found)} shown"
                )
        store.close()


if __name__ == "__main__":
    main()
