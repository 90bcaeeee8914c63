"""Makes the demo die inserts: ``python -m demo_models.make`` rewrites the STEP files beside this one.

Each insert is built with its working side up (+z), one bottom corner at the origin, then turned and
moved to where its drawing has it. Lengths are millimetres, angles degrees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, radians, sin, tan
from pathlib import Path
from typing import Any

import cadquery as cq

HERE = Path(__file__).parent
DRILL_POINT_DEG = 118.0
# Tap drill and relief of the M5 fixing threads. Relief: common practice, no source.
M5_DRILL, M5_RELIEF, M5_RELIEF_DEEP = 4.2, 5.4, 1.4
CLEAR = 1.0  # how far a tool stands out of the surface it cuts

Solid = cq.Workplane
Span = tuple[float, float]  # from, to along one axis


# --- tools that cut ------------------------------------------------------------------------------


def block(x: float, y: float, z: float) -> Solid:
    """The squared blank."""
    return cq.Workplane().box(x, y, z, centered=False)


def prism(x: Span, y: Span, z: Span, corner_mm: float = 0.0) -> Solid:
    """An upright box, its four upright edges rounded."""
    box = cq.Workplane(origin=(x[0], y[0], z[0])).box(x[1] - x[0], y[1] - y[0], z[1] - z[0], centered=False)
    return box.edges("|Z").fillet(corner_mm) if corner_mm else box


def round_bar(x: float, y: float, z: Span, diameter_mm: float) -> Solid:
    """An upright cylinder."""
    return cq.Workplane(origin=(x, y, z[0])).circle(diameter_mm / 2).extrude(z[1] - z[0])


def along_x(points: list[tuple[float, float]], length_mm: float) -> Solid:
    """A bar of the section ``points`` (y, z) running from x = 0."""
    return cq.Workplane("YZ").polyline(points).close().extrude(length_mm)


def along_y(points: list[tuple[float, float]], length_mm: float) -> Solid:
    """A bar of the section ``points`` (x, z) running from y = 0."""
    return cq.Workplane("XZ").polyline(points).close().extrude(-length_mm)


@dataclass(frozen=True)
class Drilled:
    """A blind hole from the mounting side; depths from its mouth, ``depth`` to the end of full diameter."""

    x: float
    y: float
    diameter: float
    depth: float
    relief: float = 0.0
    relief_deep: float = 0.0

    def tool(self) -> Solid:
        r, deep = self.diameter / 2, self.relief_deep
        mouth = [(self.relief / 2, 0.0), (self.relief / 2, deep), (r, deep)] if deep else [(r, 0.0)]
        point = (0.0, self.depth + r / tan(radians(DRILL_POINT_DEG / 2)))
        profile = [(0.0, 0.0), *mouth, (r, self.depth), point]
        spun = cq.Workplane("XZ").polyline(profile).close().revolve(360, (0, 0, 0), (0, 1, 0))
        return spun.translate((self.x, self.y, 0))


def m5(x: float, y: float, depth: float) -> Solid:
    """An M5 thread from the mounting side, with its relief."""
    return Drilled(x, y, M5_DRILL, depth, M5_RELIEF, M5_RELIEF_DEEP).tool()


def cut(body: Solid, *tools: Solid) -> Solid:
    for tool in tools:
        body = body.cut(tool)
    return body


# --- the inserts ---------------------------------------------------------------------------------


def wear_plate() -> Solid:
    """A ledge, a slanted lead-in and one chamfer: grinding only."""
    x, y, z = 64.0, 36.0, 18.0
    ledge_wide, ledge_drop = 8.0, 5.0
    slant_long, slant_deg = 14.0, 15.0
    chamfer = 1.5
    slant = [(x - slant_long, z), (x, z), (x, z - slant_long * tan(radians(slant_deg)))]
    return cut(
        block(x, y, z),
        prism((0, x), (0, ledge_wide), (z - ledge_drop, z)),
        along_y(slant, y),
        along_x([(y - chamfer, 0), (y, 0), (y, chamfer)], x),
    )


def pierce_die() -> Solid:
    """A T-shaped opening: straight land, then tapered relief."""
    x, y, z = 58.0, 46.0, 24.0
    corner, land, taper_deg = 0.8, 5.0, 0.75
    tee = [(20.0, 29.0), (20.0, 24.0), (25.5, 24.0), (25.5, 17.0)]
    tee += [(58.0 - px, py) for px, py in reversed(tee)]  # the same mirrored
    opening = cq.Workplane(origin=(0, 0, z - land)).polyline(tee).close().extrude(land)
    opening = opening.edges("|Z").fillet(corner)
    throat = opening.faces("<Z").wires().toPending().workplane()
    relief = throat.extrude(z - land, taper=-taper_deg, combine=False)
    dowels = [round_bar(dx, dy, (0, z), 6.0) for dx, dy in ((8.0, 38.0), (50.0, 8.0))]
    return cut(block(x, y, z), opening, relief, *dowels, m5(9.0, 9.0, 12.0), m5(49.0, 37.0, 12.0))


def forming_insert() -> Solid:
    """A channel right through, a ribbed floor beside it, a shallow closed pocket."""
    x, y, z = 70.0, 48.0, 22.0
    channel_foot = 0.3
    channel = prism((0, x), (6, 14), (z - 5, z)).edges("|X and <Z").fillet(channel_foot)
    recess = prism((0, x), (18, 30), (z - 3, z))
    rib_wide, rib_high, gap = 0.8, 1.5, 2.4
    for n in range(3):
        foot = 18 + gap + n * (gap + rib_wide)
        recess = recess.cut(prism((0, x), (foot, foot + rib_wide), (z - 3, z - 3 + rib_high)))
    pocket = prism((20, 46), (35, 43), (z - 1.2, z), 1.5)
    return cut(block(x, y, z), channel, recess, pocket, m5(10.0, 24.0, 12.0), m5(60.0, 24.0, 12.0))


def coining_insert() -> Solid:
    """A freely contoured floor in a closed recess; a locating step on each side."""
    x, y, z = 52.0, 44.0, 20.0
    step_wide, step_drop = 5.0, 6.0
    long, wide, corner = 24.0, 18.0, 4.0
    rim, dish = 1.3, 0.9  # depth of the floor at the straight walls; how much deeper in the middle

    def floor(u: float, v: float) -> float:
        """Depth of the floor: level along the walls, so that a flat cutter reaches its foot."""
        return rim + dish * (1 - u * u) * (1 - v * v) * (1 + 0.2 * u - 0.15 * v)

    points = [
        [cq.Vector(x / 2 + u * long / 2, y / 2 + v * wide / 2, z - floor(u, v)) for v in _grid()]
        for u in _grid()
    ]
    sheet = cq.Face.makeSplineApprox(points, tol=1e-4)
    over = cq.Solid.extrudeLinear(sheet, cq.Vector(0, 0, 10))
    across = ((x - long) / 2, (x + long) / 2), ((y - wide) / 2, (y + wide) / 2)
    walls = prism(*across, (z - 5, z + CLEAR), corner)
    return cut(
        block(x, y, z),
        prism((0, x), (0, step_wide), (z - step_drop, z)),
        prism((0, x), (y - step_wide, y), (z - step_drop, z)),
        walls.intersect(cq.Workplane(over)),
        m5(8.0, y / 2, 11.0),
        m5(x - 8.0, y / 2, 11.0),
    )


def _grid(reach: float = 1.1, count: int = 9) -> list[float]:
    return [reach * (2 * i / (count - 1) - 1) for i in range(count)]


def corner_cavity() -> Solid:
    """Corners without radius in closed recesses: a rectangle, a hexagon, a corner seat."""
    x, y, z = 44.0, 40.0, 26.0
    hex_flats, hex_deep = 8.0, 5.0
    hexagon = cq.Workplane(origin=(31, 27, z - hex_deep)).polygon(6, hex_flats, circumscribed=True)
    return cut(
        block(x, y, z),
        prism((7, 21), (8, 18), (z - 6, z)),
        hexagon.extrude(hex_deep),
        prism((37, x), (0, 9), (z - 3, z)),
        Drilled(13.0, 29.0, 6.8, 16.0, 8.4, 2.2).tool(),
        round_bar(31.0, 13.0, (0, z), 4.0),
    )


THREADS = {
    "correct": Drilled(13, 14, M5_DRILL, 12, M5_RELIEF, M5_RELIEF_DEEP),
    "relief missing": Drilled(31, 14, M5_DRILL, 12),
    "relief shallow": Drilled(49, 14, M5_DRILL, 12, M5_RELIEF, 0.6),
    "relief deep": Drilled(67, 14, M5_DRILL, 12, M5_RELIEF, 3.0),
    "relief narrow": Drilled(13, 32, M5_DRILL, 12, 4.9, M5_RELIEF_DEEP),
    "M6 correct": Drilled(31, 32, 4.917, 14, 6.4, 1.8),
    "inch, named": Drilled(49, 32, 5.105, 14, 6.7, 2.2),
    "drill point": Drilled(67, 32, M5_DRILL, 20, M5_RELIEF, M5_RELIEF_DEEP),
    "short": Drilled(13, 50, M5_DRILL, 4.5, M5_RELIEF, M5_RELIEF_DEEP),
    "ambiguous": Drilled(31, 50, 5.0, 12),
    "fine, named": Drilled(49, 50, 5.25, 14, 6.4, 1.3),
    "near a dowel": Drilled(67, 50, M5_DRILL, 12, M5_RELIEF, M5_RELIEF_DEEP),
    "near the side": Drilled(82.6, 32, M5_DRILL, 12, M5_RELIEF, M5_RELIEF_DEEP),
}


def thread_trial() -> Solid:
    """One plate with every fault a tapped hole can have."""
    x, y, z = 86.0, 62.0, 22.0
    dowel = round_bar(73.4, 50.0, (0, z), 6.0)
    return cut(block(x, y, z), *(hole.tool() for hole in THREADS.values()), dowel)


def crossing_block() -> Solid:
    """Features that cut into one another."""
    x, y, z = 72.0, 60.0, 28.0
    chamfer, edge_radius = 1.5, 2.0
    middle = y - edge_radius, z - edge_radius
    round_off = prism((0, x), (middle[0], y), (middle[1], z))
    round_off = round_off.cut(cq.Workplane("YZ", origin=(0, *middle)).circle(edge_radius).extrude(x))
    island = round_bar(40, 10, (z - 5, z - 2), 5.0)
    slant_deg, slant_deep = 20.0, 12.0
    lean = cq.Vector(sin(radians(slant_deg)), 0, -cos(radians(slant_deg)))
    start = cq.Vector(10, 10, z) - lean * CLEAR
    slanted = cq.Workplane(cq.Solid.makeCylinder(1.6, slant_deep + CLEAR, start, lean))
    return cut(
        block(x, y, z),
        prism((0, x), (20, 28), (z - 6, z)),  # slot ...
        round_bar(20, 24, (0, z), 10.0),  # ... crossing a hole wider than itself
        prism((63, x), (0, y), (z - 4, z)),  # step meeting the slot
        round_bar(57, 10, (0, z), 6.0),  # two holes ...
        cq.Workplane("XZ", origin=(57, 0, 10)).circle(2.0).extrude(-y),  # ... crossing
        prism((8, 30), (38, 52), (z - 7, z), 3.0),  # pocket ...
        prism((14, 24), (42, 48), (0, z - 7), 1.5),  # ... with a passage in its floor
        prism((34, 58), (36, 54), (z - 4, z), 2.5),  # pocket ...
        prism((40, 52), (41, 49), (z - 8, z - 4), 2.0),  # ... in a pocket
        prism((30, 50), (3, 17), (z - 5, z), 2.0).cut(island),
        slanted,
        along_x([(0, 0), (chamfer, 0), (0, chamfer)], x),
        along_x([(y - chamfer, 0), (y, 0), (y, chamfer)], x),
        round_off,
    )


# --- where they stand, and their files -----------------------------------------------------------

# The turn (about an axis through the origin, degrees) that takes +z to a side.
_TURNS = {
    "+z": ((1, 0, 0), 0),
    "-z": ((1, 0, 0), 180),
    "+y": ((1, 0, 0), -90),
    "-y": ((1, 0, 0), 90),
    "+x": ((0, 1, 0), 90),
}


@dataclass(frozen=True)
class Insert:
    """One demo part: how it is built, where its working side looks, its lowest corner, its named bores."""

    part_number: str
    build: Callable[[], Solid]
    working: str
    corner: tuple[float, float, float]
    bore_names: tuple[tuple[float, str], ...] = ()  # diameter, name of the face

    def shape(self) -> cq.Shape:
        """The solid in model coordinates."""
        axis, turn = _TURNS[self.working]
        turned = self.build().val().rotate(cq.Vector(), cq.Vector(*axis), turn)
        box = turned.BoundingBox(1e-4)
        low = (box.xmin, box.ymin, box.zmin)
        solid = turned.translate(cq.Vector(*(c - round(v, 3) for c, v in zip(self.corner, low, strict=True))))
        (only,) = solid.Solids()
        return only


INSERTS = {
    "wear_plate": Insert("WP-0917", wear_plate, "+z", (12.0, -7.0, 3.0)),
    "pierce_die": Insert("PD-2207", pierce_die, "+z", (-11.0, 6.0, -24.0)),
    "forming_insert": Insert("FI-3140", forming_insert, "+y", (5.0, -4.0, 20.0)),
    "coining_insert": Insert("CI-0458", coining_insert, "-z", (101.5, 40.0, 0.0)),
    "corner_cavity": Insert("CC-1186", corner_cavity, "+x", (-26.0, 15.0, 33.0)),
    "thread_trial": Insert(
        "TT-5003", thread_trial, "+z", (7.0, 11.0, 2.5), ((5.105, "1/4-20 UNC"), (5.25, "M6x0.75"))
    ),
    "crossing_block": Insert("XB-7720", crossing_block, "-y", (-30.0, 14.0, 8.0)),
}


def write_step(name: str, path: Path) -> None:
    """One insert as STEP AP214 in millimetres, with the names of its faces; the same bytes every time."""
    from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
    from OCP.Interface import Interface_Static
    from OCP.STEPCAFControl import STEPCAFControl_Controller, STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_StepModelType
    from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFDoc import XCAFDoc_DocumentTool

    insert = INSERTS[name]
    solid = insert.shape()
    document = TDocStd_Document(TCollection_ExtendedString("XmlXCAF"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    label = shapes.AddShape(solid.wrapped, False)
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(insert.part_number))
    for diameter, text in insert.bore_names:
        face_label = shapes.AddSubShape(label, _bore(solid, diameter).wrapped)
        TDataStd_Name.Set_s(face_label, TCollection_ExtendedString(text))
    STEPCAFControl_Controller.Init_s()
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    writer = STEPCAFControl_Writer()
    writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString(f"{name}.step"))
    header.SetTimeStamp(TCollection_HAsciiString("2026-01-01T00:00:00"))
    writer.Write(str(path))


def _bore(solid: cq.Shape, diameter_mm: float) -> Any:
    (face,) = (
        f
        for f in solid.Faces()
        if f.geomType() == "CYLINDER" and abs(2 * f._geomAdaptor().Cylinder().Radius() - diameter_mm) < 1e-6
    )
    return face


def main() -> None:
    for name in INSERTS:
        write_step(name, HERE / f"{name}.step")
        print(f"{name}.step")


if __name__ == "__main__":
    main()
