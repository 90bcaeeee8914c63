"""The shop file: defaults, overlays and errors that name the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from routing.inputs.shop import ShopError, load_shop
from routing.processes.material import Material
from tests.support.routed import owned


def written(folder: Path, text: str) -> Path:
    path = folder / "shop.toml"
    path.write_text(text)
    return path


def test_defaults_are_in_order_of_what_a_shop_owns() -> None:
    shop = load_shop()
    assert min(w.width_mm for w in owned("wheels", shop)) == 0.5
    assert max(w.width_mm for w in owned("wheels", shop)) == 20
    assert all(0.01 <= w.gap_mm <= 0.02 for w in owned("wires", shop))
    assert {c.form for c in owned("cutters", shop)} == {"flat", "ball", "bull", "chamfer"}
    assert all(
        c.corner_radius_mm == pytest.approx(c.radius_mm) for c in owned("cutters", shop) if c.form == "ball"
    )
    assert shop.general.sharp_corner_leave_mm == 0.05


def test_a_table_is_overlaid_and_a_list_replaced(tmp_path: Path) -> None:
    shop = load_shop(
        written(
            tmp_path,
            "wires = [{diameter_mm = 0.25, gap_mm = 0.02}]\n[general]\nclearance_holes = 'drill'\n",
        )
    )
    assert [w.corner_mm for w in owned("wires", shop)] == pytest.approx([0.145])
    assert shop.general.clearance_holes == "drill"
    assert shop.general.sharp_corner_leave_mm == load_shop().general.sharp_corner_leave_mm


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("wires = [{diameter_mm = -1, gap_mm = 0.02}]", "wires[0].diameter_mm"),
        ("wires = [{diameter_mm = 0.2}]", "wires[0].gap_mm"),
        ("wires = []", "wires"),
        ("[general]\nclearance_holes = 'punch'", "general.clearance_holes"),
        ("[general]\nsharp_corner_leave_mm = true", "general.sharp_corner_leave_mm"),
        ("[wire_machine]\ntaper_limit_deg = nan", "wire_machine.taper_limit_deg"),
        ("[materials.steel]\nprocesses = ['saw']", "materials.steel.processes"),
        ("lathes = 3", "lathes"),
        ("rates = 5", "rates"),
    ],
)
def test_an_error_names_the_key_in_one_line(tmp_path: Path, text: str, named: str) -> None:
    with pytest.raises(ShopError) as error:
        load_shop(written(tmp_path, text))
    assert named in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_or_broken_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(ShopError, match="cannot be read"):
        load_shop(tmp_path / "none.toml")
    with pytest.raises(ShopError, match="is not TOML"):
        load_shop(written(tmp_path, "wires = ["))


def test_carbide_is_ruled_by_its_binder() -> None:
    shop = load_shop()
    hard, tough = (shop.rule(Material.named(f"carbide-{b}")) for b in (6, 20))
    steel = shop.rule(Material.named("steel-60hrc"))
    assert hard.feed_scale < tough.feed_scale < steel.feed_scale
    assert hard.small_length_ratio == 5  # common practice, no source: 5 diameters under 2 mm


def test_whose_papers_these_are(tmp_path: Path) -> None:
    """A name of one's own leaves nothing of the demo one."""
    shop = load_shop(written(tmp_path, '[toolroom]\nname = "Own"'))
    assert str(shop.toolroom) == "Own"
    assert "demo" in load_shop().toolroom.name.lower()
    with pytest.raises(ShopError, match=r"toolroom\.name = ''"):
        load_shop(written(tmp_path, '[toolroom]\nname = ""'))
