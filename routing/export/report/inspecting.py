"""What to measure at the end, and with what."""

from __future__ import annotations

from routing.export.report.blocks import (
    Section,
    Table,
    Text,
    number,
    sizes,
)
from routing.export.report.hole_sections import gauge
from routing.export.report.main_sections import Content, callout

BY_EYE = "stereo microscope"


# What measures a size, by its name; the first that fits (common practice, no source).
_INSTRUMENTS = (
    ("counterbore", "calliper, depth micrometer"),
    ("corner_radius", f"radius under the {BY_EYE} or projector"),
    ("radius", "radius gauge or projector"),
    ("point_angle", "not measured: the drill's"),
    ("taper", "sine bar and dial, or projector"),
    ("angle", "sine bar and dial, or projector"),
    ("depth", "depth micrometer, or height gauge on the plate"),
    ("height", "height gauge on the plate, gauge blocks"),
    ("land", "height gauge, or projector"),
    ("diameter", "pin or bore gauge"),
    ("width", "gauge blocks or micrometer"),
    ("length", "micrometer or height gauge"),
    ("thickness", "micrometer"),
)


_SHAPED = ("contoured surface", "through profile", "outside profile")


def instrument(size: str) -> str:
    """What measures a size of a feature."""
    return next((with_what for part, with_what in _INSTRUMENTS if part in size), "calliper")


def inspection(content: Content) -> Section:
    """Grouped by instrument, so that each is fetched once for a feature."""
    rows = []
    for f in content["features"]:
        if f["thread"] and f["thread"]["designation"]:
            rows.append((f["id"], f["thread"]["designation"], gauge(f["thread"]["designation"], 0.0)))
        by_tool: dict[str, list[str]] = {}
        for name, value in f["dims"].items():
            by_tool.setdefault(instrument(name), []).extend(sizes({name: value}))
        rows += [(f["id"], "; ".join(text), tool) for tool, text in by_tool.items()]
        if f["kind"] in _SHAPED:
            rows.append((f["id"], "form", "coordinate measuring machine or projector, against the model"))
        rows += [(f["id"], callout(c), "as the drawing asks") for c in f["callouts"]]
    rows = [(one if n == 0 or rows[n - 1][0] != one else "", *rest) for n, (one, *rest) in enumerate(rows)]
    sharp = sum(e["verdict"] == "keep sharp" for e in content["edges"])
    if sharp:
        rows.append(("edges", f"{sharp} that stay sharp: no burr, no radius, no chip", f"{BY_EYE}, 20 times"))
    rows.append(
        ("part", "box " + " x ".join(map(number, content["part"]["box_mm"])), "micrometer, square, plate")
    )
    text = Text(
        "Instruments are common practice; tolerances are the drawing's, which this report does not replace.",
        "note",
    )
    return Section("Inspection", (Table(("id", "what", "with what"), tuple(rows), (1, 7, 6)), text))
