"""Hardness of tool steels and of cemented carbide, from what a person writes of the material.

Steel: the conversion of ISO 18265 (as ASTM E140), Rockwell C (ISO 6508-1) to Vickers, from memory. Carbide:
the rule of Lee and Gurland (Materials Science and Engineering 33, 1978, 125) for tungsten carbide and cobalt,
from memory; a measured hardness (ISO 3878) of one grade strays from it by some 15 %, so it ranks materials,
it does not certify them.
"""

from __future__ import annotations

import math

import numpy as np

WC_G_CM3, CO_G_CM3 = 15.63, 8.90
# Middles of the classes of ISO 4499-2, micrometres (the classes from memory: ultrafine 0.2 to 0.5, submicron
# to 0.8, fine to 1.3, medium to 2.5, coarse to 6.0).
GRAINS_UM = {"ultrafine": 0.35, "submicron": 0.65, "fine": 1.05, "medium": 1.9, "coarse": 4.0}

_HRC = (20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 68)
_HV = (238, 266, 302, 345, 392, 446, 513, 595, 697, 832, 940)


def steel_hv(hardness_hrc: float) -> float:
    """Vickers hardness of a steel of 20 to 70 HRC; the table's last slope carries on beyond it."""
    if hardness_hrc > _HRC[-1]:
        slope = (_HV[-1] - _HV[-2]) / (_HRC[-1] - _HRC[-2])
        return _HV[-1] + slope * (hardness_hrc - _HRC[-1])
    return float(np.interp(hardness_hrc, _HRC, _HV))


def binder_share(binder_percent: float) -> float:
    """Share of the volume that is binder, from its share of the mass in percent."""
    mass = binder_percent / 100
    return (mass / CO_G_CM3) / (mass / CO_G_CM3 + (1 - mass) / WC_G_CM3)


def carbide_hv(binder_percent: float, grain_um: float) -> float:
    """Vickers hardness of tungsten carbide with cobalt: both phases as they touch each other.

    H = Hwc V C + Hco (1 - V C), V the carbide's share of the volume, C its contiguity 1.03 exp(-5 f) at a
    binder share f, Hwc = 1382 + 23.1 / sqrt(d), Hco = 304 + 12.7 / sqrt(l), d the grain and l the mean free
    path in the binder, d f / ((1 - f)(1 - C)), both in mm.
    """
    f, d = binder_share(binder_percent), grain_um / 1000
    touching = 1.03 * math.exp(-5 * f)
    path = d * f / ((1 - f) * (1 - touching))
    carbide = 1382 + 23.1 / math.sqrt(d)
    binder = 304 + 12.7 / math.sqrt(path)
    share = (1 - f) * touching
    return carbide * share + binder * (1 - share)
