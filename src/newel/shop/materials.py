"""Materials of bars, with the figures that cutting and bending need, each with its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Material:
    """A material to be cut. Ranges are (low, high); None where no source gives a figure.

    `kc11_N_per_mm2`, `mc`: Kienzle's specific cutting force for a 1 mm x 1 mm chip and its exponent, as (low, high) band and
    one value. `vc_m_per_min`: cutting speeds. `fz_per_DC`: feed per tooth as a share of the cutting diameter (DC), (low, high).
    `hm_min_mm`: below this mean chip the edge rubs. `cautions`: what can hurt here, in a sentence each.
    """

    name: str
    kind: str
    E_N_per_mm2: float | None
    G_N_per_mm2: float | None
    density_kg_per_m3: float | None
    kc11_N_per_mm2: tuple[float, float]
    mc: float
    vc_m_per_min: tuple[float, float]
    fz_per_DC: tuple[float, float]
    ap_per_DC: float
    ae_per_DC: float
    hm_min_mm: float
    cautions: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]  # (field, source)
