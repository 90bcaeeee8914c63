"""Recognition against an open labelled data set (MFCAD; see the corpus' README for its source)."""

from __future__ import annotations

import json

import pytest
from mfcad_score import CORPUS, score
from support.corpus import needs_corpus


@needs_corpus
@pytest.mark.parametrize("every", [2, pytest.param(1, marks=pytest.mark.thorough)])
def test_every_face_agrees_with_the_labels_to_the_published_standard(every: int) -> None:
    labels = json.loads((CORPUS / "labels.json").read_text())
    _, total, by_class, by_family = score(sorted(CORPUS.glob("*.step"))[::every], labels)
    # Networks trained on this set report about 99.9 % (from memory); a method that saw no
    # labels is held to 98 % of faces in the 16 classes and 99 % in the 8 families.
    assert total > 5000 / every
    assert by_class / total >= 0.98
    assert by_family / total >= 0.99
