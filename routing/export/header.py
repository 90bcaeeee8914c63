"""What a file says of where it comes from: the toolroom, the program, and a time only where one was given."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any


@cache
def program() -> str:
    """The program and its version."""
    try:
        return f"dieroute {version('dieroute')}"
    except PackageNotFoundError:
        return "dieroute"


@dataclass(frozen=True)
class FileHeader:
    """``organisation`` is the toolroom's name, ``time`` as chosen (ISO 8601); "" where nothing was said."""

    organisation: str = ""
    time: str = ""

    def put(self, writer: Any, name: str) -> None:
        """Into the header of a kernel's STEP writer: no clock, so that two runs give the same bytes.

        What is not known is an empty string, as ISO 10303-21 has it (from memory).
        """
        from OCP.APIHeaderSection import APIHeaderSection_MakeHeader

        header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
        header.SetName(_text(name))
        header.SetDescriptionValue(1, _text(name))
        header.SetTimeStamp(_text(self.time))
        header.SetAuthorValue(1, _text(""))
        header.SetOrganizationValue(1, _text(self.organisation))
        header.SetOriginatingSystem(_text(program()))
        header.SetAuthorisation(_text(""))


# Where nothing is known of whose a file is.
UNSIGNED = FileHeader()


def _text(words: str) -> Any:
    from OCP.TCollection import TCollection_HAsciiString

    # Other letters than plain ones by their number, as ISO 10303-21 has it.
    plain = "".join(c if 32 <= ord(c) < 127 else _escaped(c) for c in words)
    return TCollection_HAsciiString(plain)


def _escaped(letter: str) -> str:
    code = ord(letter)
    return f"\\X2\\{code:04X}\\X0\\" if code < 0x10000 else f"\\X4\\{code:08X}\\X0\\"
