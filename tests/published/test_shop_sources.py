"""Figures of the shop against the printed ones they are said to come from.

Sources, each as read (some in second-hand copies; then the copy is named in the shop file too):
- Callister, Fundamentals of Materials Science and Engineering, appendix B, tables B.1 and B.2: 6061 69 GPa and 2.71 g/cm3,
  red oak 11.0 to 14.1 GPa and 0.61 to 0.67 g/cm3, PMMA 2.24 to 3.24 GPa and 1.19 g/cm3, steel 207 GPa and 7.85 g/cm3.
- Dowling, Mechanical Behavior of Materials, table 5.2: Poisson's ratio of PMMA 0.35.
- Engineering Plastics Handbook, table 5.5, p. 91: acetal homopolymer 3.0, copolymer 2.5 GPa, 1.41 g/cm3.
- Pages of makers and dealers for C36000 after ASTM B16: 96.5 to 97 GPa, 37 GPa, 8.49 g/cm3.
  (A list that says 100 and 8.2 is wrong.)
- Milling Force Model for Aviation Aluminum Alloy, Chinese J. Mech. Eng. (2021), table 5: K_tc of 6082-T6 631 and of
  6061-T6 243.77 N/mm2.
- Palubicki, Materials 14 (2021) 2208: particleboard 32.0 and 37.6 N/mm2 mean specific principal force.
- Suppliers' charts: aluminium 850 to 1300, brass 400 to 700, plastics 800 to 1600 ft/min; feed per tooth at 1/8 in 0.0010,
  0.0010 and 0.0020 in; hardwood and acrylic 0.003 to 0.005, MDF 0.004 to 0.007 in; mild steel slotting 0.0007 in.
- MTConnect 2.3 and makers' lists of ISO 13399 symbols: DC is the largest cutting circle.
"""

from __future__ import annotations

import pytest

from newel.core.sources import Standing, source_of
from newel.shop.catalogue import load_shop, shipped_texts

SHOP = load_shop(shipped_texts())
FT_PER_MIN = 0.3048  # m/min, exact
EIGHTH_INCH_MM = 3.175
INCH_MM = 25.4


@pytest.mark.parametrize(
    ("name", "field", "low", "high"),
    [
        ("aluminium 6061", "E_N_per_mm2", 68_850, 69_500),  # printed 68.9 and 69 GPa
        ("aluminium 6061", "G_N_per_mm2", 25_500, 26_500),  # printed 26 GPa
        ("aluminium 6061", "density_kg_per_m3", 2705, 2715),  # printed 2.71
        ("brass C36000", "E_N_per_mm2", 96_450, 97_500),  # printed 96.5 and 97
        ("brass C36000", "G_N_per_mm2", 36_500, 37_500),
        ("brass C36000", "density_kg_per_m3", 8485, 8495),
        ("oak", "E_N_per_mm2", 10_950, 14_150),
        ("oak", "density_kg_per_m3", 610, 670),
        ("beech", "E_N_per_mm2", 11_825, 11_895),  # printed 1.72 Mpsi; 1 Mpsi = 6894.76 N/mm2, half a last digit = 34
        ("maple", "E_N_per_mm2", 12_550, 12_650),
        ("MDF", "E_N_per_mm2", 2_407, 2_420),  # printed 350 kpsi = 2413, read there as 2.41 GPa
        ("acetal", "E_N_per_mm2", 2_450, 3_050),
        ("acetal", "density_kg_per_m3", 1405, 1415),
        ("PMMA", "E_N_per_mm2", 2_235, 3_245),
        ("PMMA", "density_kg_per_m3", 1185, 1195),
        ("free-machining steel", "E_N_per_mm2", 199_500, 207_500),
        ("free-machining steel", "density_kg_per_m3", 7845, 7855),
    ],
)
def test_a_published_figure_lies_within_its_printed_digits(name: str, field: str, low: float, high: float) -> None:
    material = SHOP.materials[name]
    assert low <= getattr(material, field) <= high
    assert source_of(dict(material.sources)[field]).standing is Standing.PUBLISHED


def test_shear_of_pmma_follows_from_dowlings_poisson_ratio() -> None:
    pmma = SHOP.materials["PMMA"]
    assert pmma.G_N_per_mm2 == pytest.approx(pmma.E_N_per_mm2 / (2 * (1 + 0.35)), abs=0.5)  # derived: isotropic solid


@pytest.mark.parametrize(
    ("name", "low_ft", "high_ft"),
    [
        ("aluminium 6061", 850, 1300),
        ("aluminium 6082", 850, 1300),
        ("brass C36000", 400, 700),
        ("acetal", 800, 1600),
        ("PMMA", 800, 1600),
    ],
)
def test_cutting_speed_goes_no_higher_than_the_chart(name: str, low_ft: float, high_ft: float) -> None:
    """The charts' upper ends are kept; lower ends may lie below (a light mill), and then the source says common practice."""
    material = SHOP.materials[name]
    low, high = material.vc_m_per_min
    assert high == pytest.approx(high_ft * FT_PER_MIN, abs=0.5)
    assert low <= low_ft * FT_PER_MIN + 0.5
    if low < low_ft * FT_PER_MIN - 0.5:
        assert "common practice" in dict(material.sources)["vc_m_per_min"]


@pytest.mark.parametrize(
    ("name", "low_in", "high_in"),
    [
        ("aluminium 6061", 0.0010, 0.0010),
        ("aluminium 6082", 0.0010, 0.0010),
        ("brass C36000", 0.0010, 0.0010),
        ("acetal", 0.0020, 0.0020),
        ("PMMA", 0.003, 0.005),
        ("beech", 0.003, 0.005),
        ("oak", 0.003, 0.005),
        ("maple", 0.003, 0.005),
        ("MDF", 0.004, 0.007),
        ("free-machining steel", 0.0007, 0.0007),
    ],
)
def test_feed_per_tooth_at_an_eighth_of_an_inch_meets_the_chart(name: str, low_in: float, high_in: float) -> None:
    """The range touches the printed one, and never goes beyond its upper end by more than a quarter (one-value charts)."""
    low, high = (share * EIGHTH_INCH_MM for share in SHOP.materials[name].fz_per_DC)
    slack = 1.3 if low_in == high_in else 1.0
    assert high >= low_in * INCH_MM * 0.98
    assert high <= high_in * INCH_MM * slack
    assert low <= high_in * INCH_MM


def test_force_bands_hold_the_published_values_they_cite() -> None:
    low, high = SHOP.materials["aluminium 6082"].kc11_N_per_mm2
    assert low <= 631 <= high  # K_tc of 6082-T6
    for name in ("MDF", "beech", "oak", "maple"):
        low, high = SHOP.materials[name].kc11_N_per_mm2
        assert low <= 32.0 < 37.6 <= high  # particleboard, the only wood figure read
    # 6061's K_tc of 243.77 lies under its Kienzle band: its edge terms, a third to a half of the force, are not in K_tc
    assert SHOP.materials["aluminium 6061"].kc11_N_per_mm2[0] > 243.77


@pytest.mark.parametrize(
    ("name", "diameter_mm"),
    [("1/16 in flat", 1.5875), ("1/8 in flat", 3.175), ("1/4 in flat", 6.35), ("1/8 in ball", 3.175), ("1/4 in ball", 6.35)],
)
def test_inch_cutters_have_exactly_their_size(name: str, diameter_mm: float) -> None:
    assert abs(SHOP.cutters[name].DC - diameter_mm) < 1e-12  # derived: 25.4 mm/in, exact by definition
