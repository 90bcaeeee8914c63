"""``pytest --elsewhere``: the tests marked ``elsewhere``, with what only Linux has taken away."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

SHIM = Path(__file__).parent / "support" / "elsewhere"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--elsewhere", action="store_true", help="as on other systems; the tests so marked")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "elsewhere: must hold on every system; see --elsewhere")
    if not config.getoption("--elsewhere"):
        return
    config.option.markexpr = "elsewhere"
    if "sitecustomize" in sys.modules:  # a process that another one with this option has started
        return
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (str(SHIM), os.environ.get("PYTHONPATH"))))
    os.environ["PYTHONIOENCODING"] = "cp1252"
    os.environ["PYTHONWARNDEFAULTENCODING"] = "1"
    os.environ["PYTHONWARNINGS"] = ""
    sys.path.insert(0, str(SHIM))
    import sitecustomize  # noqa: F401  (for this process; its children find it by themselves)
