"""The dry run as a part of every job: what it finds becomes flags of the route file and a file."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import isolate
from featurize.errors import StepError
from routing.export.exporters.route_file import DRY_RUN
from routing.processes.flags import Flag, Severity
from routing.processes.protocol import feature_of

if TYPE_CHECKING:  # loads the kernel
    from featurize.step.document import SolidPart

CODE, FAILED = "dry-run", "dry-run-failed"
_SETTING = "DIEROUTE_DRY_RUN"
# A dry run that takes longer is lost, the rest of the job is not.
_LIMIT_S = 120.0


def is_wanted() -> bool:
    """Whether jobs on this machine are machined on paper: DIEROUTE_DRY_RUN=0 says that they are not."""
    return os.environ.get(_SETTING, "1") != "0"


def machined_on_paper(folder: Path, part: SolidPart) -> dict[str, Any]:
    """Machines what is written of a part, writes what is found and gives what the route file says of it."""
    try:
        findings, off_mm = isolate.run_apart(partial(_machined, folder, part), time_limit_s=_LIMIT_S)
    except StepError as error:
        return _flagged([Flag(FAILED, Severity.WARNING, None, f"not machined on paper: {error}")])
    text = json.dumps({"findings": findings}, indent=2, ensure_ascii=False)
    (folder / DRY_RUN).write_text(text + "\n", encoding="utf-8")
    found = _flagged([_flag(f) for f in findings])
    told = {"file": DRY_RUN, "blocking": sum(f["blocking"] for f in findings), "off_mm": off_mm}
    return found | {"dry_run": told}


def _machined(folder: Path, part: SolidPart) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The findings, and which faces of the customer's file do not end at size."""
    from routing.dryrun.check import machined_part
    from routing.dryrun.written import FolderError

    try:
        run = machined_part(folder, part)
    except FolderError as error:
        told = {"fault": "not machined", "message": str(error), "feature": None, "step": None}
        return [told | {"blocking": False}], []
    off = [{"face": face, "mm": round(mm, 4)} for face, mm in sorted(run.off_mm.items())]
    return [f.as_dict() | {"words": str(f)} for f in run.findings], off


def _flag(finding: dict[str, Any]) -> Flag:
    severity = Severity.BLOCKING if finding["blocking"] else Severity.NOTE
    words = finding.get("words", finding["message"])
    return Flag(CODE, severity, finding["feature"] and feature_of(finding["feature"]), f"On paper: {words}")


def _flagged(flags: list[Flag]) -> dict[str, Any]:
    return {"flags": [asdict(flag) for flag in flags]}
