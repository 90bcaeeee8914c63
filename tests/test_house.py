"""Rules of the house that no linter knows."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections import Counter
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
    declared = {re.split(r"[<>=~! \[]", d)[0].lower() for d in wanted}
    installs = packages_distributions()
    ours = {"featurize", "routing", *sys.stdlib_module_names}
    for path in SOURCES:
        for module in _imports(ast.parse(path.read_text())):
            top = module.partition(".")[0]
            names = {name.lower().replace("_", "-") for name in installs.get(top, [top])}
            assert top in ours or names & declared, f"{path.relative_to(ROOT)} imports {top}"


# What is not the same on Linux, macOS and Windows.
_OF_A_SYSTEM = {
    "ctypes",
    "fcntl",
    "grp",
    "msvcrt",
    "psutil",
    "pwd",
    "resource",
    "signal",
    "termios",
    "winreg",
}
_CALLS = {"os.fork", "os.kill", "os.killpg", "os.getppid", "os.setsid", "os.waitpid", "os.dup2",
          "os.name", "sys.platform", "os.getuid", "os.O_DIRECTORY", "os.devnull"}  # fmt: skip


def test_what_differs_between_systems_stands_in_one_module() -> None:
    """And processes in one: start, talk, limit, end."""
    for path in SOURCES:
        place = path.relative_to(ROOT).as_posix()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if place != "featurize/system.py":
            assert not set(_imports(tree)) & _OF_A_SYSTEM, place
            found = {ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
            assert not found & _CALLS, place
        if place not in ("featurize/system.py", "featurize/isolate.py"):
            assert "multiprocessing" not in set(_imports(tree)), place


def test_text_is_opened_in_a_named_encoding() -> None:
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            modes = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)]
            opens = (
                name == "open" and ast.unparse(node.func) != "os.open" and not any("b" in m for m in modes)
            )
            if opens or name in ("read_text", "write_text"):
                named = any(k.arg == "encoding" for k in node.keywords)
                assert named, f"{path.relative_to(ROOT)}, line {node.lineno}"


def test_no_class_of_the_jobs_or_faces_is_named_twice() -> None:
    places: dict[str, list[str]] = {}
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(path.relative_to(ROOT).as_posix())
    ours = ("routing/jobs/", "routing/cli/", "routing/web/")
    assert {n: p for n, p in places.items() if len(p) > 1 and any(q.startswith(ours) for q in p)} == {}


def test_the_lock_pins_versions_and_names_no_host() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    wanted = [*PROJECT["project"]["dependencies"], *extras["build"]]
    for name, more in (("requirements.lock", []), ("requirements-dev.lock", extras["dev"])):
        text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
        for line in filter(None, text.split("\n")):
            assert re.fullmatch(
                r"[a-z0-9._-]+==[a-z0-9.!+]+( ; [^-]*)? +(--hash=sha256:[0-9a-f]{64} *)+", line
            ), line
        pinned = {line.partition("==")[0] for line in text.split("\n")}
        assert {re.split(r"[<>=~! \[]", d)[0] for d in [*wanted, *more]} <= pinned


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


def test_no_class_has_the_name_of_another() -> None:
    trees = (ast.parse(path.read_text("utf-8")) for path in SOURCES)
    named = Counter(node.name for tree in trees for node in ast.walk(tree) if isinstance(node, ast.ClassDef))
    assert [name for name, count in named.items() if count > 1] == []
