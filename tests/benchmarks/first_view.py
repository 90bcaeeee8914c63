"""Seconds from handing a part of 100 or 400 faces in to its mesh on the page, over the bare kernel read.

python -m tests.benchmarks.first_view [FILE.step ...]
python -m tests.benchmarks.first_view --at-once FILE.step ...    hands all in one after the other, then waits

The server has started up and is at rest; the file is handed in over HTTP as the page does it, and the mesh
is fetched as soon as the server tells that it is there. Each file is new to the server: a comment makes its
bytes differ.
"""

from __future__ import annotations

import http.client
import json
import math
import statistics
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import urlsplit

import cadquery as cq
import numpy as np

from tests.benchmarks.measure import bare_read, timed
from tests.support.serving import serving

TIMES = 5


def part_of_faces(path: Path, pockets: int) -> None:
    """A plate with 14 through bores and so many pockets: 6 + 14 + 5 faces for each pocket."""
    across = math.ceil(math.sqrt(pockets))
    spots = [(24 * (i % across), 16 * (i // across)) for i in range(pockets)]
    wide, high = 24 * across + 16, 16 * math.ceil(pockets / across) + 24
    middle = np.array([12 * (across - 1), 8 * (math.ceil(pockets / across) - 1)])
    plate = cq.Workplane().box(wide, high, 20)
    bores = [(-wide / 2 + 8 + (wide - 16) / 13 * i, high / 2 - 6) for i in range(14)]
    plate = plate.faces(">Z").workplane().pushPoints(bores).hole(4)
    at = [tuple(np.array(s) - middle - (0, 4)) for s in spots]
    plate = plate.faces(">Z").workplane(origin=(0, 0, 10)).pushPoints(at).rect(16, 8).cutBlind(-5)
    assert plate.faces().size() == 20 + 5 * pockets, plate.faces().size()
    cq.exporters.export(plate, str(path))


def at_once(asker: Asker, paths: list[Path]) -> None:
    """When each first view and the last papers are there, after all were handed in."""
    start = time.perf_counter()
    waiting = {}
    for path in paths:
        job = json.loads(asker.ask("POST", f"/api/jobs?name={path.name}", path.read_bytes()))["id"]
        waiting[job] = path.stem
    print(f"{len(paths)} handed in after {time.perf_counter() - start:.1f} s")
    seen: dict[str, float] = {}
    done: dict[str, float] = {}
    while len(done) < len(waiting):
        for job in waiting:
            if job not in seen and b'"positions"' in asker.ask("GET", f"/api/jobs/{job}/view/preview"):
                seen[job] = time.perf_counter() - start
        for row in json.loads(asker.ask("GET", "/api/list"))["jobs"]:
            if row["id"] not in done and row["state"] not in ("waiting", "running"):
                done[row["id"]] = time.perf_counter() - start
        time.sleep(0.1)
    print(f"first views from {min(seen.values()):.1f} to {max(seen.values()):.1f} s")
    print(f"papers from {min(done.values()):.1f} to {max(done.values()):.1f} s")


class Asker:
    """The page's requests, without a browser."""

    def __init__(self, url: str) -> None:
        self._host = urlsplit(url).netloc
        self._key = ""
        self._key = json.loads(self.ask("GET", "/api/session"))["key"]

    def ask(self, method: str, path: str, body: bytes | None = None) -> bytes:
        line = http.client.HTTPConnection(self._host, timeout=120)
        line.request(method, path, body, {"X-Dieroute-Key": self._key})
        answer = line.getresponse().read()
        line.close()
        return answer

    def first_view_s(self, content: bytes) -> float:
        events = http.client.HTTPConnection(self._host, timeout=120)
        events.request("GET", "/api/events")
        stream = events.getresponse()
        stream.readline()
        start = time.perf_counter()
        job = json.loads(self.ask("POST", "/api/jobs?name=plate.step", content))["id"]
        while not (b'"preview"' in (line := stream.readline()) and job.encode() in line):
            assert b'"failed"' not in line, line
        mesh = json.loads(self.ask("GET", f"/api/jobs/{job}/view/preview"))
        taken = time.perf_counter() - start
        assert mesh["positions"]
        self.ask("POST", f"/api/jobs/{job}/1/stop")
        self.ask("POST", "/api/jobs?name=none.step", b"none")
        while b'"failed"' not in stream.readline():
            pass  # the new worker has started up when it has refused this one
        events.close()
        return taken


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(a) for a in sys.argv[1:] if a != "--at-once"]
        if not paths:
            paths = [Path(folder) / f"faces_{faces}.step" for faces in (100, 400)]
            for path, pockets in zip(paths, (16, 76), strict=True):
                part_of_faces(path, pockets)
        with serving(Path(folder) / "jobs") as server:
            asker = Asker(server.url)
            if "--at-once" in sys.argv:
                at_once(asker, paths)
                return
            print(f"{'model':24} {'bare read':>9} {'first view':>10} {'ratio':>6}")
            for path in paths:
                asker.first_view_s(path.read_bytes())
                bare_read(path)  # the first call loads the kernel's tables
                bare, seen = [], []
                for n in range(TIMES):  # in turn: a busy machine slows both
                    bare.append(timed(lambda path=path: bare_read(path)))
                    seen.append(asker.first_view_s(path.read_bytes() + f"/* {n} */\n".encode()))
                a, b = statistics.median(bare), statistics.median(seen)
                print(f"{path.stem:24} {a:9.3f} {b:10.3f} {b / a:6.1f}")


if __name__ == "__main__":
    main()
