"""Every stage of the job beside the kernel's bare read of the same file, in one run.

python -m tests.benchmarks.side_by_side [FILE.step ...] [--mfcad N] [--sizes N ...]
                                        [--json FILE] [--against OLD.json] [--limit-s S] [--no-documents]

Without files: the demos, the MFCAD parts, and inserts of 100, 1,000 and 10,000 faces. Each file is worked on
in a process of its own, forked from one that has done a job before; times are of the processor. Ends with
status 1 where ``--against`` finds that something got slower.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

# One thread for the linear algebra: others' waiting would count as work.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.benchmarks.measure import STAGES, Figures, measured
from tests.benchmarks.regress import BAND, slower
from tests.support.corpus import DEMOS, corpus_files

SIZES = (100, 1_000, 10_000)
MFCAD = "MFCAD"
_KNOWING = ("build", "recognition", "routing")
_PROVEN = ("stock", "proof")
# What is aimed at, in times of the bare read, on parts of 100 faces and more.
_AIMS = (("recognition and routing", _KNOWING, 1.0), ("ground stock with proof", _PROVEN, 5.0))
_AIM_GROWTH = 12.0


def main() -> int:
    args = _args()
    _warm()
    found: dict[str, list[Figures]] = {}
    print(f"{'':22} {'faces':>6} {'bare s':>8} " + " ".join(f"{s[:11]:>11}" for s in STAGES) + f" {'MB':>6}")
    with tempfile.TemporaryDirectory() as folder:
        for group, make in _files(args, Path(folder)):
            figures = measured(make(), args.limit_s, documents=not args.no_documents)
            found.setdefault(group, []).append(figures)
            if group != MFCAD:
                _show(group, figures)
    if MFCAD in found:
        _show_many(f"{len(found[MFCAD])} MFCAD, median", found[MFCAD])
    _aims(found)
    if args.json:
        files = {group: [asdict(f) for f in figures] for group, figures in found.items()}
        said = {"machine": platform.platform(), "python": platform.python_version(), "files": files}
        args.json.write_text(json.dumps(said, indent=1) + "\n")
    return _compare(args.against, found, args.band) if args.against else 0


def _args() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("files", type=Path, nargs="*")
    parser.add_argument("--mfcad", type=int, default=240, help="so many of the MFCAD parts (240)")
    parser.add_argument("--sizes", type=int, nargs="*", default=SIZES, help="faces of the inserts")
    parser.add_argument("--json", type=Path, help="file for the figures")
    parser.add_argument("--against", type=Path, help="earlier figures to compare with")
    parser.add_argument("--band", type=float, default=BAND, help=f"share that is still noise ({BAND})")
    parser.add_argument("--limit-s", type=float, default=120.0, help="time limit for each file (120)")
    parser.add_argument("--no-documents", action="store_true", help="stop short of the hand-overs")
    return parser.parse_args()


def _files(args: argparse.Namespace, folder: Path) -> list[tuple[str, Callable[[], Path]]]:
    from tests.support.inserts import insert_file

    if args.files:
        return [(path.stem, lambda path=path: path) for path in args.files]
    mfcad = corpus_files("mfcad", "*.step", args.mfcad) if args.mfcad else []
    return [
        *((path.stem, lambda path=path: path) for path in DEMOS),
        *((f"insert {n}", lambda n=n: insert_file(n, folder)) for n in args.sizes),
        *((MFCAD, lambda path=path: path) for path in mfcad),
    ]


def _warm() -> None:
    """The kernel's tables, and all that the job loads late."""
    from routing.inputs.choices import Choices
    from routing.inputs.shop import load_shop
    from routing.jobs.job import run_job

    with tempfile.TemporaryDirectory() as folder:
        run_job(DEMOS[0], Path(folder) / "out", Choices(), load_shop())


def _show(name: str, f: Figures) -> None:
    """Each stage in times of the bare read, and its share of the whole job."""
    cells = [
        f"{r:6.2f} {f.stages[s] / f.whole_s:4.0%}" if (r := f.ratio(s)) is not None else "-" for s in STAGES
    ]
    said = f"  stopped in {f.stopped}" if f.stopped else f"  {f.failed}"
    print(
        f"{name:22} {f.faces:6} {f.bare_s:8.3f} "
        + " ".join(f"{c:>11}" for c in cells)
        + f" {f.peak_mb:6.0f}"
        + said,
        flush=True,
    )


def _show_many(name: str, many: Sequence[Figures]) -> None:
    ended = [f for f in many if not (f.stopped or f.failed)]
    if not ended:
        print(f"{name}: none ended")
        return
    middle = Figures(
        faces=int(statistics.median(f.faces for f in ended)),
        bare_s=statistics.median(f.bare_s for f in ended),
        peak_mb=max(f.peak_mb for f in ended),
    )
    for stage in STAGES:
        middle.stages[stage] = middle.bare_s * statistics.median(f.ratio(stage) or 0.0 for f in ended)
    _show(name, middle)
    bare, whole = (sum(v) for v in zip(*((f.bare_s, f.whole_s) for f in ended), strict=True))
    left = len(many) - len(ended)
    print(f"{'':22} all together: bare read {bare:.1f} s, the jobs {whole:.1f} s, {left} not ended")


def _aims(found: Mapping[str, Sequence[Figures]]) -> None:
    print()
    for what, stages, most in _AIMS:
        for group, (f, *_) in found.items():
            if group != MFCAD and f.faces >= 100:
                ratio = f.ratio(*stages)
                held = (
                    "not reached"
                    if ratio is None
                    else f"{ratio:6.2f} {'holds' if ratio <= most else 'does not hold'}"
                )
                print(f"{what}, at most {most:g} times the bare read: {group:14} {held}")
    small, large = (found.get(f"insert {n}", [None])[0] for n in (1_000, 10_000))
    if small and large:
        for what, stages in (("bare read", None), *((w, s) for w, s, _ in _AIMS)):
            a, b = (
                (f.bare_s if stages is None else sum(f.stages.get(s, float("nan")) for s in stages))
                for f in (small, large)
            )
            print(f"growth of {what} from 1,000 to 10,000 faces, at most {_AIM_GROWTH:g} times: {b / a:.1f}")


def _compare(old: Path, found: Mapping[str, Sequence[Figures]], band: float) -> int:
    before = {g: [Figures(**f) for f in files] for g, files in json.loads(old.read_text())["files"].items()}
    worse = list(slower(before, found, band))
    print(f"\nagainst {old}: " + ("nothing got slower" if not worse else "slower or larger:"))
    for one in worse:
        print(f"  {one}")
    for group in sorted(before.keys() ^ found.keys()):
        print(f"  {group}: only in {'the earlier' if group in before else 'this'} run, not compared")
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
