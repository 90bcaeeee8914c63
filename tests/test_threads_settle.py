"""Settling threads, on hand-made holes. What a die maker would say of each is common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from featurize.feature import Axis, Bore, Feature, Kind, Role
from featurize.recognise.thread_bores import relief_bore, thread_bore
from featurize.recognise.threads import settle_threads
from featurize.standards.threads import parse


def hole(
    diameter: float,
    depth: float = 12,
    *,
    id_: str = "F01",
    relief: tuple[float, float] | None = None,
    end: str = "through",
    text: str = "",
) -> Feature:
    """``end``: through, pointed or flat; ``relief``: diameter and depth."""
    top = relief[1] if relief else 0.0
    bores = [Bore(0, top, relief[0], relief[0])] if relief else []
    bores.append(Bore(top, depth, diameter, diameter))
    if end == "pointed":
        bores.append(Bore(depth, depth + 0.3 * diameter, diameter, 0.0))
    return Feature(
        id=id_,
        kind=Kind.HOLE,
        faces=(0,),
        roles={0: Role.BORE},
        dims={"diameter_mm": diameter, "depth_mm": depth},
        axis=Axis((0, 0, 0), (0, 0, 1)),
        opens_to=("+z", "-z") if end == "through" else ("+z",),
        bores=tuple(bores),
        text=text,
    )


def settle(*holes: Feature, **settled: str) -> list[str]:
    """Each hole's designation, "plain", or the question."""
    out = []
    for f in settle_threads(holes, settled):
        assert (f.kind == Kind.THREADED_HOLE) == (f.thread is not None and f.thread.designation is not None)
        asked = "ask " + ", ".join(f.thread.asked) if f.thread else "plain"
        out.append(f.thread.designation or asked if f.thread else asked)
    return out


@pytest.mark.parametrize(
    ("feature", "verdict"),
    [
        (hole(4.2), "ask M5, plain"),
        (hole(4.2, end="pointed"), "ask M5, plain"),
        (hole(4.2, relief=(5.3, 1.4)), "M5"),
        (hole(4.2, relief=(5.3, 1.4), end="pointed"), "M5"),
        (hole(4.134), "M5"),
        (hole(3.242, end="pointed"), "M4"),
        (hole(5.0), "ask M6, plain"),
        (hole(5.0, relief=(6.3, 1.75)), "M6"),
        (hole(5.0, relief=(5.3, 1.2)), "ask M5, M5x0.5, M6, plain"),
        (hole(6.0), "plain"),
        (hole(6.0, end="pointed"), "ask M6, M7, plain"),
        (hole(6.8, relief=(8.3, 2.2), end="pointed"), "M8"),
        (hole(8.5), "ask M10, plain"),
        (hole(5.5), "plain"),
        (hole(5.5, relief=(9.5, 5.4)), "plain"),
        (hole(9.0), "plain"),
        (hole(4.3), "plain"),
        (hole(30.0), "plain"),
        (hole(5.1054, end="pointed"), "ask 1/4-20 UNC, plain"),
        (hole(4.13), "ask M5, plain"),
        (hole(2.08), "plain"),
        (hole(7.0), "plain"),
        (hole(7.0, end="pointed"), "ask M8x1, plain"),
        (hole(4.0386), "ask #10-32 UNF, plain"),
        (hole(4.2, depth=1.2), "plain"),
    ],
)
def test_from_geometry(feature: Feature, verdict: str) -> None:
    assert settle(feature) == [verdict]


@pytest.mark.parametrize(
    ("feature", "verdict"),
    [
        (hole(4.2, text="M5 6H"), "M5"),
        (hole(5.0, text="M6x1"), "M6"),
        (hole(5.0, text="thread M5"), "M5"),
        (hole(5.2, text="M6 x 0.75"), "M6x0.75"),
        (hole(5.5, text="clearance M5"), "plain"),
        (hole(3.0, text="M5"), "ask M5, plain"),
        (hole(4.2, text="M6"), "ask M6, M5, plain"),
    ],
)
def test_from_text(feature: Feature, verdict: str) -> None:
    assert settle(feature) == [verdict]


def test_left_hand_comes_from_the_text() -> None:
    (f,) = settle_threads([hole(7.0, text="M8x1 LH")], {})
    assert f.thread is not None
    assert f.thread.left_hand
    assert f.thread.designation == "M8x1"


def test_four_equal_blind_drilled_holes_are_threads() -> None:
    four = [hole(4.2, end="pointed", id_=f"F0{k}") for k in range(4)]
    assert settle(*four) == ["M5"] * 4


def test_a_named_hole_speaks_for_its_equals() -> None:
    assert settle(hole(4.2, text="M5"), hole(4.2, id_="F02")) == ["M5", "M5"]
    assert settle(hole(4.2, text="M5"), hole(3.3, id_="F02")) == ["M5", "ask M4, plain"]


def test_the_person_has_the_last_word() -> None:
    two = (hole(4.2), hole(5.0, id_="F02"))
    assert settle(*two, F01="plain") == ["plain", "ask M6, plain"]
    assert settle(*two, **{"4.2": "M5", "F02": "M6"}) == ["M5", "M6"]
    assert settle(*two, all="plain") == ["plain", "plain"]
    assert settle(*two, all="plain", F01="M5") == ["M5", "plain"]
    assert settle(*two, all="M5") == ["M5", "ask M6, plain"]
    assert settle(hole(4.0), F01="M5") == ["M5"]
    assert settle(hole(4.2, text="M5"), F01="plain") == ["plain"]
    with pytest.raises(ValueError, match="no thread"):
        settle(hole(4.2), F01="M5.3")


def test_every_decision_carries_its_evidence() -> None:
    (f,) = settle_threads([hole(4.2, relief=(5.3, 1.4))], {})
    assert any("relief" in e for e in f.evidence)
    assert 0.9 <= f.confidence < 1
    (asked,) = settle_threads([hole(5.0)], {})
    assert asked.confidence == 0.5
    assert any("dowel" in e for e in asked.evidence)


def test_the_bore_of_the_thread_and_its_relief() -> None:
    size, _ = parse("M5")
    f = hole(4.2, relief=(5.3, 1.4))
    assert thread_bore(f, size) == f.bores[1]
    assert relief_bore(f, size) == f.bores[0]
    headed = hole(4.2, relief=(9.0, 4.0))
    assert relief_bore(headed, size) is None


@given(st.lists(st.floats(1, 30), max_size=6), st.sampled_from(["through", "pointed", "flat"]))
def test_nothing_is_lost_or_doubled(diameters: list[float], end: str) -> None:
    holes = [hole(d, end=end, id_=f"F{k:02d}") for k, d in enumerate(diameters)]
    out = settle_threads(holes, {})
    assert [f.id for f in out] == [f.id for f in holes]
    # Settled again, nothing changes: a threaded hole stays, a question stays the same question.
    assert [(f.kind, f.thread) for f in settle_threads(out, {})] == [(f.kind, f.thread) for f in out]
