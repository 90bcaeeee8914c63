"""The guide is built without a warning: all pages, no dead link or anchor, nothing from a network."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LONGEST_S = 30
COMMAND = re.search(r"^    (sphinx-build .*)$", (ROOT / "DEVELOPERS.md").read_text(), re.MULTILINE)


def _built(root: Path, out: Path) -> subprocess.CompletedProcess[str]:
    """By the command of DEVELOPERS.md."""
    assert COMMAND is not None
    _, *words = COMMAND[1].split()
    command = [sys.executable, "-m", "sphinx", *words[:-1], str(out)]
    return subprocess.run(command, cwd=root, capture_output=True, text=True, check=False, timeout=LONGEST_S)


@pytest.fixture(scope="module")
def guide(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("guide")
    done = _built(ROOT, out)
    assert done.returncode == 0, done.stderr
    return out


def test_every_page_is_built_and_in_the_contents(guide):
    pages = sorted(p.stem for p in (ROOT / "docs").glob("*.md"))
    assert len(pages) > 9
    contents = (guide / "docs" / "index.html").read_text()
    for page in pages:
        assert (guide / "docs" / f"{page}.html").is_file()
        assert page == "index" or f'href="{page}.html"' in contents
    assert 'href="../README.html"' in contents
    assert 'href="../DEVELOPERS.html"' in contents


def test_nothing_is_fetched_to_show_it(guide):
    for page in guide.rglob("*.html"):
        text = page.read_text()
        loaded = re.findall(r'<(?:script|img|link|iframe)[^>]*?(?:src|href)="([^"]*)"', text)
        assert loaded
        assert not [a for a in loaded if a.startswith(("http", "//"))], page.name
    for sheet in guide.rglob("*.css"):
        assert not re.search(r"@import|url\(\s*['\"]?(?:https?:)?//", sheet.read_text()), sheet.name


def test_the_search_knows_the_words_of_the_pages(guide):
    index = (guide / "searchindex.js").read_text()
    assert "counterbor" in index  # words are kept by their stems


@pytest.mark.parametrize(
    "link", ["[x](guide.md#no-such-part)", "[x](none.md)", "![x](web/none.png)", "[x](#none)"]
)
def test_a_dead_link_is_an_error(tmp_path, link):
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        (tmp_path / name).write_text("# Words\n")
    (tmp_path / "demo_models").mkdir()
    (tmp_path / "demo_models" / "README.md").write_text("# Words\n")
    (tmp_path / "docs").mkdir()
    shutil.copy(ROOT / "docs" / "conf.py", tmp_path / "docs")
    (tmp_path / "docs" / "guide.md").write_text("# Guide\n\n## Part\n")
    index = tmp_path / "docs" / "index.md"
    index.write_text("# Index\n\n[x](guide.md#part)\n")
    assert _built(tmp_path, tmp_path / "sound").returncode == 0
    index.write_text(f"# Index\n\n{link}\n")
    assert _built(tmp_path, tmp_path / "dead").returncode != 0
