"""``pytest --elsewhere``: the tests marked ``elsewhere``, with what only Linux has taken away.

``pytest --thorough``: also the tests marked ``thorough``, more cases of what every run tries a few of.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

SHIM = Path(__file__).parent / "support" / "elsewhere"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--thorough", action="store_true", help="more cases of what a few are tried of")
    parser.addoption("--elsewhere", action="store_true", help="as on other systems; the tests so marked")


def pytest_configure(config: pytest.Config) -> None:
    os.environ.setdefault("DIEROUTE_DRY_RUN", "0")  # tests of it set it themselves
    config.addinivalue_line("markers", "elsewhere: must hold on every system; see --elsewhere")
    config.addinivalue_line("markers", "thorough: one more case of what every run tries; see --thorough")
    if not config.getoption("--elsewhere"):
        if not (config.getoption("--thorough") or config.option.markexpr):
            config.option.markexpr = "not thorough"
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


@pytest.fixture(scope="session")
def routed_demo(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The folder of a demo's job in carbide, by the demo's name; each is routed once a worker."""
    made: dict[str, Path] = {}

    def folder(name: str) -> Path:
        if name not in made:
            from routing.inputs.choices import Choices
            from routing.inputs.shop import load_shop
            from routing.jobs.job import run_job

            model = Path(__file__).parents[1] / "demo_models" / f"{name}.step"
            made[name] = tmp_path_factory.mktemp("demo") / name
            run_job(model, made[name], Choices(material="carbide-12"), load_shop(None))
        return made[name]

    return folder
