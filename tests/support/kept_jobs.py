"""Jobs with results as a server leaves them, without a kernel: what is looked up of them is a route file."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping, Sequence
from typing import Any

from routing.web.likeness import PartShape
from routing.web.records import State
from routing.web.shapes import Described
from routing.web.store import Store

STEPS = (
    ("square", "surface grind", 20.0, 12.0),
    ("drill", "mill", 15.0, 6.0),
    ("wire", "wire", 20.0, 70.0),
    ("grind", "surface grind", 20.0, 35.0),
    ("inspect", "inspect", 10.0, 9.0),
)


def route(
    sha256: str,
    *,
    name: str = "part",
    material: str = "steel-60hrc",
    box_mm: Sequence[float] = (52.0, 44.0, 20.0),
    volume_mm3: float = 41_000.0,
    features: Sequence[Mapping[str, Any]] = (),
    factor: float = 1.0,
) -> dict[str, Any]:
    """What is read of a route file here: part, features, operations and the lines of the estimate."""
    operations, lines = [], []
    for number, (stage, process, set_up, run) in enumerate(STEPS, 1):
        operations.append(
            {"number": number, "stage": stage, "process": process, "setup": number, "features": ["F01"]}
        )
        lines.append(
            {"operation": number, "what": stage, "process": process, "set_up_min": set_up * factor,
             "run_min": run * factor, "idle_min": 0.0, "factor": factor}
        )  # fmt: skip
    lines.append({"operation": None, "what": "blank", "process": "material", "set_up_min": 0.0,
                  "run_min": 0.0, "idle_min": 0.0, "factor": 1.0})  # fmt: skip
    minutes = sum(line["set_up_min"] + line["run_min"] for line in lines)
    return {
        "part": {"name": name, "sha256": sha256, "material": material, "box_mm": list(box_mm),
                 "volume_mm3": volume_mm3},
        "features": list(features),
        "operations": operations,
        "estimate": {"minutes": minutes, "cost": minutes * 1.2, "currency": "EUR", "lines": lines},
    }  # fmt: skip


def feature(kind: str, at: Sequence[float] | None = None, thread: str = "", **dims: float) -> dict[str, Any]:
    """As a route file lists it; ``at`` makes it a bore along z at that place."""
    return {
        "kind": kind,
        "dims": {f"{key}_mm": value for key, value in dims.items()},
        "axis": at and {"origin_mm": [*at, 0.0], "direction": [0.0, 0.0, 1.0]},
        "bores": [{"start_diameter_mm": dims.get("diameter", 1.0)}] if at else [],
        "thread": {"designation": thread} if thread else None,
    }


def keep_job(store: Store, name: str, *routes: Mapping[str, Any], count: int = 1, **choices: Any) -> str:
    """A finished job of these parts; gives its id."""
    upload = store.incoming / "upload"
    upload.write_bytes(b"ISO-10303-21;")
    job = store.add(upload, name, routes[0]["part"]["sha256"], choices).id
    parts = []
    for n, told in enumerate(routes):
        folder = store.result(job, 1) / f"part{n}"
        folder.mkdir(parents=True)
        (folder / "route.json").write_text(json.dumps(told), encoding="utf-8")
        parts.append({"folder": f"part{n}", "count": count, "name": told["part"]["name"]})
    store.update(job, 1, state=State.DONE, summary={"parts": parts})
    return job


def random_features(rng: random.Random) -> tuple[list[dict[str, Any]], tuple[float, float, float]]:
    """Features of an insert as shops make them, and its box: bores on a few diameters, pockets, slots."""
    box = (rng.choice([40, 50, 52, 60, 80]) + rng.choice([0, 0, 1.5]), rng.choice([30, 40, 44, 50]),
           rng.choice([15, 20, 25]))  # fmt: skip
    found = []
    for _ in range(rng.randint(1, 4)):
        for _ in range(rng.choice([1, 2, 4])):
            at = (rng.uniform(5, box[0] - 5), rng.uniform(5, box[1] - 5))
            kind = rng.choice(["hole", "threaded hole", "hole"])
            size = rng.choice([4.2, 5.0, 6.0, 6.6, 8.0, 10.0])
            found.append(feature(kind, at, diameter=size, depth=rng.choice([8.0, 11.0, box[2]])))
    for kind in rng.sample(["pocket", "slot", "step", "blind slot", "through profile"], rng.randint(1, 3)):
        found.append(feature(kind, width=rng.choice([4, 6, 8, 10, 12.0]), length=round(rng.uniform(6, 30), 1),
                             depth=rng.choice([1, 2, 3, 5.0])))  # fmt: skip
    return found, box


def simulated_jobs(store: Store, count: int, rng: random.Random) -> list[Described]:
    """So many finished jobs of one part each, described for the search; no files of theirs are written."""
    store._db.execute("PRAGMA synchronous = OFF")  # the disk is not what is looked at
    day, described = "2026-01-01T00:00:00+00:00", []
    with store._db:
        for n in range(count):
            job = f"{n:012x}"
            store._db.execute(
                "INSERT INTO job (id, name, sha256, bytes, created) VALUES (?, ?, ?, 1, ?)",
                (job, f"insert {n}.step", f"{n:064x}", day),
            )
            store._db.execute(
                "INSERT INTO drawing (job, number, name, sha256, bytes, created) VALUES (?, 1, ?, ?, 1, ?)",
                (job, f"insert {n}.step", f"{n:064x}", day),
            )
            store._db.execute(
                "INSERT INTO revision (job, number, state, choices, created) VALUES (?, 1, 'done', '{}', ?)",
                (job, day),
            )
            features, box = random_features(rng)
            volume = box[0] * box[1] * box[2] * rng.uniform(0.75, 0.97)
            shape = PartShape.of({"box_mm": box, "volume_mm3": volume}, features)
            material = rng.choice(["steel-60hrc", "carbide-12", "carbide-20"])
            described.append(Described(job, 0, 1, f"part {n}", material, 100.0, 120.0, "EUR", shape))
    store.shapes.keep(described)
    return described
