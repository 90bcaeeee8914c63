"""Where models lie: the demos in the project, shared open data beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMOS = sorted((ROOT / "demo_models").glob("*.step"))
CORPUS = ROOT.parent / "shared" / "corpus"


def corpus_files(folder: str, pattern: str, limit: int | None = None) -> list[Path]:
    """Evenly chosen files of a corpus folder, in the order of their names; none where it is absent."""
    files = sorted((CORPUS / folder).glob(pattern))
    return files[:: max(1, len(files) // limit)][:limit] if limit else files


needs_corpus = pytest.mark.skipif(not CORPUS.is_dir(), reason=f"no shared corpus at {CORPUS}")
