"""What stays behind: the material that a process would leave of a feature, as named bodies.

Told of the process that takes the bulk ahead of another, of one that a person forced though it cannot
finish, and of those earlier in the trade's order that were refused. Shapes are those of
``routing.processes.rest``.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routing.export.work import Work

if TYPE_CHECKING:  # these load the kernel
    from routing.plan.choice import RoutedRegion
    from routing.processes.context import JobContext
    from routing.processes.protocol import Verdict

ORDER = 33
AFTER = ()
FILE = "left_behind.step"
FILES = ("left_behind*.step",)  # where anything stays behind
AHEAD, FORCED, REFUSED = "takes the bulk", "forced", "refused"


def depends(work: Work) -> Hashable:
    """Every answer about every feature, and the shop."""
    made = [(r.piece, r.process, r.verdicts, r.ahead) for r in work.plan.regions]
    return repr(made), work.choices.material, repr(work.shop)


def write(work: Work, folder: Path) -> dict[str, Any]:
    """``left_behind.step``, in the part's own place, where anything of a shape stays behind."""
    from routing.export.solid_files import WriteError, write_bodies

    job = work.plan.job
    listed: list[dict[str, Any]] = []
    bodies: list[tuple[str, Any]] = []
    for region in work.plan.regions:
        for because, verdict in _asked(region):
            entry, solids = _entry(job, region, because, verdict)
            entry["bodies"] = [
                f"{region.piece.id} left by {verdict.process}, {n} of {len(solids)}"
                for n in range(1, len(solids) + 1)
            ]
            bodies += zip(entry["bodies"], solids, strict=True)
            listed.append(entry)
    if bodies:
        try:
            write_bodies(bodies, folder / FILE, work.header)
        except WriteError as error:
            for entry in listed:
                entry |= {"bodies": [], "note": str(error)}
            bodies = []
    return {"left_behind": {"file": FILE if bodies else None, "entries": listed}}


def _asked(region: RoutedRegion) -> Iterator[tuple[str, Verdict]]:
    """The answers whose rest is told, in the trade's order, each with why."""
    for verdict in region.verdicts:
        if verdict is region.verdict:
            if not verdict.workable:
                yield FORCED, verdict
            return
        if not verdict.workable:
            yield (AHEAD if verdict in region.ahead else REFUSED), verdict


def _coming(verdict: Verdict, region: RoutedRegion) -> Verdict:
    """A refusal without a way to come, with that of the region's own process."""
    own = region.verdict.approaches if region.verdict else ()
    return verdict if verdict.approaches else replace(verdict, approaches=own)


def _entry(
    job: JobContext, region: RoutedRegion, because: str, verdict: Verdict
) -> tuple[dict[str, Any], list[Any]]:
    """What is said of one answer, and the solids."""
    from featurize.brep.solids import centre_of, is_valid, volume_of
    from routing.export.numbers import rounded, vector
    from routing.processes.rest.left import NEARLY_ALL, NoBodyError

    entry: dict[str, Any] = {
        "feature": region.piece.id,
        "process": verdict.process,
        "because": because,
        "reason": verdict.reason,
        "tool": None,
        "volume_mm3": None,
        "bound_mm3": None,
        "share": None,
        "place_mm": None,
        "bodies": [],
        "seen": None,
        "note": "",
    }
    try:
        process, forced = job.processes[verdict.process], because == FORCED
        left = process.left(job, region.piece, _coming(verdict, region), forced=forced)
        solids = left.bodies() if 0 < left.share <= NEARLY_ALL else []
        if not all(map(is_valid, solids)):
            raise NoBodyError("the kernel holds its shape for no valid body")
    except NoBodyError as error:
        return entry | {"note": str(error)}, []
    except Exception as error:  # the kernel's own have many names
        return entry | {"note": f"no body could be made of it: {error or type(error).__name__}"}, []
    entry |= {"tool": left.tool, "share": rounded(left.share, 4)}
    if not solids:
        held = "holder, shank or floor are what stands against it"
        return entry | {
            "note": "it would leave nearly all" if left.share else f"nothing beside walls: {held}"
        }, []
    largest = max(solids, key=volume_of)
    space, kept = ([[vector(p, 3) for p in ring] for ring in rings] for rings in left.seen())
    return entry | {
        "volume_mm3": rounded(sum(map(volume_of, solids))),
        "bound_mm3": rounded(left.bound_mm3, 6),
        "place_mm": vector(centre_of(largest)),
        "seen": {"space_mm": space, "left_mm": kept},
    }, solids
