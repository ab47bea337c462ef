"""ISO metric threads: profile ISO 68-1, basic diameters ISO 724, as given with the project's check values (section 7).

The printed digits are the standard's rounding to 0.001 mm; half the last digit is the tolerance. D1 = d - 1.082532 P is a
published factor; the lead angle is derived: atan(P / (pi d2)).
"""

from __future__ import annotations

import math

import pytest

from newel.core.errors import BadInput
from newel.shop.iso_threads import COARSE_PITCH_MM, PITCH_6H_UM, inside_limits, thread_for_bore, thread_sizes

ISO_724 = [
    (3.0, 0.5, 2.675, 2.459, 2.387, 3.4046),
    (4.0, 0.7, 3.545, 3.242, 3.141, 3.5962),
    (5.0, 0.8, 4.480, 4.134, 4.019, 3.2530),
    (6.0, 1.0, 5.350, 4.917, 4.773, 3.4046),
    (8.0, 1.25, 7.188, 6.647, 6.466, 3.1683),
]


@pytest.mark.parametrize(("d", "pitch", "d2", "D1", "d3", "lead_deg"), ISO_724)
def test_basic_diameters(d, pitch, d2, D1, d3, lead_deg):
    thread = thread_sizes(d, pitch)
    assert thread.d2 == pytest.approx(d2, abs=0.0005 + 1e-9)
    assert pytest.approx(D1, abs=0.0005 + 1e-9) == thread.D1
    assert thread.d3 == pytest.approx(d3, abs=0.0005 + 1e-9)
    assert math.degrees(math.atan(pitch / (math.pi * thread.d2))) == pytest.approx(lead_deg, abs=5e-5)
    assert pytest.approx(d - 1.082532 * pitch, abs=5e-7 * pitch + 1e-9) == thread.D1
    assert COARSE_PITCH_MM[d] == pitch


@pytest.mark.parametrize(("d", "pitch", "D1"), [(*row[:2], row[3]) for row in ISO_724])
def test_a_bore_is_known_by_its_basic_diameter_and_by_its_drill(d, pitch, D1):
    assert thread_for_bore(D1, pitch).d == d
    assert thread_for_bore(round(d - pitch, 2), pitch).d == d
    assert thread_for_bore(D1 + 0.1 * pitch, pitch).d == d


def test_a_bore_of_no_thread_is_refused():
    with pytest.raises(BadInput, match="no metric thread"):
        thread_for_bore(5.25, 0.5)


@pytest.mark.parametrize(
    ("nominal", "pitch", "minor", "pitch_diameter"),
    [
        (1.6, 0.35, None, 1.458),
        (2.0, 0.4, None, 1.830),
        (2.5, 0.45, None, 2.303),
        (3.0, 0.5, 2.599, 2.775),
        (4.0, 0.7, 3.422, 3.663),
        (5.0, 0.8, 4.334, 4.605),
        (6.0, 1.0, 5.153, 5.500),
        (8.0, 1.25, 6.912, 7.348),
        (10.0, 1.5, 8.676, 9.206),
        (12.0, 1.75, 10.441, 11.063),
        (16.0, 2.0, None, 14.913),
    ],
)
def test_the_upper_limits_are_those_of_class_6h(nominal, pitch, minor, pitch_diameter):
    # Pitch diameter: published, Iscar, catalogue of reamers and taps, 2022, page 56 (after UNI 4535). Bore, from memory:
    # ISO 965-2, whose figures are the formulas' rounded to preferred numbers.
    sizes = thread_sizes(nominal, pitch)
    limits = inside_limits(sizes)
    assert limits.pitch_mm == (pytest.approx(sizes.d2), pytest.approx(pitch_diameter, abs=0.0011))
    if minor is not None:
        assert limits.minor_mm == (sizes.D1, pytest.approx(minor, abs=0.009))


@pytest.mark.parametrize(
    ("nominal", "pitch"), [(nominal, pitch) for nominal, pitch in COARSE_PITCH_MM.items() if nominal != 3.0]
)
def test_the_formula_for_fine_threads_gives_the_published_tolerances_of_coarse_ones(nominal, pitch):
    # published: Yamawa, general catalogue, 2021, page 646; M3 apart, where the standard goes 6 % from its formula
    by_formula = inside_limits(thread_sizes(nominal, pitch + 1e-9)).pitch_mm
    assert 1e3 * (by_formula[1] - by_formula[0]) == pytest.approx(PITCH_6H_UM[nominal], rel=0.05)
