"""A dry run of a written folder against the customer's file: the one way in."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize.isolate import run_isolated
from routing.dryrun.findings import Finding
from routing.dryrun.written import FolderError, Written, read

if TYPE_CHECKING:  # load the kernel
    from featurize.step.document import SolidPart
    from routing.dryrun.machine import DryRun


@dataclass(frozen=True)
class Result:
    findings: tuple[Finding, ...]
    seconds: float

    @property
    def blocked(self) -> bool:
        return any(f.blocking for f in self.findings)

    def as_dict(self) -> dict[str, Any]:
        return {"findings": [f.as_dict() for f in self.findings], "seconds": round(self.seconds, 2)}


def dry_run(folder: Path, model: Path | None = None, *, time_limit_s: float = 600) -> Result:
    """Machines a folder in a child process, which a crash of the kernel or a hang ends without harm.

    Raises FolderError for a folder or file that cannot be used, StepError for a model that cannot be read.
    """
    written = read(folder)
    path = model or _beside(written)
    _check_revision(written, path)
    started = time.monotonic()
    findings = run_isolated(_machined, folder, path, time_limit_s=time_limit_s)
    if isinstance(findings, str):
        raise FolderError(findings)
    return Result(tuple(findings), time.monotonic() - started)


def findings_of(folder: Path, model: Path) -> list[Finding]:
    """The same in this process; the model is taken to be the right one."""
    return machined_from(folder, model).findings


def machined_from(folder: Path, model: Path) -> DryRun:
    """A dry run of a folder as it ends. Raises FolderError, and StepError for the model."""
    from featurize.step.read import read_step

    parts = read_step(model, isolate=False).parts
    name = read(folder).content["part"]["name"]
    return machined_part(folder, next((p for p in parts if p.name == name), parts[0]))


def machined_part(folder: Path, part: SolidPart) -> DryRun:
    """The same for a part that is read already."""
    from routing.dryrun.machine import machined
    from routing.dryrun.scene import Model
    from routing.dryrun.solids import MeshError

    try:
        return machined(read(folder), Model.of(part))
    except MeshError as error:
        raise FolderError(f"{part.name} cannot be machined: {error}: heal it in the CAD system") from None
    except KeyError as error:
        raise FolderError(f"{folder} lacks or spoils {error}: route the part again") from None


def _machined(folder: Path, model: Path) -> list[Finding] | str:
    try:
        return findings_of(folder, model)
    except FolderError as error:
        return str(error)


def _beside(written: Written) -> Path:
    """The customer's file in the folder, beside it, or as route.json names it from here."""
    tried = list(_places(written))
    for path in tried:
        if path.is_file() and _digest(path) == written.content["part"]["sha256"]:
            return path
    found = next((p for p in tried if p.is_file()), None)
    if found is not None:
        return found  # of another revision, which is said of it by name
    raise FolderError(f"{written.source} is neither in {written.folder} nor beside it: give it with --model")


def _places(written: Written) -> Iterator[Path]:
    for folder in (written.folder, written.folder.resolve().parent, Path()):
        yield folder / written.source


def _check_revision(written: Written, path: Path) -> None:
    try:
        digest = _digest(path)
    except OSError as error:
        raise FolderError(f"{path} cannot be read ({error.strerror}): give the model with --model") from None
    if digest != written.content["part"]["sha256"]:
        text = f"{path} is not the file that {written.folder} was routed from: route this revision"
        raise FolderError(text)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
