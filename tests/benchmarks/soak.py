"""One server over N jobs: what memory it and its worker hold after each few, and the slopes of the curves.

python -m tests.benchmarks.soak [N] [--every K]

Each job is another small block, handed in over HTTP as the page does it, with the page's stream of events
open; every second one is changed once (a revision) and every third removed again. The slope is a
least-squares line through the second half, when tables, pools and the stages' cache are full.
"""

from __future__ import annotations

import argparse
import http.client
import json
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import psutil

from tests.support.batches import block
from tests.support.serving import Serving, serving

_LONGEST_S = 300.0


@dataclass
class Soaked:
    """``server_mb`` and ``worker_mb`` are resident sizes after each few jobs."""

    jobs: int
    server_mb: list[float] = field(default_factory=list)
    worker_mb: list[float] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def slope_kb(self, curve: list[float]) -> float:
        """kB for each job of the second half."""
        half = np.arange(len(curve) // 2, len(curve))
        each = self.jobs / max(1, len(curve))
        return float(np.polyfit(half, np.array(curve)[half], 1)[0]) * 1024 / each if len(half) > 1 else 0.0


def soak(count: int, *, every: int = 25) -> Soaked:
    found = Soaked(count)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder) / "jobs") as server:
        threading.Thread(target=_listen, args=(server,), daemon=True).start()
        process = psutil.Process(server.process.pid)
        for n in range(count):
            model = block(Path(folder) / "model.step", 10 + n % 40, 20 + n / 100).read_bytes()
            job = json.loads(server.ask("POST", f"/api/jobs?name=block{n}.step", model)[1])["id"]
            _finish(server, job, 1, found)
            if n % 2:
                asked = json.dumps({"from": 1, "choices": {"material": "carbide-12"}}).encode()
                server.ask("POST", f"/api/jobs/{job}/revisions", asked)
                _finish(server, job, 2, found)
            if n % 3 == 2:
                server.ask("DELETE", f"/api/jobs/{job}")
            if (n + 1) % every == 0:
                found.server_mb.append(process.memory_info().rss / 2**20)
                children = process.children(recursive=True)
                found.worker_mb.append(sum(child.memory_info().rss for child in children) / 2**20)
                server_mb, worker_mb = found.server_mb[-1], found.worker_mb[-1]
                print(f"{n + 1:5} jobs: server {server_mb:.1f} MB, worker {worker_mb:.1f} MB", flush=True)
    found.seconds = time.monotonic() - began
    return found


def _finish(server: Serving, job: str, number: int, found: Soaked) -> None:
    deadline = time.monotonic() + _LONGEST_S
    while True:
        revision = json.loads(server.ask("GET", f"/api/jobs/{job}")[1])["revisions"][number - 1]
        if revision["state"] not in ("waiting", "running"):
            break
        assert time.monotonic() < deadline, "a job does not end"
        time.sleep(0.05)
    if revision["state"] != "done":
        found.failed.append(f"{job}: {revision['error']}")


def _listen(server: Serving) -> None:
    """As a page that stays open."""
    address = urlsplit(server.url)
    line = http.client.HTTPConnection(str(address.hostname), address.port)
    line.request("GET", "/api/events")
    stream = line.getresponse()
    while stream.readline():
        pass


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int, nargs="?", default=500)
    parser.add_argument("--every", type=int, default=25, metavar="K")
    args = parser.parse_args()
    found = soak(args.count, every=args.every)
    for name, curve in (("server", found.server_mb), ("worker", found.worker_mb)):
        print(f"{name}: {curve[0]:.1f} to {curve[-1]:.1f} MB, {found.slope_kb(curve):+.1f} kB a job")
    print(f"{found.jobs} jobs in {found.seconds:.0f} s, {len(found.failed)} failed {found.failed[:3]}")


if __name__ == "__main__":
    main()
