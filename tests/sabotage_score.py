"""``python -m tests.sabotage_score FOLDERS``: how many sabotages of routed demos a dry run catches.

FOLDERS has a folder for each demo, named as it, as route writes them.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from routing.dryrun.check import findings_of
from routing.dryrun.findings import Finding
from routing.dryrun.written import FolderError
from tests.support.sabotage import KINDS, Expected

DEMOS = Path(__file__).parent.parent / "demo_models"


def tried(kind: str, good: Path, model: Path) -> str:
    """ "caught", "not named", "missed", or "" where there is nothing of the kind to spoil."""
    from routing.dryrun.check import dry_run

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / good.name
        shutil.copytree(good, folder, ignore=shutil.ignore_patterns("*.pdf", "*.html", "*.3mf"))
        expected = KINDS[kind](folder)
        if expected is None:
            return ""
        try:
            found = (
                list(dry_run(folder, model).findings)
                if kind == "other_revision"
                else findings_of(folder, model)
            )
        except FolderError:
            return "caught"
        return judged([f for f in found if f.blocking], expected)


def judged(found: list[Finding], expected: Expected) -> str:
    feature, step = expected
    if not found:
        return "missed"
    named = any((feature is None or f.feature == feature) and (step is None or f.step == step) for f in found)
    return "caught" if named else "not named: " + "; ".join(str(f)[:70] for f in found[:2])


def main() -> None:
    every = [p for p in sorted(Path(sys.argv[1]).iterdir()) if (p / "route.json").is_file()]
    names = sys.argv[2:] or [p.name for p in every]
    counts: dict[str, int] = {}
    for good in (p for p in every if p.name in names):
        for kind in KINDS:
            said = tried(kind, good, DEMOS / f"{good.name}.step")
            if said:
                counts[said.partition(":")[0]] = counts.get(said.partition(":")[0], 0) + 1
                print(f"{good.name:16} {kind:28} {said}", flush=True)
    print(counts)


if __name__ == "__main__":
    main()
