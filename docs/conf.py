"""How the guide is made of the Markdown of this repository: see DEVELOPERS.md."""

from __future__ import annotations

from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]

project = "dieroute"
extensions = ["myst_parser"]
include_patterns = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "demo_models/README.md", "docs/*.md"]
exclude_patterns = [".*", "build", "dist", "featurize", "routing", "tests"]
root_doc = "docs/index"
myst_heading_anchors = 3
highlight_language = "none"
nitpicky = True
html_theme = "alabaster"
html_theme_options = {
    "description": "A route for die inserts",
    "page_width": "76rem",
    "sidebar_width": "15rem",
}
html_copy_source = False
html_show_sphinx = False
html_show_search_summary = False  # it would be fetched, which a page opened from a folder cannot


def _with_contents(_app: Any, name: str, source: list[str]) -> None:
    """Every page of the folder is in the contents, also one that the index does not name yet."""
    if name == root_doc:
        others = sorted(
            p.stem for p in Path(__file__).parent.glob("*.md") if p.stem not in ("index", "guide")
        )
        pages = ["/README", "guide", *others, "/demo_models/README", "/DEVELOPERS", "/CHANGELOG"]
        source[0] += "\n".join(["\n```{toctree}", ":hidden:", "", *pages, "```", ""])


def setup(app: Any) -> None:
    app.connect("source-read", _with_contents)
