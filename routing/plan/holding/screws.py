"""What a screw pulls, and what its thread and the wall around it then bear. Every number is an estimate.

Stress area and proof stress: ISO 898-1 (from memory). Thread geometry: ISO 68-1. Shear areas along the
flanks: the closed form of the handbooks (FED-STD-H28, VDI 2230; from memory) at nominal sizes. The wall is a
thick ring under pressure from within (Lame); the floor over a blind thread is a round plate, its rim clamped
(Timoshenko).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from featurize.standards.threads import ThreadSize

# ISO 898-1 proof stress in MPa: up to 16 mm in diameter, and over it (from memory).
PROOF_MPA = {"8.8": (580.0, 600.0), "10.9": (830.0, 830.0), "12.9": (970.0, 970.0)}
# Flanks stand 30 degrees off the plane across the screw (ISO 68-1): the pull spreads the wall by the tangent.
FLANK_TAN = math.tan(math.radians(30))
# Thread beyond this many diameters bears nothing more (common practice, no source).
ENGAGED_RATIO = 1.5
# The first turn bears about a third of the pull (handbooks, from memory). Steel yields there and shares it
# out, carbide cannot.
FIRST_TURN = 1 / 3
# Shear strength over tensile: steel's by VDI 2230, from memory; what is brittle cracks under the tension that
# comes with the shear.
SHEAR_SHARE, BRITTLE_SHEAR = 0.6, 1.0


def stress_area_mm2(size: ThreadSize) -> float:
    """As = pi/4 ((d2 + d3)/2)^2 with d3 = d1 - H/6, H = sqrt(3)/2 P."""
    root = size.minor_mm - math.sqrt(3) / 12 * size.pitch_mm
    return math.pi / 4 * ((size.pitch_diameter_mm + root) / 2) ** 2


def proof_load_n(size: ThreadSize, screw_class: str) -> float:
    small, large = PROOF_MPA[screw_class]
    return (small if size.major_mm <= 16 else large) * stress_area_mm2(size)


# In the thread and under the head, lightly oiled: class B of VDI 2230 has 0.08 to 0.16 (from memory).
FRICTION = 0.12


def head_mm(size: ThreadSize) -> float:
    """Diameter of a cap screw's head: 1.5 d + 1 meets ISO 4762 from M4 to M12 within 1 mm (from memory)."""
    return 1.5 * size.major_mm + 1.0


def clearance_mm(size: ThreadSize) -> float:
    """Diameter of its clearance hole: 1.1 d meets ISO 273, medium, M5 to M12, within 0.5 mm (from memory)."""
    return 1.1 * size.major_mm


def torque_nm(size: ThreadSize, pull_n: float) -> float:
    """What tightens a screw to a pull: F (0.16 P + 0.58 d2 mu + Dkm/2 mu), VDI 2230, from memory.

    Dkm is the mean of the head's diameter and the clearance hole's.
    """
    mean = (head_mm(size) + clearance_mm(size)) / 2
    arm = 0.16 * size.pitch_mm + 0.58 * size.pitch_diameter_mm * FRICTION + mean / 2 * FRICTION
    return pull_n * arm / 1000


def strip_area_mm2(size: ThreadSize, engaged_mm: float) -> float:
    """Area along which the inside thread is shorn off, at the screw's major diameter.

    pi d L (1/2 + (d - D2) tan 30 / P).
    """
    d, p = size.major_mm, size.pitch_mm
    return math.pi * d * engaged_mm * (0.5 + (d - size.pitch_diameter_mm) * FLANK_TAN / p)


def ring_mpa(pressure_mpa: float, inner_mm: float, wall_mm: float) -> float:
    """Largest tension round a ring under pressure from within: p (b^2 + a^2) / (b^2 - a^2) at its bore."""
    if wall_mm <= 0:
        return math.inf
    a, b = inner_mm, inner_mm + wall_mm
    return pressure_mpa * (b * b + a * a) / (b * b - a * a)


def floor_mpa(force_n: float, floor_mm: float) -> float:
    """Tension in a round plate, clamped at its rim, under a force spread over it: 3 F / (4 pi t^2)."""
    return math.inf if floor_mm <= 0 else 3 * force_n / (4 * math.pi * floor_mm**2)


@dataclass(frozen=True)
class Stresses:
    """In MPa, over the wall, the thread and the floor above it; ``allowed_mpa`` in tension."""

    pull_n: float
    engaged_mm: float
    strip_mpa: float
    ring_mpa: float
    floor_mpa: float
    allowed_mpa: float
    allowed_shear_mpa: float

    @property
    def most_pull_n(self) -> float:
        """The pull that thread and wall bear with the safety factor kept."""
        worst = max(self.strip_mpa / self.allowed_shear_mpa, self.ring_mpa / self.allowed_mpa)
        return self.pull_n / worst if worst else math.inf

    @property
    def used(self) -> float:
        """The largest share of what is allowed: 1 is all of it, the safety factor kept."""
        return max(
            self.strip_mpa / self.allowed_shear_mpa,
            self.ring_mpa / self.allowed_mpa,
            self.floor_mpa / self.allowed_mpa,
        )


def stresses(
    size: ThreadSize,
    full_thread_mm: float,
    wall_mm: float,
    floor_mm: float,
    *,
    pull_n: float,
    cut_n: float,
    tensile_mpa: float,
    safety: float,
    brittle: bool,
) -> Stresses:
    """What a pull of ``pull_n`` does to a thread, and a cut of ``cut_n`` to the floor above a blind one.

    ``floor_mm`` is infinite over a through thread. The ring is as thin all round as the thinnest wall: safe.
    """
    engaged = min(full_thread_mm, ENGAGED_RATIO * size.major_mm)
    allowed = tensile_mpa / safety
    shear = allowed * (BRITTLE_SHEAR if brittle else SHEAR_SHARE)
    if engaged <= 0:
        return Stresses(pull_n, 0.0, math.inf, math.inf, 0.0, allowed, shear)
    # Even: the pull over all turns; brittle: a third of it on the first.
    crowded = max(1.0, FIRST_TURN * engaged / size.pitch_mm) if brittle else 1.0
    strip = crowded * pull_n / strip_area_mm2(size, engaged)
    spread = crowded * pull_n * FLANK_TAN / (math.pi * size.major_mm * engaged)
    ring = ring_mpa(spread, size.major_mm / 2, wall_mm)
    return Stresses(pull_n, engaged, strip, ring, floor_mpa(cut_n, floor_mm), allowed, shear)
