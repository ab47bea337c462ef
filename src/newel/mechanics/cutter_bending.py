"""The cutter as a stepped cantilever out of its holder: how far its tip gives, and what stress its root bears."""

from __future__ import annotations

import math
from collections.abc import Sequence

from newel.core.errors import BadInput
from newel.mechanics.edges import diameter_at_mm
from newel.shop.cutters import Cutter, Form

# A fluted part bends like a round bar of 0.8 times its diameter.
# From memory: common in the literature since L. Kops, D. T. Vo, CIRP Annals 39 (1990).
FLUTED_SHARE = 0.8

# Young's moduli. From memory: carbide 580 to 630 GPa, high-speed steel 210 to 230 GPa.
E_N_PER_MM2 = {"carbide": 600_000.0, "HSS": 220_000.0}

# Bending stress that a cutter's core may bear. From memory: a third of the transverse rupture strength of fine-grained
# carbide (about 3000 N/mm2) and of hardened high-speed steel (about 3000 N/mm2, but tougher).
ALLOWED_STRESS_N_PER_MM2 = {"carbide": 1000.0, "HSS": 1200.0}

Step = tuple[float, float]  # length, diameter in mm, from the tip towards the holder


def stepped_cantilever_mm_per_N(steps: Sequence[Step], E_N_per_mm2: float) -> float:
    """Deflection at the tip for 1 N at the tip of a round cantilever of several diameters, in mm per N.

    1/(3E) * sum of (b^3 - a^3) / I over the steps from a to b behind the tip, I = pi d^4 / 64. Euler and Bernoulli's
    beam, derived; shear is left out (under 3 % where a cutter stands out by more than 4 diameters).
    """
    behind, total = 0.0, 0.0
    for length, diameter in steps:
        if not (length >= 0 and diameter > 0):
            raise BadInput("a step of a cantilever needs a length of at least 0 and a diameter greater than 0")
        total += ((behind + length) ** 3 - behind**3) / (math.pi * diameter**4 / 64.0)
        behind += length
    return total / (3.0 * E_N_per_mm2)


def cutter_steps(cutter: Cutter, load_height_mm: float = 0.0) -> list[Step]:
    """The cutter's steps from the height where the load acts to the holder: fluted edge, neck, shank.

    The edge of a V, a tapered ball or a ball's round tip is cut into slices of its own diameter.
    """
    if not 0.0 <= load_height_mm < cutter.APMX:
        raise BadInput(f"the load must act on the edge: 0 to {cutter.APMX:g} mm above the tip, not {load_height_mm:g} mm")
    steps: list[Step] = []
    if cutter.form in (Form.TAPERED_BALL, Form.V, Form.DRILL):
        count = 60
        slice_mm = (cutter.APMX - load_height_mm) / count
        for i in range(count):
            steps.append((slice_mm, FLUTED_SHARE * diameter_at_mm(cutter, load_height_mm + (i + 0.5) * slice_mm)))
    else:
        steps.append((cutter.APMX - load_height_mm, FLUTED_SHARE * cutter.DC))
    steps.append((max(cutter.LU - cutter.APMX, 0.0), cutter.DN or min(cutter.DC, cutter.DCONMS)))
    steps.append((max(cutter.LPR - max(cutter.LU, cutter.APMX), 0.0), cutter.DCONMS))
    return [step for step in steps if step[0] > 0]


def cutter_compliance_mm_per_N(cutter: Cutter, load_height_mm: float = 0.0) -> float:
    """How far a cutter gives sideways where the force acts, in mm per N, its holder taken as rigid."""
    return stepped_cantilever_mm_per_N(
        cutter_steps(cutter, load_height_mm), E_N_PER_MM2.get(cutter.substance, E_N_PER_MM2["HSS"])
    )


def cutter_stress_N_per_mm2(cutter: Cutter, load_height_mm: float = 0.0) -> float:
    """Largest bending stress along a cutter for 1 N of side force: 32 M / (pi d^3) at the end of each step. Exact for beams."""
    behind, largest = 0.0, 0.0
    for length, diameter in cutter_steps(cutter, load_height_mm):
        behind += length
        largest = max(largest, 32.0 * behind / (math.pi * diameter**3))
    return largest


def allowed_force_N(cutter: Cutter, load_height_mm: float = 0.0) -> float:
    """Side force at which a cutter reaches its allowed bending stress."""
    allowed = ALLOWED_STRESS_N_PER_MM2.get(cutter.substance, ALLOWED_STRESS_N_PER_MM2["carbide"])
    return allowed / cutter_stress_N_per_mm2(cutter, load_height_mm)
