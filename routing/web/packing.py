"""The files that were made, by name, and all of a revision in one archive."""

from __future__ import annotations

import re
import secrets
import zipfile
from pathlib import Path

from routing.web.answers import as_toml
from routing.web.records import Job, JobRevision
from routing.web.store import FIXTURES, PLACES, Store, is_blank_file

_ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the same files give the same archive


def stem(job: Job) -> str:
    """A safe name for what is saved: letters, digits, dashes."""
    bare = re.sub(r"\.(step|stp|p21)$", "", job.name, flags=re.IGNORECASE)
    return re.sub(r"[^A-Za-z0-9_-]+", "_", bare).strip("_-")[:60] or "part"


def files(folder: Path) -> dict[str, Path]:
    """What was made, by its place in the folder."""
    made = (p for p in folder.rglob("*") if p.is_file() and p.name not in (PLACES, FIXTURES))
    return {p.relative_to(folder).as_posix(): p for p in made}


def pack(store: Store, job: Job, revision: JobRevision) -> Path:
    """A new archive in the store's ``incoming``: the customer's file, the choices and everything made."""
    name = stem(job)
    target = store.incoming / f"{secrets.token_hex(8)}.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:

        def add(file: str, content: bytes) -> None:
            entry = zipfile.ZipInfo(f"{name}-r{revision.number}/{file}", _ZIP_TIME)
            packed.writestr(entry, content, zipfile.ZIP_DEFLATED)

        add(f"{name}.step", store.model(job.id, revision.drawing).read_bytes())
        add(f"{name}.choices.toml", as_toml(revision.choices).encode())
        own = str(revision.choices.get("blank", ""))
        if is_blank_file(own):
            add(own, (store.place(job.id) / own).read_bytes())
        for file, path in sorted(files(store.result(job.id, revision.number)).items()):
            add(file, path.read_bytes())
    return target
