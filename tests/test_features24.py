"""Recognition against an open labelled data set of crossing cuts (see the corpus' README for its source)."""

from __future__ import annotations

import pytest

from tests.features24_score import CORPUS, every_name, score

# Every second part: a score of all takes over a minute (`python -m tests.features24_score`).
_EVERY = 2
# What was wrong on 2026-11-27; docs/recognition.md judges each.
_FACES_WRONG, _FEATURES_WRONG = 43, 13


@pytest.mark.skipif(not CORPUS.is_dir(), reason=f"no labelled parts at {CORPUS}")
def test_half_of_the_shared_parts_agrees_with_its_labels_as_well_as_it_did() -> None:
    found = score(every_name()[::_EVERY])
    told = "\n".join([*found.lost, *found.wrong])
    assert found.faces > 1800
    assert not found.lost, told
    assert found.faces - found.faces_right <= _FACES_WRONG, told
    assert found.features - found.features_right <= _FEATURES_WRONG, told
