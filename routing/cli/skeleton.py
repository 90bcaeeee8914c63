"""A choices file to fill in: one entry for each doubt, commented out until a person answers it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from routing.jobs.errors import OutputError


def text(parts: Sequence[Mapping[str, Any]]) -> str:
    """TOML from the doubts of every part (as ``job.list_doubts`` gives them)."""
    lines = ["# Answer a question by taking the # from its entry and leaving one answer."]
    for part in parts:
        lines += ["", f"# {_one_line(part['name'])}: {len(part['doubts'])} to settle"]
        for doubt in part["doubts"]:
            place, answers = doubt["settle"], doubt["answers"]
            lines += [
                "",
                f"# {doubt['feature']}, confidence {doubt['confidence']:g}: {_one_line(doubt['question'])}",
                "# [[settle]]",
                f"# at = [{', '.join(f'{c:g}' for c in place['at'])}]",
                f"# kind = {json.dumps(place['kind'])}",
                f"# size_mm = {place['size_mm']:g}",
                f"# {place['answer']} = {json.dumps(answers[0])}",
            ]
            if len(answers) > 1:
                lines.append(f"#   or {', '.join(json.dumps(a) for a in answers[1:])}")
    return "\n".join(lines) + "\n"


def write(path: Path, content: str) -> None:
    """A new file; raises OutputError rather than touch one that is there."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(content)
    except FileExistsError:
        raise OutputError(f"{path} is there already and was left alone: choose another -o.") from None
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}): choose another -o.") from error


def _one_line(words: str) -> str:
    """No customer's name may end a comment."""
    return " ".join(w for w in "".join(c if c.isprintable() else " " for c in words).split())
