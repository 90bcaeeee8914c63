"""Ground stock of features that a test routes to the wheel itself, with allowances as it likes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from featurize.brep.part import Part
from featurize.feature import Feature
from routing.processes.blank import Blank
from routing.processes.protocol import Allowance, Approach, Kept, Stage, Task
from routing.processes.shop import Shop
from routing.processes.surface_grind.reach import Grind, plan
from routing.processes.surface_grind.shop import GrindShop
from routing.processes.surface_grind.verdict import GRIND, GrindVerdict
from routing.stock.ground import GroundStock
from routing.stock.ground import ground_stock as stock_of


def ground_tasks(
    part: Part,
    features: Sequence[Feature],
    shop: Shop,
    floor_mm: float,
    wall_mm: float,
    own: Mapping[str, tuple[float, float]],
) -> list[Task]:
    """A grinding task for each feature; all its faces keep an allowance, its own or the common one."""
    found = []
    for feature in features:
        way = plan(part, feature, shop[GrindShop].wheels, shop.general.sharp_corner_leave_mm)
        verdict = GrindVerdict(
            process=GRIND,
            workable=isinstance(way, Grind),
            reason=getattr(way, "reason", "made"),
            way=way if isinstance(way, Grind) else None,
        )
        kept = Kept(feature.faces, Allowance(*own.get(feature.id, (floor_mm, wall_mm))), "mill")
        approach = Approach((0.0, 0.0, 1.0), "+z")
        found.append(Task(Stage.GRIND, GRIND, approach, feature, verdict, keeps=(kept,)))
    return found


def ground_stock(
    part: Part,
    features: Sequence[Feature],
    blank: Blank,
    shop: Shop,
    *,
    floor_allowance_mm: float = 0.010,
    wall_allowance_mm: float = 0.0,
    own_allowances: Mapping[str, tuple[float, float]] | None = None,
    not_ground: Mapping[str, str] | None = None,
) -> GroundStock:
    tasks = ground_tasks(part, features, shop, floor_allowance_mm, wall_allowance_mm, own_allowances or {})
    return stock_of(part, tasks, blank, shop[GrindShop].wheels, not_ground=not_ground)
