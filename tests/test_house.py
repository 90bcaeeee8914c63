"""Rules of the house that no linter knows."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import jsonschema
import pytest

from featurize.feature import Kind
from routing.processes.rooms import process_names

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
SOURCES = sorted(p for room in ("featurize", "routing") for p in (ROOT / room).rglob("*.py"))
SCHEMA = ROOT / "docs" / "route.schema.json"


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def test_everything_imported_is_declared() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    wanted = [*PROJECT["project"]["dependencies"], *(d for e in extras if e != "dev" for d in extras[e])]
    declared = {re.split(r"[<>=~! ]", d)[0].lower() for d in wanted}
    installs = packages_distributions()
    ours = {"featurize", "routing", *sys.stdlib_module_names}
    for path in SOURCES:
        for module in _imports(ast.parse(path.read_text())):
            top = module.partition(".")[0]
            names = {name.lower().replace("_", "-") for name in installs.get(top, [top])}
            assert top in ours or names & declared, f"{path.relative_to(ROOT)} imports {top}"


def test_the_lock_pins_versions_and_names_no_host() -> None:
    lines = (ROOT / "requirements.lock").read_text().split("\n")
    pins = [line for line in lines if line]
    assert pins
    for pin in pins:
        assert re.fullmatch(r"[a-z0-9._-]+==[a-z0-9.!+]+( ; .*)?", pin), pin
    pinned = {pin.partition("==")[0] for pin in pins}
    wanted = PROJECT["project"]["dependencies"] + PROJECT["project"]["optional-dependencies"]["dev"]
    assert {re.split(r"[<>=~! ]", d)[0] for d in wanted} <= pinned


def test_readme_has_exactly_two_set_up_commands() -> None:
    section = (ROOT / "README.md").read_text().partition("## Set up")[2].partition("\n## ")[0]
    blocks = re.findall(r"```bash\n(.*?)```", section, re.DOTALL)
    assert [block.count("\n") for block in blocks] == [1, 1]
    route, tests = blocks
    assert "dieroute route demo_models/" in route
    assert "pytest" in tests
    model = re.search(r"demo_models/\S+", route)
    assert model
    assert (ROOT / model[0]).is_file(), model[0]


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "docs/index.md", "docs/cautions.md"])
def test_links_lead_somewhere(document: str) -> None:
    path = ROOT / document
    for link in re.findall(r"\]\(([^)#]+)\)", path.read_text()):
        assert (path.parent / link).exists(), link


def test_schema_is_a_schema_and_knows_every_kind() -> None:
    import json

    schema = json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    kinds = schema["properties"]["features"]["items"]["properties"]["kind"]["enum"]
    assert kinds == [str(kind) for kind in Kind]
    feature = schema["properties"]["features"]["items"]["properties"]
    assert feature["process"]["enum"] == [*process_names(), "none"]


def test_index_lists_the_colours() -> None:
    from routing.export.palette import colours

    rows = dict(re.findall(r"\| ([a-z -]+) \| `(#[0-9a-f]{6})` \|", (ROOT / "docs" / "index.md").read_text()))
    assert rows == {
        ("comes with the blank" if key == "blank" else key): value for key, value in colours().items()
    }
