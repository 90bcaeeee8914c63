"""Seconds from handing a part of 100 faces in until its mesh is with the page, over the bare kernel read.

python -m tests.benchmarks.first_view [FILE.step ...]

The server has started up and is at rest; the file is handed in over HTTP as the page does it, and the mesh
is fetched as soon as the server tells that it is there. Each file is new to the server: a comment makes its
bytes differ.
"""

from __future__ import annotations

import http.client
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import urlsplit

import cadquery as cq

from tests.benchmarks.measure import bare_read, timed
from tests.support.serving import serving

TIMES = 5


def part_of_100_faces(path: Path) -> None:
    """A plate with through bores and pockets: 6 + 14 x 1 + 16 x 5 faces."""
    plate = cq.Workplane().box(120, 90, 20)
    bores = [(-52 + 8 * i, 38) for i in range(14)]
    pockets = [(-45 + 30 * i, -35 + 20 * j) for i in range(4) for j in range(4)]
    plate = plate.faces(">Z").workplane().pushPoints(bores).hole(4)
    plate = plate.faces(">Z").workplane(origin=(0, 0, 10)).pushPoints(pockets).rect(16, 8).cutBlind(-5)
    assert plate.faces().size() == 100, plate.faces().size()
    cq.exporters.export(plate, str(path))


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
        paths = [Path(a) for a in sys.argv[1:]]
        if not paths:
            paths = [Path(folder) / "plate.step"]
            part_of_100_faces(paths[0])
        with serving(Path(folder) / "jobs") as server:
            asker = Asker(server.url)
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
