"""What the shop's rules make of the material, as the route file says it; no file of its own."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

from routing.export.numbers import rounded
from routing.export.work import Work
from routing.processes.hardness import carbide_hv, steel_hv
from routing.processes.material import Material
from routing.processes.material_rules import like_binder_percent

ORDER = 20
AFTER = ()
OF_PLAN = True
FILES = ()
_FAMILY = ("hardness_hrc", "binder_percent", "grain_um")


def write(work: Work, _folder: Path) -> dict[str, Any]:
    material, shop = Material.named(work.choices.material), work.shop
    rule = shop.rule(material)
    like = like_binder_percent(material, shop.materials.values())
    own = {name: getattr(rule, name) for name in (f.name for f in fields(rule)) if name not in _FAMILY}
    if material.binder_percent is None:
        hardness = steel_hv(material.hardness_hrc or 0.0)
    else:
        hardness = carbide_hv(material.binder_percent, material.grain_um or rule.grain_um or 1.0)
    return {
        "material": {
            "name": material.name,
            "hardness_hv": rounded(hardness, 0),
            "like_binder_percent": None if like is None else rounded(like, 1),
            "rule": {k: rounded(v) if isinstance(v, float) else v for k, v in own.items()}
            | {"processes": list(rule.processes)},
            "note": "drawn between the shop's own materials; the hardness is an estimate",
        }
    }
