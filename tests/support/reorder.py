"""The same STEP file with its entities in another order and under other numbers."""

from __future__ import annotations

import random
import re
from pathlib import Path

_ENTITY = re.compile(r"#(\d+)\s*=\s*(.*?);\s*(?=#\d+\s*=|ENDSEC)", re.S)


def reordered(path: Path, target: Path, seed: int) -> Path:
    """Shuffles and renumbers the DATA section; strings that look like references are left alone."""
    head, _, rest = path.read_text(encoding="latin-1").partition("DATA;")
    data, end, tail = rest.partition("ENDSEC;")
    entities = _ENTITY.findall(data + end)
    rng = random.Random(seed)
    numbers = [int(n) for n, _ in entities]
    fresh = numbers[:]
    rng.shuffle(fresh)
    renamed = dict(zip(numbers, fresh, strict=True))
    lines = [f"#{renamed[int(n)]}={_rename(body, renamed)};" for n, body in entities]
    rng.shuffle(lines)
    target.write_text(head + "DATA;\n" + "\n".join(lines) + "\n" + end + tail, encoding="latin-1")
    return target


def _rename(body: str, renamed: dict[int, int]) -> str:
    pieces = re.split(r"('(?:[^']|'')*')", body)
    return "".join(
        p if p.startswith("'") else re.sub(r"#(\d+)", lambda m: f"#{renamed[int(m[1])]}", p) for p in pieces
    )
