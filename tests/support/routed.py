"""Small solids, recognised and put before the processes."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from typing import Any

import cadquery as cq
import numpy as np

from featurize.brep.build import build_part
from featurize.feature import Feature, Kind
from featurize.recognise import Recognition, recognise
from routing.inputs.choices import Choices
from routing.inputs.shop import load_shop
from routing.processes.context import JobContext
from routing.processes.protocol import Verdict
from routing.processes.rooms import all_processes
from routing.processes.shop import Shop

STEEL = "steel-60hrc"
UP = np.array([0.0, 0.0, 1.0])


def block(x: float = 40, y: float = 30, z: float = 20) -> cq.Workplane:
    """A block with its top at height z."""
    return cq.Workplane().box(x, y, z, centered=(True, True, False))


def recognised(solid: cq.Workplane, working_side: str | None = "+z") -> Recognition:
    """``working_side`` is in the solid's own coordinates; holes are plain."""
    side = None
    if working_side:
        side = np.zeros(3)
        side["xyz".index(working_side[1])] = 1.0 if working_side[0] == "+" else -1.0
    return recognise(build_part(solid.val().wrapped), working_side=side, threads={"all": "plain"})


def job_of(solid: cq.Workplane, shop: Shop | None = None, **choices: Any) -> JobContext:
    found = recognised(solid)
    return JobContext(
        found.part, found.features, shop or load_shop(), Choices(**{"material": STEEL, **choices})
    )


def the(job: JobContext, kind: Kind) -> Feature:
    """The only feature of a kind."""
    (feature,) = [f for f in job.features if f.kind == kind]
    return feature


def asked(job: JobContext, feature: Feature, name: str) -> Verdict:
    return next(p for p in all_processes() if p.name == name).judge(job, feature)


def shop_with(base: Shop | None = None, **changes: Any) -> Shop:
    """A shop, the default one if none is given, with whole tables replaced, be they a process's own."""
    shop = base or load_shop()
    for name, value in changes.items():
        section = _section(shop, name)
        if section is None:
            shop = replace(shop, **{name: value})
        else:
            changed = replace(shop[section], **{_field(section, name): value})
            shop = replace(shop, sections={**shop.sections, section: changed})
    return shop


def owned(name: str, shop: Shop | None = None) -> Any:
    """A table of the shop file that is a process's own, such as "wheels" or "rates.erode"."""
    shop = shop or _default()
    section = _section(shop, name)
    assert section is not None, name
    return getattr(shop[section], _field(section, name))


@cache
def _default() -> Shop:
    return load_shop()


def _section(shop: Shop, name: str) -> Any:
    return next(
        (s for s in shop.sections if name in {f.metadata.get("key", f.name) for f in fields(s)}), None
    )


def _field(section: Any, name: str) -> str:
    return next(f.name for f in fields(section) if f.metadata.get("key", f.name) == name)
