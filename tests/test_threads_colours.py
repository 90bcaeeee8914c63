"""Threads told by colour: a shop's own rule is strong evidence, a colour that only stands apart a question.

The sizes are those of ISO 261 coarse threads and their drills (ISO 2306); what a die maker would conclude
from a colour is common practice, no source.
"""

from __future__ import annotations

import json
from pathlib import Path

import cadquery as cq
import pytest
from typer.testing import CliRunner

from featurize import tolerances as tol
from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from featurize.step.read import read_step
from routing.cli.app import app
from routing.inputs.choices import Choices, ChoicesError, load_choices
from routing.inputs.questions import doubts
from routing.inputs.shop import ShopError, load_shop
from routing.web.answers import as_table, as_toml, from_table
from tests.support.painted import Paint, by_diameter, write_painted

ORANGE, BLUE, GREY = "#ff8000", "#2040c0", "#b0b0b0"


def plate(*holes: tuple[float, float]) -> cq.Workplane:
    """A plate 80 x 40 x 16 with a hole through it for each (diameter, x)."""
    body = cq.Workplane().box(80, 40, 16)
    for diameter, x in holes:
        body = body.faces(">Z").workplane(origin=(x, 0, 0)).hole(diameter)
    return body


# Drills of M5 and M6 (4.2 and 5.0, the second a dowel's size too), a dowel of 6 and a bore of 20.
PLATE = plate((4.2, -30), (5.0, -15), (6.0, 0), (20.0, 25))


def read(
    tmp_path: Path, paint: Paint, body: cq.Workplane = PLATE, schema: str = "AP214", **declared: str
) -> Recognition:
    solid = read_step(write_painted(tmp_path / "painted.step", body, paint, schema=schema)).parts[0]
    part = build_part(solid.solid, face_names=solid.face_names, source_faces=solid.source_faces)
    meanings = {f"#{key[1:]}": value for key, value in declared.items()}
    return recognise(part, working_side="+z", colours=solid.face_colours, thread_colours=meanings)


def by_size(found: Recognition) -> dict[float, Feature]:
    return {round(f.bores[0].start_diameter_mm, 1): f for f in found.features if f.bores}


def said(feature: Feature) -> str:
    if feature.thread is None:
        return "plain"
    return feature.thread.designation or f"ask {', '.join(feature.thread.asked)}"


@pytest.mark.parametrize("schema", ["AP214", "AP242"])
def test_a_declared_colour_tells_threads_from_dowels(tmp_path: Path, schema: str) -> None:
    paint = by_diameter({4.2: ORANGE, 5.0: ORANGE}, GREY)
    holes = by_size(read(tmp_path, paint, schema=schema, cff8000="thread"))
    assert {d: said(f) for d, f in holes.items()} == {4.2: "M5", 5.0: "M6", 6.0: "plain", 20.0: "plain"}
    assert holes[5.0].kind == Kind.THREADED_HOLE
    assert any(ORANGE in why for why in holes[5.0].evidence)
    # The same file without the rule: both sizes are asked about, as without colours.
    plain = by_size(read(tmp_path, paint, schema=schema))
    assert [said(plain[d]) for d in (4.2, 5.0)] == ["ask M5, plain", "ask M6, plain"]


def test_a_colour_declared_for_a_size_names_it(tmp_path: Path) -> None:
    # 5.0 is M6's drill and M5's major diameter: the colour says which was meant.
    holes = by_size(read(tmp_path, by_diameter({5.0: BLUE}), c2040c0="M5"))
    assert said(holes[5.0]) == "M5"
    assert said(by_size(read(tmp_path, by_diameter({5.0: BLUE}), c2040c0="M6"))[5.0]) == "M6"


@pytest.mark.parametrize("means", ["M5", "thread", "M20"])
def test_a_wrong_colour_makes_no_thread_of_a_wide_bore(tmp_path: Path, means: str) -> None:
    body = plate((5.5, -15), (20.3, 20))
    found = read(tmp_path, by_diameter({20.3: BLUE}), body, c2040c0=means)
    wide = by_size(found)[20.3]
    assert wide.kind == Kind.HOLE
    assert wide.thread is None
    assert "none of its bores fits" in wide.evidence[-1]
    # A contradiction is a person's to settle.
    assert wide.id in {d.feature for d in doubts(found)}


def test_a_bore_at_a_major_diameter_is_asked_about_not_settled(tmp_path: Path) -> None:
    # 20 mm is M20's major diameter and hardly ever its thread.
    wide = by_size(read(tmp_path, by_diameter({20.0: BLUE}), c2040c0="thread"))[20.0]
    assert wide.kind == Kind.HOLE
    assert wide.thread is not None
    assert "M20" in wide.thread.asked


def test_a_colour_declared_plain_settles_the_question_the_other_way(tmp_path: Path) -> None:
    holes = by_size(read(tmp_path, by_diameter({4.2: BLUE}), c2040c0="plain"))
    assert said(holes[4.2]) == "plain"
    # Against a relief counterbore, which is drawn for threads only, it is a question.
    body = cq.Workplane().box(40, 40, 16).faces(">Z").workplane().cboreHole(4.2, 5.3, 1.4)
    relieved = by_size(read(tmp_path, by_diameter({4.2: BLUE}), body, c2040c0="plain"))
    assert said(relieved[5.3]) == "ask M5, plain"


def test_without_a_rule_one_size_set_apart_is_a_doubt_listed_first(tmp_path: Path) -> None:
    # A 7.0 through hole is nobody's first guess for a thread (M8x1).
    body = plate((4.2, -30), (7.0, -15), (9.6, 15))
    assert said(by_size(read(tmp_path, by_diameter({}), body))[7.0]) == "plain"
    found = read(tmp_path, by_diameter({7.0: ORANGE}, GREY), body)
    hole = by_size(found)[7.0]
    assert said(hole) == "ask M8x1, plain"
    assert "only those of 7 mm" in hole.evidence[-1]
    first = doubts(found)[0]
    assert first.feature in {f.id for f in found.features if f.bores and f.bores[0].start_diameter_mm < 7.1}
    assert by_size(found)[4.2].confidence > hole.confidence == first.confidence


@pytest.mark.parametrize(
    "paint",
    [
        by_diameter({7.0: ORANGE, 9.6: ORANGE}, GREY),  # two sizes share the colour
        by_diameter({4.2: ORANGE, 7.0: ORANGE, 9.6: ORANGE}, GREY),  # so do all holes
        by_diameter({4.2: BLUE}, ORANGE),  # it is the part's own
        by_diameter({}),  # nothing is coloured
        by_diameter({9.6: ORANGE}, GREY),  # no drill of any thread
    ],
)
def test_a_colour_that_sets_no_drill_size_apart_says_nothing(tmp_path: Path, paint: Paint) -> None:
    body = plate((4.2, -30), (7.0, -15), (9.6, 15))
    holes = by_size(read(tmp_path, paint, body))
    bare = by_size(read(tmp_path, by_diameter({}), body))
    assert {d: said(f) for d, f in holes.items() if d != 4.2} == {
        d: said(f) for d, f in bare.items() if d != 4.2
    }


def test_colours_are_told_within_their_rounding(tmp_path: Path) -> None:
    step = round(255 * tol.COLOUR) - 1
    near, far = f"#ff{0x80 + step:02x}00", f"#ff{0x80 + step + 2:02x}00"
    assert said(by_size(read(tmp_path, by_diameter({5.0: near}), cff8000="thread"))[5.0]) == "M6"
    assert said(by_size(read(tmp_path, by_diameter({5.0: far}), cff8000="thread"))[5.0]) != "M6"


def test_choices_and_shop_files_take_colours(tmp_path: Path) -> None:
    file = tmp_path / "insert.choices.toml"
    file.write_text('[thread_colours]\n"#FF8000" = "thread"\n"#0000ff" = "M5"\n')
    choices = load_choices(file)
    assert choices.thread_colours == {"#ff8000": "thread", "#0000ff": "M5"}
    assert choices.but(thread_colours={"#0000FF": "plain"}).thread_colours["#0000ff"] == "plain"
    table = as_table(choices)  # the page keeps them as they are
    assert from_table(table) == choices
    file.write_text(as_toml(table))
    assert load_choices(file) == choices
    for name, value in (("red", "thread"), ("#ff80", "M5"), ("#ff8000", "M99"), ("#ff8000", "")):
        with pytest.raises(ChoicesError, match="thread_colours"):
            Choices(thread_colours={name: value})
        shop = tmp_path / "shop.toml"
        shop.write_text(f'[thread_colours]\n"{name}" = "{value}"\n')
        with pytest.raises(ShopError, match="thread_colours"):
            load_shop(shop)


def test_from_the_command_line_over_the_choices_over_the_shop(tmp_path: Path) -> None:
    model = write_painted(tmp_path / "plate.step", PLATE, by_diameter({5.0: ORANGE}))
    shop = tmp_path / "shop.toml"
    shop.write_text(f'[thread_colours]\n"{ORANGE}" = "thread"\n')

    def thread_of(*options: str) -> str | None:
        done = CliRunner().invoke(app, ["features", str(model), "--json", *options])
        assert done.exit_code == 0, done.output
        (hole, *_) = (
            f for f in json.loads(done.stdout)[0]["features"] if f["dims"].get("diameter_mm") == 5.0
        )
        return hole["thread"]["designation"] if hole["thread"] else "plain"

    assert thread_of() is None
    assert thread_of("--shop", str(shop)) == "M6"
    (tmp_path / "plate.choices.toml").write_text(f'[thread_colours]\n"{ORANGE}" = "M5"\n')
    assert thread_of("--shop", str(shop)) == "M5"
    assert thread_of("--shop", str(shop), "--thread-colour", f"{ORANGE}=plain") == "plain"
