"""All words of the page stand in one file: the other scripts hold code, and its HTML is empty of them."""

from __future__ import annotations

import re
from pathlib import Path

import lxml.html
import pytest

PAGES = Path(__file__).resolve().parents[1] / "routing" / "web" / "pages"
SCRIPTS = sorted(p for p in PAGES.glob("*.js") if p.name != "words.js")
# What is the same in every language: the trade's own names of threads and materials, and what is typed.
_NAMES = re.compile(r"M\d+|steel-\d+hrc|carbide-\d+|dieroute|[+-][xyz]|r")
# Names of tabs, which addresses hold, and of what browsers call so.
_KEYS = {"Flags", "Features", "Edges", "Operations", "Minutes", "Alike", "Figures", "Choices", "Files"}
_STRING = re.compile(r'"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`')
# Attributes and arguments that people read; what is given to them is words.
_SHOWN = re.compile(
    r"(?:ariaLabel|placeholder|title|label|textContent|alt)\s*[:=]\s*(\"[^\"]+\"|`[^`]+`)|"
    r"\b(?:announce|Error|confirm|table|field)\(\s*(\"[^\"]*[A-Z ][^\"]*\"|`[^`]+`)"
)


def _without_comments(text: str) -> str:
    return re.sub(r"(^|\s)//[^\n]*|/\*.*?\*/", r"\1", text, flags=re.DOTALL | re.MULTILINE)


def _words_in(literal: str) -> list[str]:
    """Of a string what could be words: without what is filled in, paths, keys and punctuation."""
    bare = re.sub(r"\$\{[^}]*\}", " ", literal)
    return [w for w in re.findall(r"[A-Za-z][a-z]+", bare) if not _NAMES.fullmatch(w)]


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.name)
def test_no_words_stand_in_a_script(path):
    text = _without_comments(path.read_text(encoding="utf-8"))
    text = re.sub(r'^import .*$|class(?:Name)?: "[^"]*"', "", text, flags=re.MULTILINE)
    for found in _SHOWN.finditer(text):
        literal = (found[1] or found[2])[1:-1]
        assert not _words_in(literal), f"{path.name}: {found[0]}"
    for match in _STRING.finditer(text):
        literal = match[1] if match[1] is not None else match[2]
        sentence = re.search(r"(?:^|[>\s])[A-Z][a-z]+ [a-z]+|[a-z]{2,} [a-z]{2,} [a-z]{2,}", _told(literal))
        assert not sentence, f"{path.name}: {literal}"
        if re.fullmatch(r"[A-Z][a-z]+", literal):
            assert literal in _KEYS, f"{path.name}: {literal}"


def _told(literal: str) -> str:
    """Without what is filled in, and without selectors, class names and drawing commands."""
    bare = re.sub(r"\$\{[^}]*\}", "", literal)
    return "" if re.search(r"[#\[\]/=&?<>]|^[.:]|\w[.:]\w", bare) else bare


def test_the_html_holds_no_words_but_what_must_be_told_without_scripts():
    root = lxml.html.parse(str(PAGES / "index.html")).getroot()
    for element in root.iter():
        if element.tag in ("noscript", "title") or element.get("class") == "word":
            continue
        assert not (element.text or "").strip(), element.tag
        assert not element.get("aria-label")
    words = (PAGES / "words.js").read_text(encoding="utf-8")
    for name in {e.get("data-word") or e.get("data-label") for e in root.iter() if isinstance(e.tag, str)} - {
        None
    }:
        assert re.search(rf"\b{name}:", words), name


def test_every_word_that_is_asked_for_is_there():
    """The names after WORDS in each script lead to an entry of the file."""
    words = (PAGES / "words.js").read_text(encoding="utf-8")
    sections = set(re.findall(r"^  (\w+): [{\[]", words, re.MULTILINE))
    for path in SCRIPTS:
        text = path.read_text(encoding="utf-8")
        for section, key in re.findall(r"\bWORDS\.(\w+)(?:\.(\w+))?", text):
            assert section in sections, f"{path.name}: {section}"
            assert not key or re.search(rf'\b"?{key}"?:', words), f"{path.name}: {section}.{key}"
        for alias, section in re.findall(r"\b([A-Z]) = WORDS\.(\w+)", text):
            body = re.search(
                rf"^  {section}: [{{\[](.*?)^  [}}\]],$|^  {section}: (.*)$", words, re.MULTILINE | re.DOTALL
            )
            assert body
            for key in re.findall(rf"(?<![.\w]){alias}\.(\w+)", text):
                assert re.search(rf'\b"?{key}"?:', body[1] or body[2]), f"{path.name}: {section}.{key}"
