"""Cheap checks on the text of a STEP file (ISO 10303-21), before the kernel is loaded."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from featurize.errors import Code, StepError
from featurize.step.codepage import UNKNOWN, UTF8, CodePage, code_page
from featurize.step.notes import ReadNote, note, warning
from featurize.step.syntax import Content

_LEAD = re.compile(rb"(?:\s|/\*(?:[^*]|\*(?!/))*+\*/)*+")
_DATA = re.compile(rb"\bDATA\s*[;(]")
_ENTITY = re.compile(rb"#\d+\s*=")
_SCHEMA = re.compile(rb"FILE_SCHEMA\s*\(\s*\(\s*'([^']*)'")
_EXTERNAL = re.compile(rb"=\s*DOCUMENT_FILE\s*\(\s*'([^']*)'")
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_START, _END = b"ISO-10303-21;", b"END-ISO-10303-21;"
# Of a model; others that are referred to are drawings and the like.
_SUFFIXES = (".stp", ".step", ".p21", "")
# What is looked at first; signatures after the end of the exchange structure are a few kilobytes.
_FIRST_BYTES, _TAIL_BYTES = 1 << 16, 1 << 16

# How other files begin that people send by mistake, and what to do about each.
_HINTS = {
    b"PK\x03\x04": "it is a zip archive: unpack it and give the STEP file inside",
    b"\x1f\x8b": "it is gzip-compressed: unpack it first",
    b"<?xml": "it is XML: export the model as a plain STEP file (.stp, ISO 10303-21)",
}

# Schema names as ISO 10303-203, -214 and -242 spell them (from memory); the first that begins the name wins.
_PROTOCOLS = {
    "CONFIG_CONTROL_DESIGN": "AP203",
    "AP203": "AP203",
    "AUTOMOTIVE_DESIGN": "AP214",
    "AP214": "AP214",
    "AP242": "AP242",
}


@dataclass(frozen=True)
class Header:
    """What the text of the file says. ``external`` are the files that it refers to; ``notes`` tell
    damage that leaves a model to be read; ``faces`` and ``solids`` are how many it holds."""

    sha256: str
    schema: str
    external: tuple[str, ...]
    notes: tuple[ReadNote, ...] = ()
    faces: int = 0
    solids: int = 0
    page: CodePage = UTF8


def check_text(path: Path, size_limit_mb: float) -> Header:
    """Reads the text of a file, and of those that it refers to; raises StepError when one of them cannot be
    a whole STEP file."""
    header = _checked(path, size_limit_mb)
    return replace(header, notes=(*header.notes, *_noted_beside(path.parent, header, size_limit_mb, {path})))


def _noted_beside(folder: Path, header: Header, limit_mb: float, seen: set[Path]) -> Iterator[ReadNote]:
    for name in header.external:
        path = folder / name
        if path in seen or not path.is_file():
            continue
        seen.add(path)
        other = _checked(path, limit_mb)
        yield from (replace(note, message=f"{name}: {note.message}") for note in other.notes)
        yield from _noted_beside(folder, other, limit_mb, seen)


def _checked(path: Path, size_limit_mb: float) -> Header:
    name = path.name
    try:
        if path.is_dir():
            raise StepError(Code.MISSING, f"{path} is a folder: give the STEP file in it.")
        if not path.exists():
            raise StepError(Code.MISSING, f"There is no file {path}: check the path.")
        if not path.is_file():
            raise StepError(
                Code.MISSING, f"{path} is a pipe or a device: save the model as a file and give that."
            )
        size_mb = path.stat().st_size / 1e6
        if size_mb > size_limit_mb:
            raise StepError(
                Code.TOO_LARGE,
                f"{name} has {size_mb:.1f} MB, and at most {size_limit_mb:g} MB are read: export the insert "
                "alone, without what it is assembled with.",
            )
        with path.open("rb") as file:
            text = file.read(_FIRST_BYTES)
            head = text.removeprefix(BYTE_ORDER_MARK).lstrip()
            if head and not head.startswith(b"/*"):
                _begin(name, head)  # another file is refused without reading it all
            text += file.read()
    except OSError as error:
        raise StepError(
            Code.UNREADABLE, f"{name} cannot be opened ({error.strerror}): check its permissions."
        ) from error
    digest = hashlib.sha256(text).hexdigest()
    text = text.removeprefix(BYTE_ORDER_MARK)
    _check_structure(name, text)
    content = Content(text)
    if unusable := content.unusable():
        raise StepError(Code.UNREADABLE, f"{name} {unusable}")
    page = code_page(text)
    notes = (*content.damage(), *_page_notes(page))
    schema = _SCHEMA.search(content.header)
    found = _EXTERNAL.findall(text) if b"DOCUMENT_FILE" in text else []
    external = {name.decode("latin-1") for name in found}
    return Header(
        sha256=digest,
        schema=_protocol(schema[1].decode("latin-1") if schema else ""),
        external=tuple(sorted(name for name in external if Path(name).suffix.lower() in _SUFFIXES)),
        notes=notes,
        faces=content.faces,
        solids=content.solids,
        page=page,
    )


def _page_notes(page: CodePage) -> Iterator[ReadNote]:
    if page == UNKNOWN:
        text = "Names are not in UTF-8, and their code page cannot be told: their letters are left out."
        yield warning("names-unreadable", text)
    elif page.title:
        yield note("names-guessed", f"Names are not in UTF-8: they were taken for {page.title}: check them.")


def _begin(name: str, text: bytes) -> int:
    """Where the exchange structure starts."""
    lead = _LEAD.match(text)
    start = lead.end() if lead else 0
    if text.startswith(_START, start):
        return start
    if _START.startswith(text[start:].rstrip()):
        raise StepError(Code.TRUNCATED, f"{name} ends within its first line: export or copy it again.")
    hint = next((h for magic, h in _HINTS.items() if text.startswith(magic)), "export the model as STEP")
    raise StepError(Code.NOT_STEP, f"{name} is not a STEP file (no ISO-10303-21 at its start): {hint}.")


def _check_structure(name: str, text: bytes) -> None:
    if not text.strip():
        raise StepError(Code.EMPTY, f"{name} is empty: export it again.")
    start = _begin(name, text)
    if _END not in text[max(start + len(_START), len(text) - _TAIL_BYTES) :]:
        raise StepError(
            Code.TRUNCATED, f"{name} is cut short (no END-ISO-10303-21): export or copy it again."
        )
    data = _DATA.search(text)
    if data is None or _ENTITY.search(text, data.end()) is None:
        raise StepError(Code.EMPTY, f"{name} holds no model (nothing in a DATA section): export it again.")


def _protocol(schema: str) -> str:
    words = schema.split()
    name = words[0].upper() if words else "unknown"
    return next((ap for begin, ap in _PROTOCOLS.items() if name.startswith(begin)), name)
