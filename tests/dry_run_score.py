"""``python -m tests.dry_run_score FOLDER [CASE ...]``: dry runs of good folders, which must find nothing.

Cases are the demos and the inserts with keys in carbide and in soft steel, then unseen ones: inserts
composed at random, turned, in inches, mirrored, with other blanks and materials. FOLDER gets a folder
for each case; a case whose folder is there already is not routed again. A regular expression as CASE
picks some.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from inserts import Insert
from inserts.every import INSERTS

from routing.dryrun.check import findings_of
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.jobs import job
from routing.jobs.extent import Extent
from tests.support.composed import compose
from tests.support.inserts import insert
from tests.support.transforms import mirrored, moved, write_step

DEMOS = Path(__file__).parent.parent / "demo_models"
MATERIALS: Mapping[str, Mapping[str, str]] = {
    "carbide": {"material": "carbide-12"},
    "soft": {"material": "steel-60hrc", "supplied": "soft"},
    "hard": {"material": "steel-60hrc", "supplied": "hardened"},
    "fine": {"material": "carbide-6-fine"},
    "tough": {"material": "steel-54hrc", "supplied": "soft"},
}
_PLAIN = {"threads": {"all": "plain"}}
_SEEDS = 14


@dataclass(frozen=True)
class Case:
    """``write`` puts the model into a folder and gives its path."""

    name: str
    write: Callable[[Path], Path]
    choices: Mapping[str, Any] = field(default_factory=dict)
    given: Callable[[Path], Path] | None = None


def cases() -> Iterator[Case]:
    for material in ("carbide", "soft"):
        for demo in sorted(DEMOS.glob("*.step")):
            yield Case(f"{demo.stem}-{material}", _copy(demo), MATERIALS[material])
        for one in INSERTS.values():
            yield _of_insert(one, material)
    yield from _unseen()


def _unseen() -> Iterator[Case]:
    for seed in range(101, 101 + _SEEDS):
        material = list(MATERIALS)[seed % len(MATERIALS)]
        solid, _ = compose(seed, crossing=seed % 3 == 0, most=9)
        shape, unit, side = solid.val().wrapped, "MM", (0.0, 0.0, 1.0)
        if seed % 4 == 1:
            shape, side = moved(shape, (1, 0, 0), 90, (5.0, -7.0, 11.0)), (0.0, -1.0, 0.0)
        elif seed % 4 == 2:
            unit = "INCH"
        elif seed % 4 == 3:
            shape = mirrored(shape)
        chosen = {**MATERIALS[material], **_PLAIN, "working_side": _vector(side)}
        yield Case(f"composed-{seed}-{material}", _written(shape, unit), chosen)
    for faces, seed, material in ((40, 5, "hard"), (60, 6, "carbide"), (80, 7, "soft")):
        chosen = {**MATERIALS[material], "working_side": "+z"}
        yield Case(f"grown-{faces}-{material}", _written(insert(faces, seed).solid), chosen)
    more: dict[str, dict[str, Any]] = {
        "margin": {"blank_margin_mm": 2.5},
        "fine": {"material": "carbide-6-fine", "allowance_floor_mm": 0.03},
        "hard": {**MATERIALS["hard"], "allowance_wall_mm": 0.02},
    }
    for demo in sorted(DEMOS.glob("*.step")):
        for name, chosen in more.items():
            yield Case(f"{demo.stem}-{name}", _copy(demo), {"material": "carbide-12", **chosen})


def _vector(direction: tuple[float, float, float]) -> str:
    return ",".join(f"{x:g}" for x in direction)


def _copy(demo: Path) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        path = folder / demo.name
        path.write_bytes(demo.read_bytes())
        return path

    return write


def _written(shape: Any, unit: str = "MM") -> Callable[[Path], Path]:
    return lambda folder: write_step(shape, folder / "part.step", unit=unit)


def _of_insert(one: Insert, material: str) -> Case:
    given = one.given
    return Case(
        f"{one.name.replace(' ', '_')}-{material}",
        lambda folder: write_step(one.build().val().wrapped, folder / "insert.step"),
        {
            **one.choices,
            **MATERIALS[material],
            "threads": dict(one.threads) or _PLAIN["threads"],
            "working_side": _vector(one.working),
        },
        None if given is None else lambda folder: write_step(given().val().wrapped, folder / "blank.step"),
    )


def routed(case: Case, place: Path) -> tuple[Path, Path]:
    """The folder that a job writes of a case, without papers that a dry run does not read, and its model."""
    folder, models = place / case.name, place / "models" / case.name
    models.mkdir(parents=True, exist_ok=True)
    path = case.write(models)
    if not (folder / "route.json").is_file():
        chosen = dict(case.choices)
        if case.given is not None:
            chosen["blank"] = str(case.given(models))
        job.run_job(path, folder, Choices(**chosen), load_shop(), extent=Extent(dry_run=False))
    return folder, path


def main() -> None:
    place, wanted = Path(sys.argv[1]), [re.compile(a) for a in sys.argv[2:]]
    unread = ("report", "coloured_model")
    exporters = [m for m in job.all_exporters() if m.__name__.rpartition(".")[2] not in unread]
    job.all_exporters = lambda: tuple(exporters)  # type: ignore[attr-defined]
    clean = tried = 0
    for case in cases():
        if wanted and not any(w.search(case.name) for w in wanted):
            continue
        started = time.monotonic()
        try:
            folder, model = routed(case, place)
            found = [str(f) for f in findings_of(folder, model)]
        except Exception as error:  # a case that fails is told, the others are tried
            found = [f"{type(error).__name__}: {error}"]
        tried, clean = tried + 1, clean + (not found)
        print(
            f"{case.name:34} {time.monotonic() - started:6.1f} s  {'clean' if not found else ''}", flush=True
        )
        for text in found:
            print(f"    {text}", flush=True)
    print(f"{clean} of {tried} raise nothing")


if __name__ == "__main__":
    main()
